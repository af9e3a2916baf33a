"""The order of the subjects, where it shows: rows of a commit, what is due at once, what is said first."""

from dataclasses import replace
from itertools import groupby

from recorder.core import meanings as m
from recorder.core.effects import Cue, Effect
from recorder.core.events import ProbeLost, Tick
from recorder.core.records import changes
from recorder.core.subjects import SUBJECTS
from recorder.core.world import World
from tests.kitchen import MINUTE, PROCEDURE, Kitchen
from tests.own_words import own_kitchen

TABLES = [
    "shifts",
    "batches",
    "loads",
    "fryings",
    "checks",
    "corrections",
    "holds",
    "oil",
    "probe_checks",
    "recoveries",
    "alerts",
]


def said(effects: tuple[Effect, ...]) -> list[str]:
    return [each.say for each in effects if isinstance(each, Cue)]


def begun(k: Kitchen) -> None:
    """A batch of thighs, just out of the oil."""
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=12)
    k.say(m.LID_LOCKED)
    k.wait(13 * MINUTE)
    k.say(m.LID_OPEN)


def test_the_rows_of_a_commit_stand_in_the_order_of_their_tables() -> None:
    k = Kitchen()
    k.say(m.SHIFT_START, cook=4)
    k.say(m.OIL_LEVEL_OK)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.say(m.BATCH_START)
    k.read("vat1", 340)
    k.say(m.LOAD, part="thigh", count=12)
    for value in (310, 318, 327, 340):
        k.wait(20_000)
        k.read("vat1", value)
    k.say(m.LID_LOCKED)
    k.wait(13 * MINUTE)
    k.say(m.LID_OPEN)
    k.check("thigh", 150)
    k.say(m.COOK_MORE)
    k.say(m.LID_LOCKED)
    k.wait(3 * MINUTE)
    k.say(m.LID_OPEN)
    k.say(m.HOLD_START)
    k.say(m.CONFIRM)
    tables = [row.table for row in changes(SUBJECTS, World(), k.state.world)]
    assert [table for table, _ in groupby(tables)] == TABLES


def test_the_kitchen_s_own_words_stand_behind_what_they_are_about() -> None:
    k = own_kitchen()
    k.say(m.SHIFT_START, cook=4)
    begun(k)
    k.check("thigh", 150)
    k.say(m.ACTION, action="cooked longer")
    tables = [row.table for row in changes(SUBJECTS, World(), k.state.world)]
    of_batch = ["batches", "loads", "fryings", "checks", "prompts"]
    assert [table for table, _ in groupby(tables)] == ["shifts", *of_batch, "tasks", "corrective_actions", "alerts"]


def test_a_window_closes_before_a_cook_time_that_is_reached_in_the_same_moment() -> None:
    k = Kitchen(procedure=replace(PROCEDURE, more_cook_ms=10_000))
    k.say(m.SHIFT_START, cook=4)
    begun(k)
    k.say(m.PROBE, part="thigh")
    due_ms = k.at_ms + PROCEDURE.settle_window_ms
    k.say(m.COOK_MORE)
    k.wait(due_ms - 11_000 - k.at_ms)
    k.say(m.LID_LOCKED)
    assert said(k.feed(Tick(due_ms))) == [
        "No settled reading for the thigh. Probe it again.",
        "Vat 1, batch 1: cook time reached.",
    ]


def test_a_hold_is_said_to_be_past_its_limit_before_food_that_was_not_reheated_in_the_same_moment() -> None:
    k = Kitchen()
    k.say(m.SHIFT_START, cook=4)
    begun(k)
    opened_ms = k.at_ms
    for _ in range(4):
        k.check("thigh", 190)
    k.say(m.HOLD_START)
    k.wait(opened_ms + 10 * MINUTE - 2_000 - k.at_ms)
    k.say(m.PROBE, part="thigh")
    k.wait(1_000)
    k.read("needle", 120, settled=True, spot=k.spot + 1)
    due_ms = k.at_ms + 120 * MINUTE  # reheated within two hours: FDA Food Code 2022, 3-403.11(D)
    k.wait(due_ms - 1 - k.at_ms)
    assert said(k.feed(Tick(due_ms))) == [
        "Batch 1: still past its hold limit.",
        "Batch 1 was not hot again within 2 hours. Discard it.",
    ]


def test_a_probe_is_back_before_its_reading_is_judged() -> None:
    k = Kitchen()
    k.say(m.SHIFT_START, cook=4)
    begun(k)
    k.say(m.PROBE, part="thigh")
    k.feed(ProbeLost(k.at_ms, "needle", "unplugged"))
    before = len(k.effects)
    k.dip(190)
    back, judged = said(tuple(k.effects[before:]))
    assert back == "Probe needle is back." and judged.startswith("Thigh 190.0 degrees, passed.")
