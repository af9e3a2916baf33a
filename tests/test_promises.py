"""The core's promises, over any history: total, pure, replayable, and never waiting for a moment that is past."""

import math
import time
from dataclasses import replace
from functools import reduce

from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Effect
from recorder.core.events import Event, Heard, Intent, Reading, Tick
from recorder.core.station import State, deadline, step
from tests.kitchen import MINUTE, Kitchen
from tests.strategies import ear_events, events, stories


def fold(history: list[Event]) -> tuple[State, list[Effect]]:
    state, effects = State(), []
    for event in history:
        state, more = step(state, event)
        effects += more
    return state, effects


@given(st.lists(events(), max_size=30))
def test_step_is_total(history: list[Event]) -> None:
    state, _ = fold(history)
    assert state.seq == len(history)


@settings(max_examples=300)
@given(stories())
def test_the_same_history_gives_the_same_state_and_effects(story: list[Event]) -> None:
    assert fold(story) == fold(story)


@settings(max_examples=300)
@given(stories())
def test_every_spoken_command_leaves_exactly_one_command_row(story: list[Event]) -> None:
    _, effects = fold(story)
    ids = {effect.id for effect in effects if getattr(effect, "table", None) == "commands"}
    said = [
        place
        for place, event in enumerate(story, 1)
        if type(event).__name__ == "Unheard" or (isinstance(event, Heard) and event.intent.meaning not in m.QUESTIONS)
    ]
    assert sorted(ids) == said


shift_words = st.sampled_from([m.SHIFT_START, m.SHIFT_END, m.SCRATCH]).map(
    lambda meaning: Heard(0, "words", Intent(meaning, cook=4), "test", "open")
)


@given(st.lists(ear_events() | shift_words, max_size=20))
def test_the_ear_has_one_alert_at_most_and_none_once_it_is_back(story: list[Event]) -> None:
    for length in range(len(story) + 1):
        state, _ = fold(story[:length])
        kinds = [alert.kind for alert in state.world.alerts if alert.ended_ms is None]
        assert sum(kind in (alerts.HEARS_BADLY, alerts.NOT_HEARING) for kind in kinds) <= 1
        if length and type(story[length - 1]).__name__ == "EarBack":
            assert kinds == []


@settings(max_examples=300)
@given(stories())
def test_a_tick_moves_the_deadline_on(story: list[Event]) -> None:
    state, _ = fold(story)
    for _ in range(5):
        due = deadline(state)
        if due is None:
            break
        assert due > state.at_ms
        state, _ = step(state, Tick(due))
        after = deadline(state)
        assert after is None or after > due


@settings(max_examples=200)
@given(stories(), st.integers(0, 1000))
def test_one_struck_command_leaves_the_world_as_if_unsaid(story: list[Event], gap_ms: int) -> None:
    """Against a plain fold of the history without the command and without the words after it."""
    state, _ = fold(story)
    if not state.said:
        return
    struck_id = state.said[-1].command.id
    at_ms = state.at_ms + gap_ms
    struck, _ = step(state, Heard(at_ms, "scratch that", Intent(m.SCRATCH), "test", "open"))
    world = state.said[-1].before
    plain = State(struck_id - 1, 0, world)
    for seq, then_ms, event in state.said[-1].later:
        plain, _ = step(replace(plain, seq=seq - 1), replace(event, at_ms=then_ms))
    plain, _ = step(plain, Tick(at_ms))
    for name in ("shift", "batches", "next_batch", "oil", "latest", "spot_used"):
        assert getattr(struck.world, name) == getattr(plain.world, name), name


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), min_size=1, max_size=4))
def test_a_reading_that_is_no_number_never_passes(values: list[float]) -> None:
    """Drivers keep such values out; if one came through it must not prove anything done."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=1)
    kitchen.cook()
    for value in values:
        kitchen.check("thigh", value)
    for row in kitchen.rows("checks"):
        assert row["verdict"] in ("open", "no reading") or math.isfinite(float(str(row["temperature"])))


def test_a_ten_hour_shift_of_four_channels_folds_in_under_two_seconds() -> None:
    kitchen = Kitchen(vats=(1, 2))
    kitchen.say(m.SHIFT_START, cook=4)
    for _ in range(22):
        for vat in (1, 2):
            kitchen.cook(vat=vat)
            kitchen.check_all(vat=vat)
            kitchen.say(m.HOLD_START, vat=vat)
        for _ in range(2):
            kitchen.say(m.HOLD_END, batch=kitchen.state.world.batches[0].number)
    history = list(kitchen.events)
    assert kitchen.at_ms > 9 * 60 * MINUTE
    slow = [
        Reading(at_ms, channel, temp_c)
        for at_ms in range(0, 10 * 60 * MINUTE, 10_000)
        for channel, temp_c in (("needle", 30.0), ("vat1", 168.0), ("vat2", 167.0), ("cabinet", 64.0))
    ]
    history = sorted(history + slow, key=lambda event: event.at_ms)
    start = time.perf_counter()
    state = reduce(lambda state, event: step(state, event)[0], history, State())
    took_s = time.perf_counter() - start
    assert state.seq == len(history) > 14_000
    print(f"{len(history)} events in {took_s:.2f} s")
    assert took_s < 2
