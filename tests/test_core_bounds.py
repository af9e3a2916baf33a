"""The core at the very edge of a number: the last piece, the last millisecond, the hundredth of a degree."""

from dataclasses import replace

import pytest

from recorder.core import alerts, station
from recorder.core import meanings as m
from recorder.core.batch import Batch, Check, Stage, Verdict
from recorder.core.effects import Alert, Cue
from recorder.core.events import RULES, Heard, Intent, Started
from recorder.core.limits import to_c
from recorder.core.station import State, step
from recorder.core.subject import Moment
from recorder.core.subjects import cabinet, judging, loading, probe_check, recovery, reheating, trends, trust
from recorder.core.world import Cabinet, Latest, ProbeCheck, Recovery
from tests.kitchen import MINUTE
from tests.uneven import FAHRENHEIT, Uneven

TEMP_C = 71.23456
"""160.222208 °F."""

BATCH = Batch(5, 7, 2, 3, FAHRENHEIT, 1_000)
CHECK = Check(40, "leg", 0, 500, Verdict.BELOW_CRITICAL, temp_c=TEMP_C, source="probe")


def at(k: Uneven, at_ms: int, meaning: str, **slots: object) -> str:
    """Say a command at that very moment; returns the answer."""
    k.at_ms = at_ms
    intent = Intent(meaning, **slots)  # type: ignore[arg-type]
    effects = k.feed(Heard(at_ms, meaning, intent, "test", "open"))
    return next(each.say for each in reversed(effects) if isinstance(each, Cue))


def numbers(alert: Alert) -> dict[str, object]:
    return dict(alert.numbers)


def test_temperatures_of_an_alert_are_to_the_hundredth_of_a_degree() -> None:
    part = FAHRENHEIT.part("leg")
    assert part
    bath = ProbeCheck(9, m.ICE_POINT, 0, TEMP_C, 1.23456, "F", temp_c=TEMP_C)
    for alert, names in (
        (judging.check_failed(BATCH, CHECK, part.target, part.critical, 0), ("temperature",)),
        (judging.probe_untrusted(BATCH, CHECK, 0), ("temperature",)),
        (reheating.food_cold(BATCH, CHECK, TEMP_C, 0), ("temperature",)),
        (loading.oil_outside_band(BATCH, TEMP_C, Moment(9, 0, 0)), ("temperature",)),
        (trends.drift(BATCH, "leg", [TEMP_C] * 9, (1,), 9, 0), ("temperature", "usual")),
        (cabinet.hold_cold([7], TEMP_C, FAHRENHEIT.hold_minimum, 60_000, Moment(9, 0, 0)), ("temperature",)),
        (probe_check.check_failed(bath, 0), ("temperature", "due")),
    ):
        assert {numbers(alert)[name] for name in names} == {160.22}, alert.kind
        assert "160.2 °F" in alert.text
    assert numbers(probe_check.check_failed(bath, 0))["tolerance"] == 2.22


def test_seconds_of_slow_oil_are_to_the_tenth() -> None:
    way = Recovery(9, 2, 7, "F", 162.0, ((0, 150.0),), seconds=123.456)
    slow = recovery.oil_slow(way, 123.456, [98.7654] * 8, (1,), 0)
    assert (numbers(slow)["seconds"], numbers(slow)["usual_seconds"]) == (123.5, 98.8)
    assert "took 2 min 03 s" in slow.text and "before 1 min 38 s" in slow.text


@pytest.mark.parametrize(
    ("seconds", "text"), [(120.0, "2 min 00 s"), (119.95, "1 min 59 s"), (119.9996, "2 min 00 s"), (59.999, "59 s")]
)
def test_seconds_of_slow_oil_are_said_whole_from_the_nearest_millisecond(seconds: float, text: str) -> None:
    way = Recovery(9, 2, 7, "F", 162.0, ((0, 150.0),), seconds=seconds)
    slow = recovery.oil_slow(way, seconds, [seconds] * 8, (1,), 0)
    assert f"took {text} to recover" in slow.text and f", before {text} (" in slow.text


def test_run_rules_of_an_alert_are_numbers_with_a_space_between() -> None:
    way = Recovery(9, 2, 7, "F", 162.0, ((0, 150.0),), seconds=180.0)
    for alert in (
        recovery.oil_slow(way, 180.0, [120.0] * 8, (1, 2, 4), 0),
        trends.drift(BATCH, "leg", [TEMP_C] * 9, (1, 2, 4), 9, 0),
    ):
        assert numbers(alert)["rules"] == "1 2 4" and "run rules 1 and 2 and 4)" in alert.text


def uncounted(k: Uneven) -> None:
    """In holding, of one load whose pieces nobody counted."""
    k.begin(1, parts=())
    k.say(m.LOAD, part="leg", vat=1)
    k.fry(1)
    for value in (187, 188, 189):
        k.check("leg", value, vat=1)
    k.say(m.HOLD_START, vat=1)


@pytest.mark.parametrize(("said", "column"), [(m.SOLD, "sold_pieces"), (m.DISCARD, "discarded_pieces")])
def test_of_pieces_that_nobody_counted_only_those_are_counted_that_were_said(said: str, column: str) -> None:
    k = Uneven()
    uncounted(k)
    k.say(said, batch=1)
    k.say(m.CONFIRM)
    uncounted(k)
    for count in (5, None):
        k.say(said, batch=2, count=count)
        k.say(m.CONFIRM)
    assert [(row["stage"], row.get(column)) for row in k.rows("batches")] == [("closed", None), ("closed", 5)]


def test_a_load_that_was_not_counted_does_not_fill_a_vat() -> None:
    k = Uneven()
    k.begin(1, parts=())
    k.say(m.LOAD, part="leg", count=40, vat=1)
    assert k.say(m.LOAD, part="wing", vat=1) == "Batch 1, wing."
    assert "Over capacity: 41 of 40 pieces." in k.say(m.LOAD, part="wing", count=1, vat=1)
    assert [row["over_capacity"] for row in k.rows("loads")] == [0, 0, 1]


def test_as_many_pieces_can_be_gone_as_were_loaded_and_no_more() -> None:
    k = Uneven()
    k.begin(1, parts=())
    k.say(m.LID_LOCKED, vat=1)
    k.say(m.DROPPED, count=5)
    assert k.say(m.LOAD, part="leg", count=4) == "Refused: 5 pieces of batch 1 are gone already, more than 4."
    assert k.say(m.LOAD, part="leg", count=5) == "Batch 1, leg 5, said late."


def test_batches_are_numbered_up_to_twenty_nine() -> None:
    """Up to it no two numbers sound alike, as "thirteen" and "thirty" would."""
    k = Uneven()
    said = []
    for _ in range(31):
        said.append(k.say(m.BATCH_START, vat=1))
        k.discard(k.number(1))
    assert said == [f"Batch {number}, vat 1." for number in (*range(1, 30), 1, 2)]


@pytest.mark.parametrize(("after_ms", "answer"), [(19_999, "Batch 1 discarded."), (20_000, "Refused: nothing waits")])
def test_a_question_waits_for_twenty_seconds(after_ms: int, answer: str) -> None:
    k = Uneven()
    k.begin(1)
    k.say(m.DISCARD, batch=1)
    assert at(k, k.at_ms + after_ms, m.CONFIRM).startswith(answer)


def test_a_hundred_closed_batches_wait_for_the_next_check_of_their_thermometer() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 190, vat=1)
    (batch,) = k.state.world.batches
    closed = tuple(replace(batch, id=-number, stage=Stage.CLOSED) for number in range(100, 0, -1))
    k.state = replace(k.state, world=replace(k.state.world, closed=closed))
    k.discard(1)
    k.wait(3 * MINUTE)
    k.say(m.OIL_LEVEL_OK, vat=2)
    assert [each.id for each in k.state.world.closed] == [*range(-99, 0), batch.id]
    assert station.CLOSED_KEPT == 100


def test_five_hundred_checks_are_remembered_until_the_needle_passes() -> None:
    k = Uneven()
    given = tuple((-number, 9, "leg") for number in range(500, 0, -1))
    world = replace(k.state.world, unverified=given, spare_unverified=given)
    for spare in (False, True):
        after = trust.remember_given(world, 7, 1, "wing", spare)
        assert (after.spare_unverified if spare else after.unverified) == (*given[1:], (7, 1, "wing"))
        assert (after.unverified if spare else after.spare_unverified) == given


def test_one_oil_record_of_each_vat_is_kept_whichever_kind_it_is() -> None:
    k = Uneven()
    for meaning in (*m.OIL, m.OIL_POLAR):
        for vat in (1, 2):
            k.say(meaning, vat=vat, percent=9.0)
            k.say(meaning, vat=vat, percent=9.5)
            assert len(k.state.world.oil) == len({each.vat for each in k.state.world.oil})
    assert [(each.vat, each.what, each.percent) for each in k.state.world.oil] == [
        (1, m.OIL_POLAR, 9.5),
        (2, m.OIL_POLAR, 9.5),
    ]


def test_a_time_line_begins_at_nothing() -> None:
    state, effects = step(State(), Started(0, "b", True, "t", "line-1", (1,), RULES))
    assert (state.seq, state.at_ms) == (1, 0) and effects


def test_what_went_back_in_the_moment_of_a_struck_hold_was_cooked_since() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    moment_ms = k.at_ms + 1_000
    for meaning in (m.HOLD_START, m.SCRATCH, m.COOK_MORE):
        at(k, moment_ms, meaning)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(4 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    opened_ms = k.at_ms
    k.prove(1)
    k.say(m.HOLD_START, vat=1)
    hold = k.rows("holds")[-1]
    assert (hold["started_ms"], hold["counted_from_ms"]) == (k.at_ms, opened_ms)


@pytest.mark.parametrize(("early_ms", "left"), [(1, True), (0, False)])
def test_no_time_is_left_to_reheat_at_its_very_end(early_ms: int, left: bool) -> None:
    k = Uneven()
    k.hold(1)
    k.check("leg", 120, batch=1)
    by_ms = k.state.world.batches[0].reheat_by_ms
    assert by_ms is not None
    k.wait(by_ms - 1 - k.at_ms)
    assert ("left to reheat it" in at(k, by_ms - early_ms, m.COOK_MORE, batch=1)) is left


def test_the_longest_wait_of_a_batch_is_its_longest() -> None:
    assert BATCH.longest_wait_ms == 0
    waits = ((Stage.LOADING, 700), (Stage.CHECKING, 900), (Stage.RETURNED, 800))
    assert replace(BATCH, waits=waits).longest_wait_ms == 900


HOUR = 60 * MINUTE


@pytest.mark.parametrize(
    ("lasted_ms", "cold_ms", "age_ms", "cold"),
    [
        (60_000, 0, 60_000, True),
        (59_999, 0, 60_000, False),
        (60_000, 0, 60_001, False),
        (0, 600_000, 0, True),
        (0, 599_999, 0, False),
    ],
)
def test_a_cabinet_is_cold_after_a_minute_or_ten_in_all_by_a_reading_of_the_last_minute(
    lasted_ms: int, cold_ms: int, age_ms: int, cold: bool
) -> None:
    k = Uneven()
    k.hold(1)
    (batch,) = k.state.world.batches
    assert batch.hold
    world = k.state.world.with_batch(batch.id, holds=(replace(batch.hold, cold_ms=cold_ms),))
    last_ms = k.at_ms + HOUR
    side = Cabinet(True, False, last_ms - lasted_ms, last_ms, *[to_c(130, "F")] * 3)
    world = replace(world, cabinet=side, latest={"cabinet": Latest(side.temp_c, last_ms, False)})
    assert alerts.is_open(cabinet.watched(world, Moment(999, last_ms + age_ms, 0)), alerts.HOLD_COLD) is cold


@pytest.mark.parametrize(("lasted_ms", "warm"), [(5 * MINUTE, True), (5 * MINUTE - 1, False)])
def test_a_cabinet_is_warm_again_after_five_minutes(lasted_ms: int, warm: bool) -> None:
    k = Uneven()
    k.hold(1)
    for _ in range(4):
        k.read("cabinet", 120)
        k.wait(25_000)
    last_ms = k.at_ms + HOUR
    side = Cabinet(False, True, last_ms - lasted_ms, last_ms, *[to_c(150, "F")] * 3)
    world = replace(k.state.world, cabinet=side, latest={"cabinet": Latest(side.temp_c, last_ms, False)})
    assert alerts.is_open(world, alerts.HOLD_COLD)
    assert alerts.is_open(cabinet.watched(world, Moment(999, last_ms, 0)), alerts.HOLD_COLD) is not warm


@pytest.mark.parametrize(("away_ms", "forgiven"), [(2 * HOUR - 1, True), (2 * HOUR, False)])
def test_a_warm_piece_speaks_for_food_that_was_without_power_for_less_than_two_hours(
    away_ms: int, forgiven: bool
) -> None:
    """The time to reheat: FDA Food Code 2022, 3-403.11(D)."""
    k = Uneven()
    k.hold(1)
    k.restart(away_ms, True)
    k.check("leg", 150, batch=1)
    assert ("the power was away" in k.say(m.SOLD, batch=1)) is not forgiven


@pytest.mark.parametrize(("after_ms", "read_f"), [(60_000, 150), (60_001, 184)])
def test_a_colder_spot_of_a_batch_that_is_gone_counts_for_a_minute(after_ms: int, read_f: float) -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 184, vat=1)
    read_ms = k.at_ms
    k.discard(1)
    k.wait(read_ms + after_ms - 8_000 - k.at_ms)
    k.dip(150, colder=True)
    assert [row["temperature"] for row in k.rows("checks")] == [read_f]


def test_a_strike_of_other_words_does_not_call_an_ended_hold_back() -> None:
    """Food of a cold hold that was hot again since has nothing left to reheat."""
    k = Uneven()
    k.hold(1)
    for _ in range(4):
        k.read("cabinet", 120)
        k.wait(25_000)
    assert "left to reheat it" in k.say(m.COOK_MORE, batch=1)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(4 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.prove(1)
    k.say(m.OIL_LEVEL_OK, vat=2)
    assert k.say(m.SCRATCH) == "Struck: oil level ok."
    assert "reheat" not in k.say(m.COOK_MORE, batch=1)


def test_at_its_very_end_a_cook_or_a_hold_has_no_time_left() -> None:
    k = Uneven()
    k.begin(1)
    k.say(m.LID_LOCKED, vat=1)
    locked_ms = k.at_ms
    assert at(k, locked_ms + 13 * MINUTE - 1, m.TIME_LEFT) == "Batch 1: 0 s of its cook left."
    assert at(k, locked_ms + 13 * MINUTE, m.TIME_LEFT) == "Batch 1: 0 s over its cook."
    k.say(m.LID_OPEN, vat=1)
    opened_ms = k.at_ms
    k.prove(1)
    k.say(m.HOLD_START, vat=1)
    assert at(k, opened_ms + HOUR - 1, m.TIME_LEFT) == "Batch 1: 0 s of its hold left."
    assert at(k, opened_ms + HOUR, m.TIME_LEFT) == "Batch 1: 0 s over its hold."


@pytest.mark.parametrize(("hours", "text"), [(47.99, "47 hours"), (48, "2 days"), (71.99, "2 days"), (72, "3 days")])
def test_up_to_two_days_a_needle_passed_hours_ago(hours: float, text: str) -> None:
    overdue = probe_check.check_overdue(1_000, 9, 1_000 + round(hours * HOUR))
    assert f"passed its last check {text} ago" in overdue.text


@pytest.mark.parametrize(("batches", "before"), [(6, 0), (7, 1), (9, 3)])
def test_six_batches_in_doubt_are_named_and_the_others_counted(batches: int, before: int) -> None:
    check = ProbeCheck(9, m.ICE_POINT, 0, 0.0, 1.0, "C", temp_c=5.0)
    doubted = [(number, part) for number in range(1, batches + 1) for part in ("leg", "wing")]
    alert = probe_check.checks_in_doubt(check, doubted, 0)
    named = [f"batch {number} (leg, wing)" for number in range(1, batches + 1) if f"batch {number} (" in alert.text]
    assert named == [f"batch {number} (leg, wing)" for number in range(batches - 5, batches + 1)]
    assert (f" and {before} batch" in alert.text) is bool(before)
    assert numbers(alert) == {"checks": 2 * batches, "batches": " ".join(map(str, range(1, batches + 1)))}


@pytest.mark.parametrize(("counted", "most"), [(0, 40), (45, 45)])
def test_as_many_pieces_leave_a_vat_as_it_holds_or_as_were_counted(counted: int, most: int) -> None:
    k = Uneven()
    k.begin(1, parts=())
    k.say(m.LOAD, part="leg", vat=1)
    if counted:
        k.say(m.LOAD, part="wing", count=counted, vat=1)
    refused = f"Refused: {most + 1} pieces are more than a vat holds. Words that fit now: load and lid locked."
    assert k.say(m.DROPPED, count=most + 1) == refused
    k.say(m.DROPPED, count=1)
    assert k.say(m.DROPPED, count=most) == refused
    assert k.say(m.DROPPED, count=most - 1) == f"{most - 1} pieces of batch 1 dropped, and it stays open."


@pytest.mark.parametrize(("early_ms", "asked"), [(1, False), (0, True)])
def test_a_hold_is_past_its_limit_at_its_very_end(early_ms: int, asked: bool) -> None:
    k = Uneven()
    k.hold(1)
    k.read("cabinet", 150)
    until_ms = k.rows("holds")[0]["until_ms"]
    assert isinstance(until_ms, int)
    assert ("it was held 60 min 00 s, its quality limit is" in at(k, until_ms - early_ms, m.SOLD, batch=1)) is asked


@pytest.mark.parametrize(("early_ms", "near"), [(1, True), (0, False)])
def test_a_hold_that_begins_at_its_limit_is_past_it_and_never_near_it(early_ms: int, near: bool) -> None:
    """It counts from the open lid, an hour before."""
    k = Uneven()
    k.begin(1)
    k.fry(1)
    until_ms = k.at_ms + k.state.world.batches[0].procedure.hold_limit_ms
    k.prove(1)
    k.wait(until_ms - early_ms - 1_000 - k.at_ms)
    k.say(m.HOLD_START, vat=1)
    k.wait(2)
    assert bool(k.notices(alerts.HOLD_NEAR_LIMIT)) is near and k.notices(alerts.HOLD_PAST_LIMIT)


@pytest.mark.parametrize("longest", [0, 1])
def test_a_cabinet_is_too_cold_once_any_batch_in_it_was_so_for_ten_minutes(longest: int) -> None:
    k = Uneven()
    k.hold(1)
    k.hold(2)
    world = k.state.world
    for number, batch in enumerate(world.batches):
        assert batch.hold
        cold_ms = 11 * MINUTE if number == longest else 5 * MINUTE
        world = world.with_batch(batch.id, holds=(replace(batch.hold, cold_ms=cold_ms),))
    side = Cabinet(True, False, k.at_ms, k.at_ms, *[to_c(130, "F")] * 3)
    world = replace(world, cabinet=side, latest={"cabinet": Latest(side.temp_c, k.at_ms, False)})
    (cold,) = [each for each in cabinet.watched(world, Moment(999, k.at_ms, 0)).alerts if each.kind == alerts.HOLD_COLD]
    assert (numbers(cold)["seconds"], numbers(cold)["batches"]) == (660, "1 2")


def test_a_cabinet_that_was_cold_for_a_millisecond_was_so() -> None:
    k = Uneven()
    k.hold(1)
    k.read("cabinet", 130)
    k.at_ms += 1
    k.read("cabinet", 130)
    (batch,) = k.state.world.batches
    assert batch.hold and (batch.hold.cold_ms, batch.hold.cold_since_ms) == (1, k.at_ms - 1)
    k.read("cabinet", 130)
    (batch,) = k.state.world.batches
    assert batch.hold and batch.hold.cold_ms == 1, "two readings in one moment have no time between them"
