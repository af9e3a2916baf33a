"""The core where two things meet: an event in the moment of another, a second hold, a second loss, no procedure."""

import math
from dataclasses import replace

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Alert, Cue, Level, Notice, Tone
from recorder.core.events import (
    RULES,
    Heard,
    Intent,
    ProbeBack,
    ProbeLost,
    ProcedureLoaded,
    Reading,
    Signed,
    SpaceLow,
    Started,
)
from recorder.core.limits import minutes_text, plausible, run_rules_text
from recorder.core.station import State, deadline, step
from recorder.core.subjects import cabinet, disk
from recorder.core.world import World
from tests.kitchen import MINUTE, Kitchen
from tests.uneven import FAHRENHEIT, Uneven, c

DAY = 24 * 60 * MINUTE


def alert(number: int, kind: str = alerts.COOK_SHORT, **how: object) -> Alert:
    made = Alert(alerts.alert_id(number, kind), kind, Level.WARNING, f"about {number}", number, (), number * 100)
    return replace(made, **how)  # type: ignore[arg-type]


def test_an_alert_ends_once() -> None:
    world = alerts.ended(World(alerts=(alert(1), alert(2))), 500, "lid opened", (alerts.COOK_SHORT,), batch=1)
    again = alerts.ended(world, 900, "sold", (alerts.COOK_SHORT,))
    assert [(each.ended_ms, each.ended_by) for each in again.alerts] == [(500, "lid opened"), (900, "sold")]


def test_an_alert_that_has_ended_is_never_in_hand_nor_seen() -> None:
    world = World(alerts=(alert(1, ended_ms=300, ended_by="sold"), alert(2)))
    assert alerts.acknowledged(world, alert(1).id, "JD", 400) is world
    assert alerts.seen(world, alert(1).id, "phone", 400) is world


def test_a_critical_alert_is_told_again_for_one_day() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 140, vat=1)
    began_ms = k.at_ms
    k.wait(3 * DAY)
    told_ms = [
        event.at_ms - began_ms
        for event, effects in k.steps
        for each in effects
        if isinstance(each, Notice) and (each.alert.kind, each.change) == (alerts.CHECK_BELOW_CRITICAL, "repeated")
    ]
    assert [each / MINUTE for each in told_ms] == [5, 15, 35, 75, *range(135, 1440, 60)]


def test_a_number_that_an_open_alert_has_is_not_given_again() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1, 3)
    k.say(m.HOLD_START)
    k.say(m.CONFIRM)
    k.sell(1)
    assert [each.batch for each in k.open_of(alerts.SOLD_DESPITE)] == [1]
    k.say(m.SHIFT_END)
    k.say(m.CONFIRM)
    k.say(m.SHIFT_START, cook=3)
    assert k.say(m.BATCH_START, vat=2) == "Batch 2, vat 2."


def test_each_hold_of_a_batch_stays_with_it() -> None:
    k = Uneven()
    k.hold(1)
    for _ in range(2):
        k.wait(MINUTE)
        k.say(m.COOK_MORE, batch=1)
        k.say(m.LID_LOCKED, vat=1)
        k.wait(4 * MINUTE)
        k.say(m.LID_OPEN, vat=1)
        k.prove(1)
        k.say(m.HOLD_START, vat=1)
    for value in (130, 131, 129, 140):
        k.read("cabinet", value)
        k.wait(20_000)
    (batch,) = k.state.world.batches
    assert [hold.outcome for hold in batch.holds] == ["cooked more", "cooked more", None]
    assert [hold.cold_ms for hold in batch.holds] == [0, 0, 60_000]
    assert [row["outcome"] for row in k.rows("holds")] == ["cooked more", "cooked more", None]
    k.wait(51 * MINUTE)
    k.restart(MINUTE, True)
    k.restart(MINUTE, False)
    k.wait(10 * MINUTE)
    (batch,) = k.state.world.batches
    assert [(hold.outcome, hold.warned, hold.past, hold.time_proven) for hold in batch.holds] == [
        ("cooked more", False, False, True),
        ("cooked more", False, False, True),
        (None, True, True, False),
    ]
    k.check("leg", 120.4, batch=1)
    k.say(m.ICE_POINT)
    k.dip(40)
    (batch,) = k.state.world.batches
    assert [hold.proven for hold in batch.holds] == [True, True, False]
    k.sell(1)
    assert [row["outcome"] for row in k.rows("holds")] == ["cooked more", "cooked more", "sold"]


def test_each_cook_of_a_batch_stays_with_it() -> None:
    k = Uneven()
    k.begin(1)
    for number in range(3):
        k.say(m.LID_LOCKED, vat=1)
        k.wait(20 * MINUTE if number else 13 * MINUTE)
        k.say(m.LID_OPEN, vat=1)
        k.say(m.COOK_MORE, vat=1)
    (batch,) = k.state.world.batches
    assert [(cook.called, cook.overdue, cook.opened_ms is None) for cook in batch.fryings] == [
        (True, False, False),
        (True, True, False),
        (True, True, False),
    ]
    k.say(m.LID_LOCKED, vat=1)
    k.restart(MINUTE, True)
    (batch,) = k.state.world.batches
    assert [cook.time_proven for cook in batch.fryings] == [True, True, True, False] and len(batch.corrections) == 3
    assert [cook.id for cook in batch.fryings] == sorted({cook.id for cook in batch.fryings})


@pytest.mark.parametrize(("after_ms", "value", "kept_f"), [(60_000, 181, 181), (60_001, 181, 184), (9_000, 184, 184)])
def test_a_colder_spot_counts_for_a_minute(after_ms: int, value: float, kept_f: float) -> None:
    """And one that is no colder changes nothing and is not said again."""
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 184, vat=1)
    k.wait(after_ms - 8_000)
    before = len(k.effects)
    k.dip(value, colder=True)
    (row,) = k.rows("checks")
    assert row["temperature"] == kept_f and bool(k.effects[before:]) is (kept_f != 184)


def test_a_needle_that_goes_colder_before_any_check_is_no_check() -> None:
    k = Uneven()
    k.dip(150, colder=True)
    k.dip(140, colder=True)
    assert k.rows("checks") == [] and k.state.world.alerts == ()


@pytest.mark.parametrize(
    ("temp_c", "is_one"), [(-273.15, True), (-273.16, False), (2000, True), (2000.1, False), (math.nan, False)]
)
def test_what_can_be_a_temperature(temp_c: float, is_one: bool) -> None:
    """Absolute zero is -273.15 °C."""
    k = Uneven()
    k.feed(Reading(k.at_ms, "vat1", temp_c))
    assert ("vat1" in k.state.world.latest) is is_one is plausible(temp_c)


@pytest.mark.parametrize(
    ("ms", "text"),
    [(-1, "0 s"), (-90_000, "0 s"), (999, "0 s"), (59_999, "59 s"), (60_000, "1 min 00 s"), (3_725_900, "62 min 05 s")],
)
def test_a_length_of_time_for_people(ms: int, text: str) -> None:
    assert minutes_text(ms) == text


def test_run_rules_for_people() -> None:
    assert [run_rules_text(numbers) for numbers in ((1,), (2, 3), (1, 2, 4))] == [
        "run rule 1",
        "run rules 2 and 3",
        "run rules 1 and 2 and 4",
    ]


def test_food_of_a_cold_cabinet_that_goes_back_has_its_time_to_be_hot() -> None:
    k = Uneven()
    k.hold(1)
    for value in (130, 130, 130):
        k.read("cabinet", value)
        k.wait(30_000)
    assert "left to reheat it" in k.say(m.COOK_MORE, batch=1)
    assert k.state.world.batches[0].reheat_by_ms is not None
    k.hold(2)
    k.read("cabinet", 150)
    assert "reheat" not in k.say(m.COOK_MORE, batch=2)
    assert k.state.world.batches[1].reheat_by_ms is None


def test_a_hold_whose_time_is_unknown_stays_so_when_it_is_struck_and_said_again() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.say(m.HOLD_START)
    k.restart(5 * MINUTE, False)
    assert k.say(m.SCRATCH) == "Struck: hold start."
    k.say(m.HOLD_START)
    assert [row["time_proven"] for row in k.rows("holds")] == [0, 0]


def test_a_wait_of_unknown_length_makes_the_time_of_its_hold_unknown() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.restart(5 * MINUTE, False)
    k.prove(1)
    k.say(m.HOLD_START)
    assert [row["time_proven"] for row in k.rows("holds")] == [0]


@pytest.mark.parametrize(("gap_ms", "cold_ms"), [(60_000, 60_000), (60_001, 0)])
def test_between_two_readings_a_cabinet_was_cold_where_they_are_fresh(gap_ms: int, cold_ms: int) -> None:
    k = Uneven()
    k.hold(1)
    k.read("cabinet", 130)
    k.wait(gap_ms)
    k.read("cabinet", 131)
    (batch,) = k.state.world.batches
    assert batch.hold and batch.hold.cold_ms == cold_ms


@pytest.mark.parametrize(
    ("value_c", "below", "warm"), [(59.99, True, False), (60, False, False), (60.49, False, False), (60.5, False, True)]
)
def test_a_cabinet_is_warm_half_a_degree_above_its_minimum(value_c: float, below: bool, warm: bool) -> None:
    world = World(procedure=replace(FAHRENHEIT, hold_minimum=c(60)))
    side = cabinet.read(world, cabinet.NAMELESS, value_c, 1_000).cabinet
    assert side and (side.below, side.warm, side.since_ms, side.last_ms) == (below, warm, 1_000, 1_000)


@pytest.mark.parametrize(("gap_ms", "since_ms"), [(10 * MINUTE, 1_000), (10 * MINUTE + 1, 10 * MINUTE + 1_001)])
def test_readings_ten_minutes_apart_are_of_one_stretch(gap_ms: int, since_ms: int) -> None:
    world = World(procedure=FAHRENHEIT)
    for at_ms, value_c in ((1_000, 50), (1_000 + gap_ms, 51)):
        world = cabinet.read(world, cabinet.NAMELESS, value_c, at_ms)
    assert world.cabinet and (world.cabinet.since_ms, world.cabinet.last_ms) == (since_ms, 1_000 + gap_ms)


def test_a_probe_that_is_lost_twice_is_told_once() -> None:
    k = Uneven()
    assert k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    assert k.feed(ProbeLost(k.at_ms, "vat1", "unplugged")) == ()
    k.read("vat1", 330)
    k.wait(5_000)
    (cue,) = k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    assert cue == Cue(cue.tone, "Probe vat1 lost: unplugged.")  # type: ignore[union-attr]
    assert "vat1" not in k.state.world.latest, "what it gave in between is old"
    k.feed(ProbeBack(k.at_ms, "vat1"))
    k.wait(MINUTE)
    assert k.state.world.backs == () and k.open_of(alerts.PROBE_LOST) == []


@pytest.mark.parametrize(("apart_ms", "alerts_open"), [(5_000, 1), (5_001, 2)])
def test_losses_up_to_five_seconds_apart_are_one(apart_ms: int, alerts_open: int) -> None:
    k = Uneven()
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    k.feed(ProbeLost(k.at_ms + apart_ms, "vat2", "unplugged"))
    assert len(k.open_of(alerts.PROBE_LOST)) == alerts_open


def test_a_spare_thermometer_stands_in_only_while_the_needle_is_lost() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.say(m.SPARE_ICE, ice=32.5)
    assert "does not count" in k.say(m.READING, number=190.0)
    k.feed(ProbeLost(k.at_ms, "needle", "open circuit"))
    assert "1 of 3" in k.say(m.READING, number=191.0)
    k.feed(ProbeBack(k.at_ms, "needle"))
    assert "does not count" in k.say(m.READING, number=192.0), "it is back, though its alert is still open"
    assert [row["counts"] for row in k.rows("checks")] == [0, 1, 0]


def said(state: State, intent: Intent) -> tuple[State, str]:
    state, effects = step(state, Heard(state.at_ms + 1_000, intent.meaning, intent, "test", "open"))
    return state, next(each.say for each in reversed(effects) if isinstance(each, Cue))


def test_before_there_is_a_procedure_all_is_in_celsius() -> None:
    state, _ = step(State(), Started(0, "boot-1", True, "1", "line-1", (1,), RULES))
    state, _ = step(state, Reading(0, "needle", 80.0))
    assert said(state, Intent(m.LAST_READING))[1] == "80.0 degrees, not settled, 1 s ago."
    state, _ = said(state, Intent(m.SHIFT_START, cook=4))
    assert said(state, Intent(m.BATCH_START))[1] == "Refused: no procedure is loaded."
    state, _ = step(state, Reading(state.at_ms, "vat1", 170.4))
    assert said(state, Intent(m.OIL_FILTERED))[1] == "Oil filtered, vat 1, 170 degrees."
    assert said(state, Intent(m.OIL_POLAR, percent=99.0))[1] == "Oil polar compounds 99 percent, vat 1."
    assert said(state, Intent(m.SPARE_ICE, ice=1.01))[1].endswith("The spare thermometer failed its check.")
    assert said(state, Intent(m.SPARE_ICE, ice=1.0))[1].endswith("The spare thermometer passed.")
    state, _ = said(state, Intent(m.ICE_POINT))
    state, effects = step(state, Reading(state.at_ms + 9_000, "needle", -0.9, True, 1))
    assert [each.say for each in effects if isinstance(each, Cue)] == [
        "Ice point -0.9 degrees, off by -0.9. The probe passed."
    ]


def test_a_spoken_check_that_did_not_count_by_older_rules_does_not_count_now() -> None:
    kitchen = Kitchen(rules=4)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 185)
    kitchen.say(m.READING, number=190.0)
    kitchen.feed(Started(kitchen.at_ms, "boot-1", True, "new", "line-1", (1,), RULES))
    (batch,) = kitchen.state.world.batches
    assert [check.counts for check in batch.checks] == [True, False] and batch.passed == 1


def test_dropping_the_last_piece_ends_the_batch() -> None:
    k = Uneven()
    k.begin(1, pieces=3)
    assert k.say(m.DROPPED, count=5) == "5 pieces of batch 1 dropped, 3 left."
    assert k.say(m.DROPPED, count=3) == "Batch 1: no pieces left."
    k.hold(2)
    k.sell(2, 20)
    assert k.say(m.DROPPED, count=8) == "Batch 2: no pieces left."
    assert [(row["outcome"], row["dropped_pieces"]) for row in k.rows("batches")] == [("discarded", 8), ("sold", 8)]


def test_a_disk_that_is_low_twice_is_one_alert() -> None:
    k = Uneven()
    k.feed(SpaceLow(k.at_ms, 90, 200))
    assert k.feed(SpaceLow(k.at_ms, 80, 200)) == ()
    assert [dict(each.numbers) for each in k.open_of(alerts.DISK_NEARLY_FULL)] == [{"free_mb": 90, "least_mb": 200}]


def test_a_procedure_of_later_does_not_change_a_batch_of_before() -> None:
    k = Uneven()
    k.begin(1)
    k.feed(ProcedureLoaded(k.at_ms, k.of[2]))
    k.fry(1)
    k.check("leg", 181, vat=1)
    (row,) = k.rows("checks")
    assert (row["unit"], row["target"], row["verdict"]) == ("F", 182.0, "below target")


def test_a_clock_that_is_known_at_a_start_ends_its_alert() -> None:
    k = Uneven()
    k.feed(Started(k.at_ms, "boot-1", False, "1", "line-1", (1, 2), RULES))
    k.feed(Started(k.at_ms, "boot-1", True, "1", "line-1", (1, 2), RULES))
    (row,) = [row for row in k.rows("alerts") if row["kind"] == alerts.CLOCK_NOT_SET]
    assert row["ended_by"] == "clock set"


def test_a_question_that_was_dropped_does_not_come_back_with_a_strike() -> None:
    k = Uneven()
    k.begin(1)
    assert "Say confirm" in k.say(m.DISCARD, batch=1)
    k.say(m.OIL_LEVEL_OK, vat=2)
    assert k.say(m.SCRATCH) == "Struck: oil level ok."
    assert k.say(m.CONFIRM) == "Refused: nothing waits for confirm."


def test_what_ends_in_the_moment_of_a_signature_is_open_no_more() -> None:
    k = Uneven()
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    k.feed(ProbeBack(k.at_ms, "vat1"))
    k.at_ms += 30_000
    k.feed(Signed(k.at_ms, "2026-02-26", "JD", ""))
    (row,) = k.rows("signatures")
    assert row["open_alerts"] == 0


@pytest.mark.parametrize(("ice_f", "bound"), [(32.0, True), (38.0, False)])
def test_what_a_failed_probe_read_says_nothing_of_the_batch(ice_f: float, bound: bool) -> None:
    k = Uneven()
    k.say(m.ICE_POINT)
    k.dip(ice_f)
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.say(m.HOLD_START, vat=1)
    k.say(m.CONFIRM)
    (row,) = k.rows("batches")
    assert ("bound" in row) is bound and row["stage"] == "holding"


def test_the_alert_that_is_in_no_journal() -> None:
    assert disk.not_recording("the disk is full", 41, 9_000) == Alert(
        "41-not-recording",
        "not recording",
        Level.CRITICAL,
        "The recorder records nothing any more: the disk is full. Write down by hand what is done until it starts"
        " again.",
        None,
        (("reason", "the disk is full"),),
        9_000,
    )


def test_the_time_left_of_a_further_cook_is_its_own() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.say(m.COOK_MORE, vat=1)
    k.say(m.LID_LOCKED, vat=1)
    assert k.say(m.TIME_LEFT) == "Batch 1: 3 min 59 s of its cook left.", "4 min are planned of a further one"


@pytest.mark.parametrize(("number", "taken"), [(-5.0, True), (-5.1, False), (100.0, True), (100.1, False)])
def test_a_spoken_temperature_at_the_ends_of_what_meat_can_be(number: float, taken: bool) -> None:
    k = Uneven()
    k.begin(2)
    k.fry(2)
    assert ("no temperature of meat" in k.say(m.READING, number=number, vat=2)) is not taken


def test_the_last_eight_commands_can_be_struck() -> None:
    k = Uneven()
    for _ in range(10):
        k.say(m.OIL_LEVEL_OK, vat=1)
    answers = [k.say(m.SCRATCH) for _ in range(9)]
    assert answers == ["Struck: oil level ok."] * 8 + ["Refused: there is no command to strike."]


def test_what_was_due_before_a_procedure_asked_for_it_is_due_at_once() -> None:
    k = Uneven()
    k.feed(ProcedureLoaded(k.at_ms, k.of[2]))
    k.wait(40 * MINUTE)
    k.feed(ProcedureLoaded(k.at_ms, k.of[1]))
    assert deadline(k.state) == k.at_ms + 1
    k.wait(1)
    assert [each.began_ms for each in k.open_of(alerts.PROBE_CHECK_OVERDUE)] == [k.at_ms]


def test_a_start_gives_up_where_the_needle_was() -> None:
    def again(k: Uneven) -> None:
        k.feed(Started(k.at_ms, "boot-1", True, "1", "line-9", (1, 2), RULES))

    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.dip(150)
    again(k)
    assert k.state.world.station == "line-9"
    k.say(m.PROBE, part="leg", vat=1)
    k.dip(190)
    k.check("leg", 188, vat=1)
    again(k)
    k.dip(170, colder=True)
    assert [row["temperature"] for row in k.rows("checks")] == [190, 188]


def test_what_was_held_before_is_not_what_waits_now() -> None:
    """Out of holding and out of the oil again: a gap is one of its wait, not of its hold, and no cabinet's."""
    k = Uneven()
    k.hold(1)
    k.say(m.COOK_MORE, batch=1)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(4 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.restart(MINUTE, True)
    assert k.open_of(alerts.POWER_AWAY) == []
    k.restart(MINUTE, False)
    (batch,) = k.state.world.batches
    assert [hold.time_proven for hold in batch.holds] == [True] and not batch.wait_known


def test_oil_that_is_still_outside_its_band_is_not_back_in_it() -> None:
    k = Uneven()
    k.begin(1, oil=362)
    k.read("vat1", 351)
    assert len(k.open_of(alerts.OIL_OUTSIDE_BAND)) == 1
    k.read("vat2", 340)
    assert len(k.open_of(alerts.OIL_OUTSIDE_BAND)) == 1, "another vat's oil"
    k.read("vat1", 350)
    assert k.open_of(alerts.OIL_OUTSIDE_BAND) == []


def test_what_happened_since_a_struck_command_happens_again_in_its_order() -> None:
    k = Uneven()
    k.say(m.OIL_LEVEL_OK, vat=1)
    k.read("vat1", 330)
    k.wait(1_000)
    k.read("vat1", 340)
    k.say(m.SCRATCH)
    assert k.say(m.OIL_FILTERED, vat=1) == "Oil filtered, vat 1, 340 degrees."


def test_a_shift_ends_with_all_that_is_open() -> None:
    k = Uneven()
    k.begin(1)
    k.begin(2)
    assert "Still open: batch 1 loading, batch 2 loading." in k.say(m.SHIFT_END)
    (row,) = k.rows("shifts")
    assert row["left_open"] == "batch 1 loading, batch 2 loading"


def test_the_newest_oil_record_of_each_vat_is_kept() -> None:
    k = Uneven()
    for vat, meaning in ((1, m.OIL_LEVEL_OK), (2, m.OIL_LEVEL_LOW), (1, m.OIL_TOPPED_UP)):
        k.say(meaning, vat=vat)
    assert {each.vat: each.what for each in k.state.world.oil} == {1: m.OIL_TOPPED_UP, 2: m.OIL_LEVEL_LOW}
    k.say(m.OIL_POLAR, vat=2, percent=100.0)
    assert {each.vat: each.what for each in k.state.world.oil} == {1: m.OIL_TOPPED_UP, 2: m.OIL_POLAR}
    assert "say the percentage" in k.say(m.OIL_POLAR, vat=2, percent=100.1)


def test_a_disputed_reading_says_nothing_of_the_batch() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.say(m.SCRATCH)
    k.say(m.HOLD_START, vat=1)
    k.say(m.CONFIRM)
    (row,) = k.rows("batches")
    assert row["stage"] == "holding" and "bound" not in row, "two pieces that count carry none"


def test_oil_recovers_only_while_its_own_vat_cooks() -> None:
    k = Uneven()
    k.begin(1, oil=340)
    k.begin(2, oil=340)
    for vat in (1, 2):
        k.say(m.LID_LOCKED, vat=vat)
        k.read(f"vat{vat}", 310)
    k.wait(MINUTE)
    k.say(m.LID_OPEN, vat=1)
    for vat in (1, 2):
        k.read(f"vat{vat}", 330)
    assert [row["vat"] for row in k.rows("recoveries")] == [2]


def test_slow_oil_is_told_though_another_alert_of_its_vat_is_open() -> None:
    k = Uneven()
    for number in range(9):
        k.begin(1, oil=340 if number < 8 else 362)
        k.say(m.LID_LOCKED, vat=1)
        k.read("vat1", 310)
        k.wait((150 + number % 3 * 4 if number < 8 else 400) * 1000)
        k.read("vat1", 326)
        k.say(m.LID_OPEN, vat=1)
        k.discard(k.number(1))
    assert len([each for each in k.raised() if each.kind == alerts.OIL_SLOW]) == 1
    assert [each.numbers[-1] for each in k.raised() if each.kind == alerts.OIL_OUTSIDE_BAND] == [("vat", 1)]


def test_oil_bears_the_batches_of_its_own_vat() -> None:
    k = Uneven()
    for vat in (1, 2):
        k.say(m.OIL_FILTERED, vat=vat)
    for vat in (1, 1, 2):
        k.begin(vat)
        k.discard(k.number(vat))
    k.wait(90 * MINUTE)
    for vat in (1, 2):
        k.say(m.OIL_FILTERED, vat=vat)
    rows = [row for row in k.rows("oil") if "batches_since" in row]
    assert [(row["vat"], row["batches_since"]) for row in rows] == [(1, 2), (2, 1)]
    assert all(float(str(row["hours_since"])) == pytest.approx(1.5, abs=0.02) for row in rows)


def fried_again(k: Uneven) -> None:
    k.say(m.COOK_MORE)
    k.say(m.LID_LOCKED)
    k.wait(4 * MINUTE)
    k.say(m.LID_OPEN)


def test_why_a_batch_goes_back() -> None:
    k = Uneven()
    k.hold(1)
    fried_again(k)
    fried_again(k)
    k.check("leg", 150)
    k.check("wing", 170)
    k.say(m.COOK_MORE)
    assert [row["why"] for row in k.rows("corrections")] == [
        "out of holding",
        "said by the cook",
        "leg below critical limit, wing below target",
    ]


@pytest.mark.parametrize(("late", "by", "missed"), [(False, None, None), (True, "still", 1)])
def test_food_that_was_cold_is_reheated_by_complete_checks_in_time(
    late: bool, by: str | None, missed: int | None
) -> None:
    k = Uneven()
    k.hold(1)
    k.check("leg", 120, batch=1)
    k.check("leg", 190, batch=1)
    k.check("wing", 190, batch=1)
    assert k.state.world.batches[0].reheat_by_ms is not None, "hot pieces in holding do not make the cold one hot"
    fried_again(k)
    if late:
        k.wait(2 * 60 * MINUTE)
    k.prove(1)
    (row,) = k.rows("batches")
    assert row["proven"] == 1
    assert (row.get("reheat_by_ms") and "still", row.get("reheat_missed")) == (by, missed)


def test_a_cabinet_that_was_cold_before_its_food_and_is_lost_now() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    for _ in range(4):
        k.read("cabinet", 120)
        k.wait(20_000)
    k.feed(ProbeLost(k.at_ms, "cabinet", "unplugged"))
    assert k.say(m.HOLD_START) == "Batch 1 holding."
    assert k.open_of(alerts.HOLD_COLD) == [], "nothing is known of now"


def test_a_loss_in_the_moment_that_the_last_one_is_over_is_a_new_one() -> None:
    k = Uneven()
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    k.feed(ProbeBack(k.at_ms, "vat1"))
    k.at_ms += 30_000
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    assert [each.began_ms for each in k.open_of(alerts.PROBE_LOST)] == [k.at_ms]


def test_a_vat_that_is_named_means_the_batch_that_is_in_it() -> None:
    k = Uneven()
    k.hold(1)
    k.begin(1)
    assert "batch 2" in k.say(m.DISCARD, vat=1)
    k.say(m.CONFIRM)
    assert [(batch.number, batch.stage.value) for batch in k.state.world.batches if batch.closed_ms is None] == [
        (1, "holding")
    ]


@pytest.mark.parametrize(("value_f", "verdict"), [(86.0, "failed"), (86.2, "open")])
def test_what_rests_farther_than_thirty_degrees_from_the_bath_is_not_in_it(value_f: float, verdict: str) -> None:
    k = Uneven()
    k.say(m.ICE_POINT)
    k.dip(value_f)
    assert [row["verdict"] for row in k.rows("probe_checks")] == [verdict]


@pytest.mark.parametrize(("late_ms", "was"), [(0, "passed"), (1, "overdue")])
def test_a_probe_is_overdue_after_its_time_and_not_at_it(late_ms: int, was: str) -> None:
    k = Uneven()
    k.say(m.ICE_POINT)
    k.dip(32)
    passed_ms = k.at_ms
    k.begin(1)
    k.fry(1)
    k.wait(passed_ms + DAY - 9_000 + late_ms - k.at_ms)
    k.check("leg", 190, vat=1)
    assert [row["probe_was"] for row in k.rows("checks")] == [was]


def test_a_cook_of_unknown_length_is_the_newest_one() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.say(m.COOK_MORE)
    k.say(m.LID_LOCKED)
    newest = k.state.world.batches[0].fryings[-1].id
    k.restart(MINUTE, False)
    assert [each.id for each in k.open_of(alerts.TIME_NOT_PROVEN)] == [f"{newest}-time-not-proven"]


def test_what_ended_in_the_moment_of_a_strike_keeps_why() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.wait(40 * MINUTE)  # a hold counts from the open lid
    k.say(m.HOLD_START, vat=1)
    k.wait(11 * MINUTE)
    (near,) = k.open_of(alerts.HOLD_NEAR_LIMIT)
    k.at_ms += 10 * MINUTE
    k.feed(Heard(k.at_ms, "scratch that", Intent(m.SCRATCH), "test", "open"))
    ended = {row["id"]: row["ended_by"] for row in k.rows("alerts")}
    assert ended[near.id] == "past its limit"
    assert k.open_of(alerts.HOLD_PAST_LIMIT) == [] and "command struck" in ended.values()


def test_raw_pieces_wait_from_the_first_load_though_it_was_struck_twice() -> None:
    k = Uneven()
    k.say(m.BATCH_START, vat=1)
    k.say(m.LOAD, part="leg", count=4, vat=1)
    first_ms = k.at_ms
    for _ in range(2):
        k.say(m.SCRATCH)
        k.wait(MINUTE)
        k.say(m.LOAD, part="leg", count=4, vat=1)
    k.wait(9 * MINUTE)
    assert [each.began_ms for each in k.open_of(alerts.PIECES_WAIT)] == [first_ms + 9 * MINUTE]


def test_a_closed_batch_waits_for_its_own_needle_alone() -> None:
    k = Uneven()
    k.begin(1)
    k.begin(2)
    k.fry(2)
    k.check("leg", 190, vat=2)
    k.discard(1)
    k.say(m.OIL_LEVEL_OK, vat=1)
    assert [batch.number for batch in k.state.world.batches] == [2]
    k.check("wing", 190, vat=2)
    k.discard(2)
    k.say(m.OIL_LEVEL_OK, vat=1)
    assert [batch.number for batch in k.state.world.batches] == [2], "a colder spot of that piece may be found"


def test_the_second_best_sentence_has_a_row_that_says_so() -> None:
    k = Uneven()
    assert k.hear(Intent(m.COOK_MORE, batch=9), Intent(m.OIL_LEVEL_OK, vat=1)) == "Oil level ok, vat 1."
    (row,) = [row for row in k.rows("commands") if row["meaning"] == m.OIL_LEVEL_OK]
    assert (row["first_text"], row["text"]) == (m.COOK_MORE, m.OIL_LEVEL_OK) and list(row)[-1] == "struck"


def test_the_oil_of_a_vat_that_cooks_is_not_cared_for() -> None:
    k = Uneven()
    k.begin(1)
    k.say(m.LID_LOCKED, vat=1)
    for meaning in (m.OIL_FILTERED, m.OIL_CHANGED):
        assert k.say(meaning, vat=1) == "Refused: batch 1 is still cooking in vat 1."
        assert "vat 2" in k.say(meaning, vat=2) and k.effects[-1].tone.value == "done"  # type: ignore[union-attr]
    assert k.say(m.OIL_LEVEL_LOW, vat=1).startswith("Oil level low, vat 1")
    k.say(m.SHIFT_END)
    k.say(m.CONFIRM)
    k.say(m.OIL_LEVEL_OK, vat=2)
    shifts = [row["shift"] for row in k.rows("oil")]
    assert shifts[-1] is None and set(shifts[:-1]) == {k.rows("shifts")[0]["id"]}


def test_the_first_checks_of_a_batch_are_remembered_once() -> None:
    k = Uneven()
    k.hold(1)
    k.say(m.COOK_MORE)
    assert len(k.state.world.checked) == 1


def test_a_hold_that_was_struck_is_as_unknown_as_the_wait_after_it() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.say(m.HOLD_START)
    k.say(m.SCRATCH)
    k.restart(5 * MINUTE, False)
    k.say(m.HOLD_START)
    assert [row["time_proven"] for row in k.rows("holds")] == [1, 0]


def test_of_two_holds_the_struck_one_goes_on() -> None:
    k = Uneven()
    k.hold(1)
    fried_again(k)
    k.prove(1)
    k.say(m.HOLD_START)
    second_ms = k.at_ms
    k.wait(MINUTE)
    k.say(m.SCRATCH)
    k.wait(MINUTE)
    k.say(m.HOLD_START)
    assert [row["started_ms"] for row in k.rows("holds")][-1] == second_ms


def test_tones_are_spelled_as_the_loudspeaker_knows_them() -> None:
    assert [tone.value for tone in Tone] == ["done", "refused", "asks", "alert", "answer"]


def test_a_probe_that_is_back_is_told_once() -> None:
    k = Uneven()
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    assert k.feed(ProbeBack(k.at_ms, "vat1"))
    assert k.feed(ProbeBack(k.at_ms, "vat1")) == ()
    k.read("vat1", 330)
    assert [name for name, _ in k.state.world.backs] == ["vat1"]


def test_a_needle_in_hot_oil_is_said_to_be_no_piece_only_where_one_is_waited_for() -> None:
    k = Uneven()
    before = len(k.effects)
    k.dip(340)
    assert k.effects[before:] == []
    k.begin(1)
    k.fry(1)
    k.say(m.PROBE, part="leg", vat=1)
    k.dip(341.2)
    assert [each.say for each in k.effects if isinstance(each, Cue)][-1] == (
        "The needle reads 341.2 degrees. That is no piece."
    )


@pytest.mark.parametrize(("late_ms", "was"), [(0, "spare passed"), (1, None)])
def test_a_spare_thermometer_stands_in_for_a_day_where_nothing_else_is_said(late_ms: int, was: str | None) -> None:
    k = Uneven()
    k.feed(ProcedureLoaded(k.at_ms, k.of[2]))
    k.say(m.SPARE_ICE, ice=0.5)
    passed_ms = k.at_ms
    k.begin(2)
    k.fry(2)
    k.feed(ProbeLost(k.at_ms, "needle", "open circuit"))
    k.wait(passed_ms + DAY - 1_000 + late_ms - k.at_ms)
    k.say(m.READING, number=90.0, vat=2)
    assert [row.get("probe_was") for row in k.rows("checks")] == [was]


def test_only_what_a_probe_read_since_it_last_passed_is_in_doubt() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 190, vat=1)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.check("wing", 190, vat=1)
    k.say(m.ICE_POINT)
    k.dip(40)
    assert [(row["part"], row["counts"], row.get("in_doubt")) for row in k.rows("checks")] == [
        ("leg", 1, None),
        ("wing", 0, 1),
    ]


def test_a_loss_leaves_what_other_probes_gave() -> None:
    k = Uneven()
    k.read("vat1", 330)
    k.read("vat2", 331)
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    assert set(k.state.world.latest) == {"vat2"}


def test_the_minimum_is_that_of_the_food_in_holding_and_not_of_the_newest_procedure() -> None:
    k = Uneven()
    k.hold(2)
    k.feed(ProcedureLoaded(k.at_ms, k.of[1]))
    for _ in range(4):
        k.read("cabinet", 139.5)
        k.wait(25_000)
    (cold,) = k.open_of(alerts.HOLD_COLD)
    assert dict(cold.numbers)["limit"] == 60.0, "139.5 °F is above the 138 °F of the other one"


def test_a_reading_that_is_disputed_where_enough_others_count_leaves_the_hold_as_it_is() -> None:
    k = Uneven()
    k.hold(1)
    k.check("leg", 191, batch=1)
    assert "stays on record as disputed" in k.say(m.SCRATCH)
    (batch,) = k.state.world.batches
    assert batch.proven and batch.hold and batch.hold.proven and k.open_of(alerts.HOLD_UNPROVEN) == []


def test_a_colder_spot_of_a_batch_that_is_gone_says_so() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 184, vat=1)
    k.discard(1)
    k.dip(150, colder=True)
    say = [each.say for each in k.effects if isinstance(each, Cue)][-1]
    assert "Batch 1 is discarded already" in say
