"""The core's promises, over any history: total, pure, replayable, and never waiting for a moment that is past."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import reduce
from typing import TypeGuard

import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Batch
from recorder.core.effects import Cue, Effect, Record, Tone
from recorder.core.events import RULES, Event, Heard, Intent, Reading, Tick, Unheard
from recorder.core.station import State, deadline, step
from recorder.core.world import World
from tests.kitchen import MINUTE, PROCEDURE, Kitchen
from tests.strategies import ear_events, events, intents, stories


def fold(history: list[Event]) -> tuple[State, list[Effect]]:
    effects: list[Effect] = []
    state = State()
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
    ids = {effect.id for effect in effects if isinstance(effect, Record) and effect.table == "commands"}
    for place, event in enumerate(story, 1):
        if isinstance(event, Heard):
            questions = [intent.meaning in m.QUESTIONS for intent in (event.intent, event.other) if intent]
            assert (place in ids) in {not question for question in questions}, event
        else:
            assert (place in ids) == isinstance(event, Unheard)


@settings(max_examples=300)
@given(stories(), intents, intents)
def test_two_sentences_do_what_one_of_them_would_do_alone(story: list[Event], best: Intent, other: Intent) -> None:
    """Nothing of the one that was dropped is left, and neither of them is lost while the best one makes sense."""
    state, _ = fold(story)
    at_ms = state.at_ms + 1000

    def alone(text: str, intent: Intent) -> tuple[State, list[Effect]]:
        after, effects = step(state, Heard(at_ms, text, intent, "test", "name", -1.0))
        return after, without_first_text(effects)

    after, effects = step(state, Heard(at_ms, "best", best, "test", "name", -1.0, other, "second"))
    one, two = alone("best", best), alone("second", other)
    nothing = ("Nothing is cooking or holding", "Nothing is cooking in vat", "The needle has given no reading")
    strained = "no locked lid was said"
    cues = [[each for each in found if isinstance(each, Cue)] for _, found in (one, two)]
    refused = [
        any(each.tone is Tone.REFUSED or each.say.startswith(nothing) or strained in each.say for each in said)
        for said in cues
    ]
    unasked = (
        after.world.rules >= 6 and other.meaning in m.FINAL and all(each.tone is not Tone.ASKS for each in cues[1])
    )
    second = refused == [True, False] and other.meaning not in (m.SCRATCH, m.CONFIRM) and not unasked
    expected = two if second else one
    assert (after.world, without_first_text(effects)) == (expected[0].world, expected[1])
    first_texts = [dict(each.row).get("first_text") for each in effects if is_command(each, after.seq)]
    assert first_texts == ["best" if second else None] * (event_meaning(best, other, second) not in m.QUESTIONS)


def is_command(effect: Effect, seq: int) -> TypeGuard[Record]:
    return isinstance(effect, Record) and effect.table == "commands" and effect.id == seq


def event_meaning(best: Intent, other: Intent, second: bool) -> str:
    return (other if second else best).meaning


def without_first_text(effects: Sequence[Effect]) -> list[Effect]:
    return [
        replace(each, row=tuple(cell for cell in each.row if cell[0] != "first_text"))
        if isinstance(each, Record) and each.table == "commands"
        else each
        for each in effects
    ]


@pytest.mark.slow
@settings(max_examples=200, suppress_health_check=[HealthCheck.filter_too_much])
@given(stories(st.just(RULES)), st.sampled_from(m.COMMANDS))
def test_what_asks_first_does_on_confirm_what_it_would_have_done_unasked(story: list[Event], meaning: str) -> None:
    """Against the same words at the moment of the confirm, under a procedure that asks for nothing."""
    at_ms = max((event.at_ms for event in story), default=0)
    state, _ = fold([*story, Tick(at_ms), Tick(at_ms)])  # nothing is left that just ended
    world = replace(state.world, question=None, procedure=replace(PROCEDURE, ask_first=(meaning,)))
    intent = Intent(meaning, part="thigh", cook=4, count=12, number=150.0)
    asked, _ = step(replace(state, world=world), Heard(state.at_ms, "words", intent, "test", "open"))
    question = asked.world.question
    assume(question is not None and not question.because)
    assert question
    assert asked.world == replace(world, question=question), "nothing is done yet"
    confirm = Heard(state.at_ms, "confirm", Intent(m.CONFIRM), "test", "open")
    done, _ = step(asked, confirm)
    free = replace(world, procedure=replace(PROCEDURE, ask_first=()))
    at_once, _ = step(replace(state, world=free, seq=asked.seq), replace(confirm, intent=intent))
    assert under_one_procedure(done.world) == under_one_procedure(at_once.world)


def under_one_procedure(world: World) -> World:
    batches = tuple(replace(batch, procedure=PROCEDURE) for batch in world.batches)
    return replace(world, procedure=PROCEDURE, batches=batches)


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
    state = State()
    for event in story:
        state, _ = step(state, event)
        due = deadline(state)
        assert due is None or due > state.at_ms, event
    for _ in range(5):
        due = deadline(state)
        if due is None:
            break
        state, _ = step(state, Tick(due))
        after = deadline(state)
        assert after is None or after > due


@settings(max_examples=200)
@given(stories(st.just(RULES)), st.integers(0, 1000))
def test_one_struck_command_leaves_the_world_as_if_unsaid(story: list[Event], gap_ms: int) -> None:
    """Against a plain fold of the history without the command and without the words after it."""
    state, _ = fold(story)
    assume(state.said)
    struck_id = state.said[-1].command.id
    assert isinstance(struck_id, int)
    at_ms = state.at_ms + gap_ms
    struck, effects = step(state, Heard(at_ms, "scratch that", Intent(m.SCRATCH), "test", "open"))
    assume(any(isinstance(each, Cue) and each.say.startswith("Struck") for each in effects))  # else it is a reading
    world = state.said[-1].before
    plain = State(struck_id - 1, 0, world)
    for seq, then_ms, event in state.said[-1].later:
        plain, _ = step(replace(plain, seq=seq - 1), replace(event, at_ms=then_ms))
    plain, _ = step(plain, Tick(at_ms))
    for name in ("shift", "next_batch", "oil", "latest", "owner", "probe_read", "spare"):
        assert getattr(struck.world, name) == getattr(plain.world, name), name
    assert without_first_holds(struck.world) == without_first_holds(plain.world)


def without_first_holds(world: World) -> tuple[Batch, ...]:
    """A hold that was struck leaves its beginning to the next one."""
    return tuple(replace(batch, struck_hold=None, first_load_ms=None) for batch in world.batches)


def test_the_stories_are_of_a_kitchen_that_works() -> None:
    """Properties over them would say nothing of food otherwise."""
    reached: Counter[str] = Counter()

    @settings(max_examples=300, database=None, phases=[Phase.generate])
    @given(stories(st.just(RULES)))
    def count(story: list[Event]) -> None:
        _, effects = fold(story)
        reached["stories"] += 1
        rows = {(each.table, each.id): dict(each.row) for each in effects if isinstance(each, Record)}
        for (table, _), row in rows.items():
            reached[table] += 1
            reached[f"{table} {row.get('verdict') or row.get('outcome')}"] += 1
        reached["struck"] += any(row.get("struck") for row in rows.values())

    count()
    print(dict(reached))
    assert reached["checks passed"] > 300 and reached["holds"] > 60 and reached["holds sold"] > 20, reached
    assert reached["fryings"] > 100 and reached["probe_checks passed"] > 100 and reached["struck"] > 5, reached


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


@pytest.mark.slow
def test_a_ten_hour_shift_of_four_channels_folds() -> None:
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
    slow: list[Event] = [
        Reading(at_ms, channel, temp_c)
        for at_ms in range(0, 10 * 60 * MINUTE, 10_000)
        for channel, temp_c in (("needle", 30.0), ("vat1", 168.0), ("vat2", 167.0), ("cabinet", 64.0))
    ]
    history = sorted(history + slow, key=lambda event: event.at_ms)
    state = reduce(lambda state, event: step(state, event)[0], history, State())
    assert state.seq == len(history) > 14_000
