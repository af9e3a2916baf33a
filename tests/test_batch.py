"""A batch by itself: how many checks it needs and has, what is missing, what is left. Every part has its own count."""

from dataclasses import replace

import pytest

from recorder.core.batch import Batch, Check, Correction, Frying, Load, Verdict
from recorder.core.limits import listed
from tests.uneven import CELSIUS, FAHRENHEIT, TIMED

EMPTY = Batch(5, 7, 2, 3, FAHRENHEIT, 1_000)


def loaded(*loads: tuple[str, int | None], batch: Batch = EMPTY) -> Batch:
    return replace(
        batch, loads=tuple(Load(10 + n, part, pieces, n, None, False, False) for n, (part, pieces) in enumerate(loads))
    )


def checked(batch: Batch, *checks: tuple[str | None, Verdict | bool], round: int = 0) -> Batch:
    """True: passed and counts; False: passed and does not count."""
    made = tuple(
        Check(
            100 + n,
            part,
            round,
            n,
            Verdict.PASSED if isinstance(verdict, bool) else verdict,
            temp_c=80.0,
            source="probe",
            counts=verdict is True,
        )
        for n, (part, verdict) in enumerate(checks, len(batch.checks))
    )
    return replace(batch, checks=(*batch.checks, *made))


def test_without_a_load_nothing_is_known_of_its_pieces() -> None:
    assert (EMPTY.pieces, EMPTY.counted, EMPTY.pieces_left, EMPTY.parts) == (0, False, None, ())
    assert (EMPTY.checks_needed, EMPTY.passed, EMPTY.failed) == (3, 0, 0)
    assert EMPTY.missing == "no load was said" and not EMPTY.proven
    assert checked(EMPTY, ("wing", True), ("leg", True), ("thigh", True)).missing == "no load was said"


def test_pieces_that_were_not_counted_may_be_any_number() -> None:
    batch = loaded(("leg", None), ("wing", 4))
    assert (batch.pieces, batch.counted, batch.pieces_left, batch.checks_needed) == (4, False, None, 3)
    full = checked(batch, ("leg", True), ("leg", True), ("wing", True))
    assert full.passed == 3 and full.proven
    many = checked(full, *[("leg", True)] * 20)
    assert many.passed == 23


def test_parts_are_named_in_the_procedures_order_whatever_went_in_first() -> None:
    assert loaded(("wing", 3), ("thigh", 2), ("leg", 1), ("wing", 1)).parts == ("thigh", "leg", "wing")
    assert loaded(("wing", 3), ("leg", 2), batch=replace(EMPTY, procedure=CELSIUS)).parts == ("leg", "wing")


@pytest.mark.parametrize(("pieces", "needed"), [(1, 1), (2, 2), (3, 3), (9, 3)])
def test_no_more_checks_are_needed_than_there_are_pieces(pieces: int, needed: int) -> None:
    assert loaded(("leg", pieces)).checks_needed == needed


def test_of_each_part_no_more_checks_count_than_it_has_pieces() -> None:
    batch = loaded(("leg", 1), ("wing", 9))
    three = checked(batch, ("leg", True), ("leg", True), ("leg", True))
    assert (three.passed, three.missing) == (1, "wing and 1 more not checked")
    assert checked(batch, ("leg", True), ("wing", True), ("wing", True)).proven
    both = loaded(("leg", 1), ("wing", 9), ("leg", 1))
    assert checked(both, ("leg", True), ("leg", True), ("leg", True)).passed == 2, "two loads of legs are two pieces"


def test_unnamed_pieces_count_and_no_more_of_them_than_all_pieces() -> None:
    batch = loaded(("leg", 1), ("wing", 1))
    assert checked(batch, (None, True)).passed == 1
    assert checked(batch, (None, True), (None, True), (None, True)).passed == 2
    assert checked(batch, (None, True), (None, True)).missing == "leg and wing not checked", (
        "each part has its own check"
    )


def test_a_part_that_was_not_loaded_counts_for_nothing() -> None:
    batch = checked(loaded(("leg", 5)), ("wing", True), ("breast", True), ("leg", True))
    assert (batch.passed, batch.missing) == (1, "2 more not checked")


def test_the_slowest_parts_come_first_where_there_are_fewer_checks_than_parts() -> None:
    batch = loaded(("wing", 9), ("leg", 9), ("breast", 9), ("thigh", 9))
    assert batch.missing == "thigh, breast and leg not checked"
    assert checked(batch, ("thigh", True), ("breast", True), ("leg", True)).proven, "three are needed of four parts"
    assert checked(batch, ("wing", True), ("breast", True), ("leg", True)).missing == "thigh not checked"


def test_what_failed_comes_before_what_is_missing() -> None:
    batch = loaded(("leg", 5), ("wing", 5))
    below = checked(batch, ("leg", Verdict.BELOW_TARGET), ("wing", Verdict.BELOW_CRITICAL), ("wing", False))
    assert (below.failed, below.passed) == (2, 0)
    assert below.missing == "2 failed and leg, wing and 1 more not checked"
    full = checked(batch, ("leg", True), ("wing", True), ("leg", True), ("wing", Verdict.BELOW_TARGET))
    assert (full.missing, full.proven) == ("1 failed", False)
    cold = checked(batch, ("leg", Verdict.BELOW_HOLD), ("leg", Verdict.NO_READING))
    assert cold.failed == 0, "neither says that it was not done"


def test_after_more_cooking_only_fresh_checks_count() -> None:
    batch = checked(loaded(("leg", 5)), ("leg", True), ("leg", True), ("leg", Verdict.BELOW_TARGET))
    again = replace(batch, corrections=(Correction(200, 5, "leg below target"),))
    assert (again.round, again.fresh, again.passed, again.failed) == (1, (), 0, 0)
    assert again.missing == "leg and 2 more not checked"
    fresh = checked(again, ("leg", True), ("leg", True), ("leg", True), round=1)
    assert fresh.proven and len(fresh.fresh) == 3


def test_what_is_left_is_what_was_neither_sold_nor_discarded_nor_dropped() -> None:
    batch = replace(loaded(("leg", 20), ("wing", 30)), sold_pieces=7, discarded_pieces=11, dropped_pieces=3)
    assert (batch.pieces, batch.pieces_left) == (50, 29)


def test_the_newest_of_each() -> None:
    open_ = checked(loaded(("leg", 5)), ("leg", True), ("wing", Verdict.OPEN))
    assert open_.open_check == open_.checks[1] and checked(open_, ("leg", True)).open_check is None
    assert EMPTY.open_check is None and EMPTY.hold is None and EMPTY.open_since_ms is None
    cooks = (Frying(20, 100, 200), Frying(21, 300, 400), Frying(22, 500))
    assert replace(EMPTY, fryings=cooks).open_since_ms == 400, "the lid that is locked now has not been opened"
    assert replace(EMPTY, fryings=cooks[:1]).open_since_ms == 200
    assert replace(EMPTY, procedure=TIMED).by_time and not EMPTY.by_time


@pytest.mark.parametrize(
    ("words", "text"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_a_list_for_people(words: list[str], text: str) -> None:
    assert listed(words) == text
