"""The core before there is a shift, and after a batch is gone: what is said, told and kept then."""

from dataclasses import replace

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Alert, Cue, Level, Record
from recorder.core.events import RULES, Acknowledged, Heard, Intent, Started
from recorder.core.station import State, current, step
from recorder.core.world import World
from tests.kitchen import MINUTE, Kitchen
from tests.uneven import FAHRENHEIT, Uneven

HINT = " Words that fit now: shift start, ice point and boiling point."

BARE = {
    m.THIS_IS_COOK: "Refused: cook 4 is not signed on; say shift start first.",
    m.OIL_READY: "Oil ready, vat 1, no temperature on record.",
    m.RAW_OUT: "Refused: no procedure is loaded." + HINT,
    m.RAW_BACK: "Refused: no raw leg is out." + HINT,
    m.PROBE_RAW: "Refused: no procedure is loaded." + HINT,
    m.LOT: "Refused: say the digits of the lot.",
    m.LOT_MORE: "Refused: say the digits of the lot.",
    m.BREADING_SIFTED: "Breading sifted.",
    m.BREADING_CHANGED: "Breading changed.",
    m.MOVED: "Refused: no batch is in holding." + HINT,
    m.PROMPT_DONE: "Refused: no prompt waits." + HINT,
    m.TASK_DONE: "Refused: say which task.",
    m.CAUSE: "Refused: say which cause.",
    m.ACTION: "Refused: say which action.",
    m.SHIFT_END: "Refused: no shift is open." + HINT,
    m.BATCH_START: "Refused: no procedure is loaded." + HINT,
    m.STATUS: "No shift is open. No batch is open. Alerts open: 0.",
    m.TIME_LEFT: "Nothing is cooking or holding.",
    m.LAST_READING: "The needle has given no reading since it was lost or the recorder started.",
    m.WHAT_NEXT: "No shift is open. Shift start and the cook's number come first.",
    m.CAN_SAY: "Words that fit now: shift start, ice point and boiling point. At any time: status, time left, last"
    " reading and scratch that.",
    m.CONFIRM: "Refused: nothing waits for confirm.",
    m.SCRATCH: "Refused: there is no command to strike.",
    m.LOAD: "Refused: no batch is loading; say batch start first.",
    m.LID_LOCKED: "Refused: no batch is loading or going back into the oil; say batch start first, or cook more.",
    m.LID_OPEN: "Refused: no batch is still cooking; no lid is locked." + HINT,
    m.PROBE: "Refused: no batch is being checked." + HINT,
    m.READING: "Refused: no batch is being checked." + HINT,
    m.COOK_MORE: "Refused: no batch is being checked." + HINT,
    m.HOLD_START: "Refused: no batch is being checked." + HINT,
    m.HOLD_END: "Refused: no batch is in holding." + HINT,
    m.SOLD: "Refused: no batch is in holding." + HINT,
    m.DROPPED: "Refused: no batch is open." + HINT,
    m.DISCARD: "Refused: no batch is open." + HINT,
    m.BOILING_POINT: "Refused: the procedure says no altitude_m under [probe_check]; use ice, or say how high the"
    " kitchen is.",
    m.ICE_POINT: "Checking the probe: ice point. Stir, and keep the needle in the middle.",
    m.SPARE_ICE: "Spare ice point 0.5 degrees, off by +0.5. The spare thermometer passed.",
    m.OIL_POLAR: "Oil polar compounds 12.5 percent, vat 1.",
    m.OIL_LEVEL_OK: "Oil level ok, vat 1.",
    m.OIL_LEVEL_LOW: "Oil level low, vat 1.",
    m.OIL_TOPPED_UP: "Oil topped up, vat 1.",
    m.OIL_FILTERED: "Oil filtered, vat 1.",
    m.OIL_CHANGED: "Oil changed, vat 1.",
    m.SHIFT_START: "Shift started, cook 4.",
}
"""What a station without procedure, shift and batch answers."""


def answer(state: State, intent: Intent) -> tuple[State, str]:
    state, effects = step(state, Heard(state.at_ms + 1_000, intent.meaning, intent, "test", "open"))
    say = next(each.say for each in effects if isinstance(each, Cue))
    rows = [dict(each.row) for each in effects if isinstance(each, Record) and each.table == "commands"]
    outcome = "refused" if say.startswith("Refused: ") else "done"
    assert [(row["outcome"], row["reply"]) for row in rows] == [(outcome, say)] * (intent.meaning not in m.QUESTIONS)
    return state, say


def test_each_meaning_has_its_answer_at_a_bare_station() -> None:
    bare, _ = step(State(), Started(0, "boot-1", True, "1", "line-1", (1,), RULES))
    said = {
        meaning: answer(bare, Intent(meaning, part="leg", number=80.0, count=1, cook=4, ice=0.5, percent=12.5))[1]
        for meaning in m.ALL
    }
    assert said == BARE


def test_what_can_not_be_asked_about_first_is_named() -> None:
    (problem,) = replace(FAHRENHEIT, ask_first=("dance",)).problems()
    assert problem == "ask_first can't name 'dance'; write commands, such as discard batch or hold end"


@pytest.mark.parametrize("meaning", m.ALL)
def test_a_station_that_nothing_has_happened_to_answers_too(meaning: str) -> None:
    bare, _ = step(State(), Started(0, "boot-1", True, "1", "line-1", (), RULES))
    assert answer(bare, Intent(meaning))[1]


def read_after_the_sale(k: Uneven) -> str:
    """A colder spot of a piece whose batch is discarded meanwhile; the alert's id."""
    k.begin(1)
    k.fry(1)
    k.check("leg", 184, vat=1)
    k.discard(1)
    k.dip(150, colder=True)
    (alert,) = k.open_of(alerts.CHECK_BELOW_CRITICAL)
    return alert.id


def test_an_alert_about_a_batch_that_is_gone_ends_when_somebody_has_it_in_hand() -> None:
    k = Uneven()
    id = read_after_the_sale(k)
    k.wait(MINUTE)
    k.feed(Acknowledged(k.at_ms, id, "MK"))
    (row,) = [row for row in k.rows("alerts") if row["id"] == id]
    assert (row["ended_by"], row["ended_ms"], row["acknowledged_by"]) == ("acknowledged", k.at_ms, "MK")


def test_an_alert_about_an_open_batch_does_not_end_so() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 150, vat=1)
    (alert,) = k.open_of(alerts.CHECK_BELOW_CRITICAL)
    k.feed(Acknowledged(k.at_ms, alert.id, "MK"))
    assert [each.acknowledged_by for each in k.open_of(alerts.CHECK_BELOW_CRITICAL)] == ["MK"]


def test_a_sale_that_becomes_one_of_safety_is_critical_from_then_on() -> None:
    k = Uneven()
    k.hold(1)
    k.read("cabinet", 150)
    k.wait(70 * MINUTE)
    k.sell(1, 2)
    assert [each.level for each in k.open_of(alerts.SOLD_DESPITE)] == [Level.WARNING]
    k.check("leg", 120, batch=1)
    k.sell(1, 2)
    (sold,) = k.open_of(alerts.SOLD_DESPITE)
    assert (sold.level, dict(sold.numbers)["safety"], dict(sold.numbers)["pieces"]) == (Level.CRITICAL, 1, 4)
    assert "read at 120.0 °F" in sold.text


def test_a_sale_of_safety_stays_critical_when_a_lesser_one_follows() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.say(m.HOLD_START, vat=1)
    k.say(m.CONFIRM)
    k.sell(1, 2)
    assert [each.level for each in k.open_of(alerts.SOLD_DESPITE)] == [Level.CRITICAL]
    k.say(m.COOK_MORE, batch=1)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(4 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.prove(1)
    k.say(m.HOLD_START, vat=1)
    k.read("cabinet", 150)
    k.wait(70 * MINUTE)
    k.sell(1, 2)
    (sold,) = k.open_of(alerts.SOLD_DESPITE)
    assert (sold.level, dict(sold.numbers)["safety"], dict(sold.numbers)["pieces"]) == (Level.CRITICAL, 1, 4)
    assert "its checks are not complete" in sold.text and "its quality limit is 60 min" in sold.text


def test_a_sale_of_pieces_that_nobody_counted_has_no_number_of_them() -> None:
    k = Uneven()
    k.begin(1, parts=())
    k.say(m.LOAD, part="leg", vat=1)
    k.fry(1)
    k.say(m.HOLD_START, vat=1)
    k.say(m.CONFIRM)
    k.sell(1)
    (sold,) = k.open_of(alerts.SOLD_DESPITE)
    assert dict(sold.numbers)["pieces"] is None and sold.level is Level.CRITICAL


def test_a_check_of_a_part_that_was_not_loaded_does_not_count_until_its_load_is_said() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("breast", 190, vat=1)
    said = [effect.say for effect in k.effects if isinstance(effect, Cue)]
    assert "No breast was loaded; it does not count." in said[-2], "and then that the probe's own check is due"
    (row,) = k.rows("checks")
    assert (row["verdict"], row["counts"]) == ("passed", 0)
    assert k.rows("batches")[0]["checks_passed"] == 0
    k.say(m.LOAD, part="breast", count=3, vat=1)
    (row,) = k.rows("checks")
    assert row["counts"] == 1 and k.rows("batches")[0]["checks_passed"] == 1


def test_a_spoken_temperature_of_no_named_part_counts_where_the_procedure_lets_it() -> None:
    k = Uneven()
    k.begin(2)
    k.fry(2)
    k.say(m.READING, number=90.0, vat=2)
    (row,) = k.rows("checks")
    assert (row["part"], row["counts"]) == (None, 1)


def test_an_alert_that_has_ended_keeps_its_words() -> None:
    ended = Alert("9-cook-short", alerts.COOK_SHORT, Level.WARNING, "short", 1, (), 100, ended_ms=300, ended_by="sold")
    world = World(alerts=(ended,))
    newer = replace(ended, ended_ms=None, ended_by=None, text="shorter", level=Level.CRITICAL)
    assert alerts.amended(world, newer) is world


def test_what_an_earlier_version_counted_as_discarded_stays_so() -> None:
    k = Kitchen(rules=4)
    k.say(m.SHIFT_START, cook=4)
    k.cook()
    k.say(m.DISCARD, count=5)
    k.say(m.CONFIRM)
    assert [each.discarded_pieces for each in current(k.state).world.batches] == [5]
