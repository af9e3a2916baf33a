""" "scratch that": the world goes on as if the words had not been said, and nothing is erased."""

from dataclasses import replace
from typing import Any

import pytest

from recorder.core import alerts, station, striking
from recorder.core import meanings as m
from recorder.core.events import Heard, Intent, Tick
from recorder.core.world import World
from tests.kitchen import MINUTE, Kitchen


@pytest.fixture
def kitchen() -> Kitchen:
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    return kitchen


def as_said(kitchen: Kitchen) -> World:
    """The world without what a struck command may leave: alerts that ended with it, and when a hold first began."""
    batches = tuple(replace(batch, struck_hold=None, first_load_ms=None) for batch in kitchen.state.world.batches)
    return replace(kitchen.state.world, alerts=(), latest={}, batches=batches)


def test_each_command_is_taken_back_as_if_it_had_not_been_said(kitchen: Kitchen) -> None:
    steps: list[tuple[str, dict[str, Any]]] = [
        (m.BATCH_START, {}),
        (m.LOAD, {"part": "thigh", "count": 12}),
        (m.LID_LOCKED, {}),
        (m.LID_OPEN, {}),
        (m.PROBE, {"part": "thigh"}),
        (m.COOK_MORE, {}),
        (m.LID_LOCKED, {}),
        (m.LID_OPEN, {}),
        (m.HOLD_START, {}),
        (m.CONFIRM, {}),
        (m.HOLD_END, {}),
        (m.OIL_FILTERED, {}),
        (m.SHIFT_END, {}),
    ]
    for meaning, slots in steps:
        before = replace(as_said(kitchen), question=None)
        kitchen.say(meaning, **slots)
        assert kitchen.say(m.SCRATCH) == f"Struck: {meaning}."
        assert replace(as_said(kitchen), question=None) == station.without_finished(before, kitchen.at_ms), meaning
        assert kitchen.rows("commands")[-2]["struck"] == 1
        if meaning == m.CONFIRM:
            kitchen.say(m.HOLD_START)
        kitchen.say(meaning, **slots)
    assert [row["struck"] for row in kitchen.rows("batches")] == [1, 0], "the struck batch stays on record"
    assert [row["struck"] for row in kitchen.rows("oil")] == [1, 0]


def test_readings_and_time_go_on_under_a_struck_command(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    kitchen.wait(5 * MINUTE)
    kitchen.read("vat1", 330)
    assert kitchen.notices(alerts.COOK_OVERDUE) == []
    kitchen.say(m.SCRATCH)
    assert kitchen.notices(alerts.COOK_OVERDUE) == [(alerts.COOK_OVERDUE, "raised")], "it has been overdue all along"
    assert kitchen.state.world.latest["vat1"].temp_c == pytest.approx(165.56, abs=0.01)
    assert "lid open after 18 min" in kitchen.say(m.LID_OPEN)


def test_an_alert_of_a_struck_command_ends_as_struck(kitchen: Kitchen) -> None:
    kitchen.cook(minutes=2)
    kitchen.say(m.SCRATCH)
    (alert,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.COOK_SHORT]
    assert alert["ended_by"] == "command struck"
    assert kitchen.rows("fryings")[0]["lid_open_ms"] is None


def test_an_alert_that_a_struck_command_had_ended_is_open_again(kitchen: Kitchen) -> None:
    kitchen.cook(minutes=16)
    kitchen.say(m.SCRATCH)
    assert [change for _, change in kitchen.notices(alerts.COOK_OVERDUE)] == ["raised", "ended", "raised"]


def test_strikes_go_back_one_by_one_and_not_past_the_shift(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh")
    said = [kitchen.say(m.SCRATCH) for _ in range(4)]
    assert said == [
        "Struck: load.",
        "Struck: batch start.",
        "Struck: shift start.",
        "Refused: there is no command to strike.",
    ]
    assert kitchen.rows("shifts")[0]["struck"] == 1


def test_a_refused_command_and_a_question_are_not_struck(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START)
    kitchen.say(m.HOLD_END)
    kitchen.say(m.STATUS)
    assert kitchen.say(m.SCRATCH) == "Struck: batch start."


def test_a_command_that_was_refused_stays_refused(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START)
    assert "loading" in kitchen.say(m.BATCH_START)
    kitchen.say(m.SCRATCH)
    assert kitchen.state.world.batches == ()


def test_a_new_shift_cannot_strike_the_last_ones_words(kitchen: Kitchen) -> None:
    kitchen.say(m.OIL_CHANGED)
    kitchen.say(m.SHIFT_END)
    kitchen.say(m.SHIFT_START, cook=5)
    assert kitchen.say(m.SCRATCH) == "Struck: shift start."
    assert "no command" in kitchen.say(m.SCRATCH)


def test_the_memory_for_strikes_is_bounded(kitchen: Kitchen) -> None:
    for _ in range(20):
        kitchen.say(m.OIL_LEVEL_OK)
    assert len(kitchen.state.said) == striking.COMMANDS_KEPT
    for _ in range(striking.EVENTS_KEPT + 1):
        kitchen.feed(Tick(kitchen.at_ms))
    assert "no command" in kitchen.say(m.SCRATCH)


def test_scratch_in_an_empty_station() -> None:
    state, effects = station.step(station.State(), Heard(0, "scratch that", Intent(m.SCRATCH), "test", "open"))
    assert state.world == World() and len(effects) == 2
