"""Holding that is begun again: by time alone, after a strike, after pieces that waited."""

import pytest

from recorder.core import meanings as m
from tests.kitchen import MINUTE
from tests.uneven import TIMED, Uneven

HOUR = 60 * MINUTE


def again(k: Uneven, vat: int, batch: int) -> None:
    """Out of holding, back into the oil, checked, and into holding."""
    k.say(m.COOK_MORE, batch=batch)
    k.say(m.LID_LOCKED, vat=vat)
    k.wait(k.of[vat].more_cook_ms)
    k.say(m.LID_OPEN, vat=vat)
    k.prove(vat)
    k.say(m.HOLD_START, vat=vat)


def test_by_time_alone_every_hold_counts_from_the_first() -> None:
    k = Uneven(TIMED)
    k.hold(2)
    for _ in range(2):
        again(k, 2, 1)
    rows = k.rows("holds")
    assert len(rows) == 3 and len({row["started_ms"] for row in rows}) == 3
    assert {row["counted_from_ms"] for row in rows} == {rows[0]["counted_from_ms"]}
    assert {row["until_ms"] for row in rows} == {rows[0]["until_ms"]}


@pytest.mark.parametrize("unknown", [0, 1])
def test_by_time_alone_a_hold_of_unknown_length_makes_each_later_one_unknown(unknown: int) -> None:
    k = Uneven(TIMED)
    k.hold(2)
    for number in range(2):
        if number == unknown:
            k.restart(MINUTE, False)
        again(k, 2, 1)
    assert [row["time_proven"] for row in k.rows("holds")] == [int(number < unknown) for number in range(3)]


def test_by_temperature_a_hold_counts_from_its_own_lid_and_is_known_by_itself() -> None:
    k = Uneven()
    k.hold(1)
    k.restart(MINUTE, False)
    again(k, 1, 1)
    first, second = k.rows("holds")
    assert (first["time_proven"], second["time_proven"]) == (0, 1)
    assert second["counted_from_ms"] == k.rows("fryings")[-1]["lid_open_ms"] != first["counted_from_ms"]


def test_a_second_hold_that_is_late_leaves_the_first_as_it_was() -> None:
    k = Uneven()
    k.hold(1)
    k.say(m.COOK_MORE, batch=1)
    k.wait(5 * MINUTE)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(4 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.prove(1)
    assert "longer than they may" in k.say(m.HOLD_START, vat=1)
    first, second = k.rows("holds")
    assert ("late" in first, second.get("late")) == (False, 1)
    assert [hold.late for hold in k.state.world.batches[0].holds] == [False, True]
    k.say(m.SOLD, batch=1)
    assert [hold.outcome for hold in k.state.world.batches[0].holds] == ["cooked more", "sold"]


def test_a_struck_lid_and_hold_do_not_make_food_fresh() -> None:
    """The hold that comes after them counts from the lid that was opened first."""
    k = Uneven()
    k.begin(1)
    k.fry(1)
    opened_ms = k.at_ms
    k.say(m.HOLD_START, vat=1)
    k.say(m.CONFIRM)
    for struck in (m.CONFIRM, m.HOLD_START, m.LID_OPEN):
        assert k.say(m.SCRATCH) == f"Struck: {struck}."
    k.wait(10 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.say(m.HOLD_START, vat=1)
    k.say(m.CONFIRM)
    assert k.rows("holds")[-1]["counted_from_ms"] == opened_ms < k.at_ms - 10 * MINUTE


def test_cold_time_of_a_struck_hold_is_reheated_from_when_it_began() -> None:
    """Within two hours: FDA Food Code 2022, 3-403.11(D)."""
    k = Uneven()
    k.hold(1)
    k.read("cabinet", 120)
    cold_ms = k.at_ms
    k.wait(20_000)
    k.read("cabinet", 150)
    assert k.say(m.SCRATCH) == "Struck: hold start."
    k.say(m.HOLD_START, vat=1)
    k.wait(10 * MINUTE)
    k.say(m.COOK_MORE, batch=1)
    (row,) = k.rows("batches")
    assert row["reheat_by_ms"] == cold_ms + 2 * HOUR
    assert k.rows("holds")[-1]["seconds_below"] == 20.0


@pytest.mark.parametrize(
    ("slots", "loud"),
    [
        ({"part": "leg", "count": 4}, False),
        ({"part": "leg", "count": 41}, True),
        ({"part": "thigh", "count": 4}, True),
    ],
)
def test_a_load_that_is_out_of_order_or_over_capacity_is_loud(slots: dict[str, object], loud: bool) -> None:
    k = Uneven()
    k.begin(1, parts=())
    k.say(m.LOAD, part="leg", count=4, vat=1)
    k.say(m.LOAD, vat=1, **slots)
    assert k.effects[-1].tone.value == ("alert" if loud else "done")  # type: ignore[union-attr]
