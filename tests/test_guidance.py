""" "what next" and "what can I say": at each moment of a day's order, and never a word that moves hands."""

import re

import pytest
from hypothesis import given

from recorder.config import load_phrases, load_procedure
from recorder.core import events as e
from recorder.core import meanings as m
from recorder.core.effects import Cue
from recorder.core.sayable import sayable
from recorder.core.station import State, step
from recorder.core.subjects.guidance import next_words
from recorder.voice.language.phrases import Phrases
from tests.strategies import stories

PHRASES, PROCEDURE = load_phrases(None), load_procedure(None)
MINUTE = 60_000

HANDS = re.compile(r"\b(open (it|the)|release|unlock|reach|take out|put in)\b")
"""No answer tells anybody to do these; "lid open" is a word to say, and names what was done."""


def _heard(text: str, at_ms: int, phrases: Phrases = PHRASES) -> e.Heard:
    intent = phrases.parse(text)
    assert intent, text
    return e.Heard(at_ms, text, intent, "test", "open")


def _day(*events: e.Event) -> State:
    state = State()
    start = e.Started(0, "boot", True, "0", "line-1", (1, 2), e.RULES)
    for event in (start, e.ProcedureLoaded(0, PROCEDURE), *events):
        state, _ = step(state, event)
    return state


def _said(state: State, text: str, at_ms: int) -> str:
    _, effects = step(state, _heard(text, at_ms))
    return " ".join(effect.say for effect in effects if isinstance(effect, Cue))


SHIFT = _heard("shift start cook three", 1_000)
START = _heard("batch start vat one", 2_000)
LOAD = _heard("load thighs four", 3_000)
LOCKED = _heard("lid locked", 4_000)
DONE_MS = 4_000 + PROCEDURE.planned_cook_ms
OPENED = _heard("lid open", DONE_MS)
UNTRIED = "The probe has not passed a check: ice point."
IDLE = "Nothing is cooking. Batch start, with its vat, comes next."
ORDER = [part.name for part in PROCEDURE.parts]
OTHERS = [name for name in ORDER if name != "thigh"]
COOKED = (SHIFT, START, LOAD, LOCKED, OPENED)


def _settled(at_ms: int, temp_c: float, spot: int) -> e.Reading:
    return e.Reading(at_ms, "needle", temp_c, True, spot, 0.3, 6_000)


def _check(at_ms: int, temp_c: float, spot: int) -> list[e.Event]:
    return [
        _heard("probe thigh", at_ms),
        e.Reading(at_ms + 1_000, "needle", 60.0),
        _settled(at_ms + 9_000, temp_c, spot),
    ]


PASSED = [event for each in range(4) for event in _check(DONE_MS + 20_000 * (each + 1), 85.0, each + 1)]
READY_MS = DONE_MS + 20_000 * 5
FAILED = _check(DONE_MS + 20_000, 60.0, 1)
HOLD = _heard("hold start", READY_MS)


@pytest.mark.parametrize(
    ("events", "at_ms", "wanted"),
    [
        ((), 500, "No shift is open. Shift start and the cook's number come first."),
        ((SHIFT,), 1_500, f"{UNTRIED} {IDLE}"),
        ((SHIFT, START), 2_500, f"Batch 1: {ORDER[0]} comes first in the load order. A vat is free for batch start."),
        ((SHIFT, START, LOAD), 3_500, f"Batch 1: {OTHERS[0]} is next in the load order, or lid locked."),
        ((SHIFT, START, LOAD, LOCKED), 64_000, "Batch 1: 11 min 00 s of its cook left."),
        ((SHIFT, START, LOAD, LOCKED), DONE_MS + 2 * MINUTE, "its cook is 2 min 00 s over."),
        (COOKED, DONE_MS + 1_000, "Batch 1: 0 of 4 checks. Probe comes next: thigh and 3 more not checked."),
        (COOKED, DONE_MS + 4 * MINUTE, "It has waited 4 min 00 s."),
        ((*COOKED, FAILED[0]), DONE_MS + 21_000, "Batch 1: a reading of the needle is waited for."),
        ((*COOKED, *FAILED), DONE_MS + MINUTE, "Batch 1: a piece is below its limit. Cook more, or discard batch."),
        ((*COOKED, *PASSED), READY_MS, "Batch 1: its checks are complete. Hold start comes next."),
        ((*COOKED, *PASSED, HOLD), READY_MS + 60_000, "of its hold left, 4 pieces left. Sold, or hold end."),
        ((*COOKED, *PASSED, HOLD), READY_MS + PROCEDURE.hold_limit_ms, "over its hold, 4 pieces left."),
    ],
)  # fmt: skip
def test_what_next_follows_the_procedure(events: tuple[e.Event, ...], at_ms: int, wanted: str) -> None:
    state = _day(*events)
    assert wanted in next_words(state.world, at_ms)
    assert wanted in _said(state, "what next", at_ms)


LONG_MS = DONE_MS + PROCEDURE.open_wait_ms // 5
"""From then on it is said how long a batch has waited."""

HELD = (*COOKED, *PASSED, HOLD)
HELD_UNTIL_MS = DONE_MS + PROCEDURE.hold_limit_ms
"""A hold counts from the open lid before it."""


@pytest.mark.parametrize(
    ("events", "at_ms", "wanted"),
    [
        ((SHIFT, START, LOAD, LOCKED), DONE_MS - 1, "Batch 1: 0 s of its cook left."),
        ((SHIFT, START, LOAD, LOCKED), DONE_MS, "Batch 1: its cook is 0 s over."),
        (COOKED, LONG_MS - 1, "thigh and 3 more not checked."),
        (COOKED, LONG_MS, "thigh and 3 more not checked. It has waited 3 min 00 s."),
        (HELD, HELD_UNTIL_MS - 1, "Batch 1: 0 s of its hold left, 4 pieces left. Sold, or hold end."),
        (HELD, HELD_UNTIL_MS, "Batch 1: 0 s over its hold, 4 pieces left. Sold asks first; discard batch."),
    ],
)  # fmt: skip
def test_what_next_says_each_time_to_the_millisecond(events: tuple[e.Event, ...], at_ms: int, wanted: str) -> None:
    assert next_words(_day(*events).world, at_ms).endswith(f"{wanted} A vat is free for batch start.")


ASKED = (SHIFT, START, LOAD, _heard("discard batch", 4_000))
FULL = [_heard(f"load {parts} four", 3_000) for parts in ("thighs", "breasts", "legs", "wings")]
AGAIN_MS = DONE_MS + 50_000
BACK = (*COOKED, *FAILED, _heard("cook more", AGAIN_MS - 1_000))
SECOND = (*BACK, _heard("lid locked", AGAIN_MS))


def _away(at_ms: int) -> e.Started:
    """A start after nobody knows how long."""
    return e.Started(at_ms, "boot-2", False, "0", "line-1", (1, 2), e.RULES)


@pytest.mark.parametrize(
    ("events", "at_ms", "said"),
    [
        (ASKED, 5_000, "Confirm is waited for."),
        ((*ASKED, _heard("confirm", 5_000)), 6_000, f"{UNTRIED} {IDLE}"),
        ((SHIFT, START, *FULL), 4_000, "Batch 1: lid locked."),
        (BACK, AGAIN_MS, "Batch 1: goes back into the oil. Lid locked comes next."),
        (SECOND, AGAIN_MS + PROCEDURE.more_cook_ms - MINUTE, "Batch 1: 1 min 00 s of its cook left."),
        ((SHIFT, START, LOAD, LOCKED, _away(DONE_MS - MINUTE)), DONE_MS, "Batch 1: its cook time is not known."),
        (
            (*HELD, _away(READY_MS + MINUTE)),
            READY_MS + MINUTE,
            "Batch 1: its hold time is not known, 4 pieces left. Sold, or discard batch.",
        ),
        (
            (SHIFT, START, _heard("load thighs", 3_000), LOCKED, OPENED, *PASSED, HOLD),
            READY_MS,
            "Batch 1: 28 min 20 s of its hold left, its pieces are not counted. Sold, or hold end.",
        ),
        (
            (*COOKED, *FAILED, _heard("scratch that", DONE_MS + 40_000)),
            DONE_MS + 41_000,
            "Batch 1: 0 of 4 checks. Probe comes next: 1 failed and thigh and 3 more not checked.",
        ),
    ],
)  # fmt: skip
def test_what_next_in_all_it_says(events: tuple[e.Event, ...], at_ms: int, said: str) -> None:
    spare = "" if said.startswith("Confirm") or IDLE in said else " A vat is free for batch start."
    assert next_words(_day(*events).world, at_ms) == said + spare


def test_what_is_loaded_comes_before_what_cooks_and_that_before_what_is_held() -> None:
    """And no vat is called free where none is."""
    words = ("batch start vat two", "load legs four vat two", "lid locked vat two", "batch start vat one")
    others = [_heard(text, READY_MS + 1_000 * at) for at, text in enumerate(words, 1)]
    said = next_words(_day(*HELD, *others).world, READY_MS + 5_000)
    assert said == (
        "Batch 3: thigh comes first in the load order. Batch 2: 11 min 58 s of its cook left."
        " Batch 1: 28 min 15 s of its hold left, 4 pieces left. Sold, or hold end."
    )


@pytest.mark.parametrize(
    ("events", "words"),
    [
        ((SHIFT,), "batch start"),
        ((SHIFT, START, LOAD, LOCKED), "batch start, lid open, once it is and discard batch"),
        (COOKED, "batch start, probe, cook more, hold start and discard batch"),
        (ASKED, "confirm"),
    ],
)
def test_words_that_fit_are_said_with_those_of_any_time(events: tuple[e.Event, ...], words: str) -> None:
    always = "At any time: status, time left, last reading and scratch that."
    assert _said(_day(*events), "what can i say", events[-1].at_ms + 500) == f"Words that fit now: {words}. {always}"


def test_food_that_is_held_with_its_checks_not_complete_is_not_said_to_be_for_sale() -> None:
    asked = (*COOKED, _heard("hold start", DONE_MS + 20_000), _heard("confirm", DONE_MS + 21_000))
    said = next_words(_day(*asked).world, DONE_MS + 30_000)
    assert said.startswith("Batch 1: is held, and its checks are not complete: thigh and 3 more not checked. Probe,")
    assert "Sold" not in said and "hold end" not in said


def test_a_check_of_the_probe_comes_first() -> None:
    state = _day(SHIFT, START, _heard("ice point", 3_000))
    assert next_words(state.world, 4_000) == "Ice point: a reading of the needle in its bath is waited for."


def test_one_free_vat_needs_no_name() -> None:
    state = State()
    start = e.Started(0, "boot", True, "0", "line-1", (1,), e.RULES)
    for event in (start, e.ProcedureLoaded(0, PROCEDURE), SHIFT):
        state, _ = step(state, event)
    assert next_words(state.world, 4_000).endswith("Nothing is cooking. Batch start comes next.")


def test_the_batch_that_waits_hardest_comes_first() -> None:
    second = (_heard("batch start vat two", DONE_MS + 1_000), _heard("load thighs four vat two", DONE_MS + 2_000))
    state = _day(*COOKED, *second)
    assert next_words(state.world, DONE_MS + 3_000).startswith("Batch 1: 0 of 4 checks.")
    assert " Batch 2: " in next_words(state.world, DONE_MS + 3_000)


@pytest.mark.parametrize(
    ("events", "wanted"),
    [
        ((), [m.SHIFT_START, m.ICE_POINT, m.BOILING_POINT]),
        ((SHIFT,), [m.BATCH_START]),
        ((SHIFT, START), [m.BATCH_START, m.LOAD, m.LID_LOCKED, m.DISCARD]),
        ((SHIFT, START, LOAD, LOCKED), [m.BATCH_START, m.LID_OPEN, m.DISCARD]),
        (COOKED, [m.BATCH_START, m.PROBE, m.COOK_MORE, m.HOLD_START, m.DISCARD]),
        ((*COOKED, *PASSED, HOLD), [m.BATCH_START, m.PROBE, m.COOK_MORE, m.SOLD, m.HOLD_END, m.DISCARD]),
        ((SHIFT, START, LOAD, _heard("discard batch", 4_000)), [m.CONFIRM]),
    ],
)  # fmt: skip
def test_what_can_be_said_now(events: tuple[e.Event, ...], wanted: list[str]) -> None:
    state = _day(*events)
    assert sayable(state.world) == wanted
    said = _said(state, "what can i say", 5_000_000)
    assert "Words that fit now: " in said and "At any time: status" in said


def test_what_is_offered_is_not_refused_for_its_stage() -> None:
    """Each command that is offered, said with all that it needs, is obeyed or asked about; and no other one is."""
    full = {
        m.LOAD: "load thighs four",
        m.PROBE: "probe thigh",
        m.SOLD: "sold one pieces",
        m.SHIFT_START: "shift start cook one",
    }
    for events in ((SHIFT,), (SHIFT, START), (SHIFT, START, LOAD), (SHIFT, START, LOAD, LOCKED),
                   COOKED, (*COOKED, *PASSED, HOLD)):  # fmt: skip
        state, at_ms = _day(*events), READY_MS + 90_000
        for meaning in sayable(state.world):
            text = "batch start vat two" if meaning == m.BATCH_START else full.get(meaning, meaning)
            assert "Refused" not in _said(state, text, at_ms), (events[-1], meaning)


def test_a_question_changes_nothing() -> None:
    state = _day(SHIFT, START)
    after, _ = step(state, _heard("what next", 3_000))
    assert after.world.batches == state.world.batches and after.world.question == state.world.question


@given(stories())
def test_it_has_an_answer_at_every_moment(story: list[e.Event]) -> None:
    """Whatever has happened: it never raises, and no answer moves hands."""
    state = State()
    for event in story:
        state, _ = step(state, event)
        said = next_words(state.world, state.at_ms)
        assert said and not HANDS.search(said), said
        assert sayable(state.world)
