"""The station: from what happened to what must be recorded, sent and said.

    step(state, event) -> (state, effects)     total and pure
    deadline(state) -> int | None              when a `Tick` is due

It knows no clock, file, device or network. A senseless event changes nothing and, if a person said it, is a recorded
refusal that names the reason. Replaying the same events gives the same states and effects. What an earlier version
wrote is judged as that version judged, until this version starts on it.
"""

from dataclasses import dataclass, field, replace

from recorder.core import alerts, commands, records, signing, striking, timers
from recorder.core import meanings as m
from recorder.core.batch import Batch, Stage
from recorder.core.carry_over import carried_over
from recorder.core.effects import Cue, Effect, Record, Tone
from recorder.core.events import (
    FIRST_RULES,
    Acknowledged,
    Event,
    Heard,
    Reading,
    Seen,
    Signed,
    Started,
    Unheard,
)
from recorder.core.limits import plausible
from recorder.core.meanings import Intent
from recorder.core.rules_1_to_4 import station as rules_1_to_4
from recorder.core.striking import Handled, Said, command_row
from recorder.core.subject import Change, Moment
from recorder.core.subjects import COMMANDS, SUBJECTS
from recorder.core.world import World

CLOSED_KEPT = 100
"""So many closed batches wait for the next check of their thermometer."""


@dataclass(frozen=True, slots=True)
class State:
    """All that the station knows. `State()` is a station that nothing has happened to."""

    seq: int = 0
    """How many events have been; the newest one's number in the journal."""
    at_ms: int = 0
    world: World = field(default_factory=World)
    said: tuple[Said, ...] = ()
    """The last commands that can be struck, oldest first. One that led to a settled reading is the first."""
    earlier: rules_1_to_4.State | None = None
    """How an earlier version sees all this, while `world` is empty; None once this version has started."""


def step(state: State, event: Event) -> tuple[State, tuple[Effect, ...]]:
    """The state after `event` and what it asks for: rows, then notices, then cues."""
    if isinstance(event, Started) and event.rules >= FIRST_RULES:
        state = current(state)
    elif state.earlier or (state.seq == 0 and isinstance(event, Started)):
        earlier, effects = rules_1_to_4.step(state.earlier or rules_1_to_4.State(), event)
        return State(earlier.seq, earlier.at_ms, earlier=earlier), effects
    return _step(state, event)


def current(state: State) -> State:
    """`state` as this version sees it, also where an earlier version's recorder left it."""
    earlier = state.earlier
    return State(earlier.seq, earlier.at_ms, carried_over(earlier.world)) if earlier else state


def deadline(state: State) -> int | None:
    """When to feed a `Tick` if nothing else happens; always later than the last event, or None.

    What was due before it, as of a batch that an earlier version left, is due at once.
    """
    if state.earlier:
        return rules_1_to_4.deadline(state.earlier)
    due_ms = timers.deadline(SUBJECTS, state.world)
    return None if due_ms is None else max(due_ms, state.at_ms + 1)


def _step(state: State, event: Event) -> tuple[State, tuple[Effect, ...]]:
    now = Moment(state.seq + 1, max(state.at_ms, event.at_ms), state.at_ms)
    before = without_finished(state.world, now.at_ms)
    world, cues = timers.advance(SUBJECTS, before, now.at_ms)
    said = state.said
    rows: tuple[Record, ...] = ()
    more: tuple[Cue, ...]
    match event:
        case Heard():
            said, world, more, rows = _heard(said, world, event, now)
        case Unheard():
            more = (Cue(Tone.REFUSED, "Say again."),)
            rows = (command_row(event, now, "not understood", more[0].say, cook=world.cook),)
        case Signed():
            more, rows = signing.signed(world, event, now)
        case _:
            said = striking.happened_since(said, now, event)
            world, more = _happened(world, event, now)
    world, last = _looked_after(before, world, now)
    said = striking.since_reading(said, before, world)
    struck = next((row.id for row in rows if ("struck", 1) in row.row), None)
    changed = records.changes(SUBJECTS, before, world, struck)
    noticed = alerts.notices(before, world)
    return State(now.seq, now.at_ms, world, said), (*changed, *rows, *noticed, *cues, *more, *last)


def _happened(world: World, event: Event, now: Moment) -> Change:
    """What an event other than words does to the world."""
    match event:
        case Acknowledged(alert=id, by=by):
            return alerts.settled_by_hand(alerts.acknowledged(world, id, by, now.at_ms), id, now.at_ms), ()
        case Seen(alert=id, by=by):
            return alerts.seen(world, id, by, now.at_ms), ()
        case Reading(temp_c=temp_c) if not plausible(temp_c):
            return world, ()
    cues: tuple[Cue, ...] = ()
    for subject in SUBJECTS:
        if handle := subject.events.get(type(event)):
            world, more = handle(world, event, now)
            cues += more
    return world, cues


def _looked_after(before: World, world: World, now: Moment) -> Change:
    """What subjects make of the way from one world to the next."""
    cues: tuple[Cue, ...] = ()
    for subject in SUBJECTS:
        if subject.after:
            world, more = subject.after(before, world, now)
            cues += more
    return world, cues


def _heard(said: tuple[Said, ...], world: World, event: Heard, now: Moment) -> Handled:
    """Do what was heard: the best sentence, or the next best where only that one makes sense now."""

    def sensible(intent: Intent, second: bool = False) -> bool:
        if intent.meaning == m.SCRATCH:
            return bool(said) and not second
        answer = commands.obey(COMMANDS, world, intent, now)
        final = second and world.rules >= 6 and intent.meaning in m.FINAL
        return answer.sensible and not (final and answer.outcome != "asked")

    other, first_text = event.other, None
    if other and other.meaning != m.CONFIRM and not sensible(event.intent) and sensible(other, second=True):
        event, first_text = replace(event, text=event.other_text, intent=other), event.text
    if event.intent.meaning == m.SCRATCH:
        return striking.scratched(said, world, event, now, _again)
    return _obey(said, world, event, now, first_text)


def _obey(said: tuple[Said, ...], world: World, event: Heard, now: Moment, first_text: str | None) -> Handled:
    answer = commands.obey(COMMANDS, world, event.intent, now)
    cues = (Cue(answer.tone, answer.say),)
    if event.intent.meaning in m.QUESTIONS:
        return said, answer.world, cues, ()
    row = command_row(event, now, answer.outcome, answer.say, first_text, cook=answer.world.cook or world.cook)
    if answer.outcome == "refused":
        return said, answer.world, cues, (row,)
    begins_shift = bool(answer.world.shift and answer.world.shift.id == now.seq)
    said = striking.remembered(said, Said(row, world, now.at_ms), begins_shift)
    return said, answer.world, cues, (row,)


def _again(struck: Said, at_ms: int) -> World:
    """The world from before `struck`, with all that happened since but words."""
    world, since_ms = struck.before, struck.at_ms
    for seq, then_ms, event in struck.later:
        now = Moment(seq, then_ms, since_ms)
        before, _ = timers.advance(SUBJECTS, without_finished(world, then_ms), then_ms)
        world, _ = _happened(before, event, now)
        world, _ = _looked_after(before, world, now)
        since_ms = then_ms
    world, _ = timers.advance(SUBJECTS, without_finished(world, at_ms), at_ms)
    return world


def without_finished(world: World, at_ms: int) -> World:
    """`world` without what was finished before; its last rows are written.

    A closed batch stays while the needle may still be in its newest piece.
    """

    def stays(batch: Batch) -> bool:
        owner = world.owner
        awaited = bool(owner and owner.batch == batch.id and at_ms <= max(owner.until_ms, owner.same_until_ms))
        return batch.stage is not Stage.CLOSED or awaited or batch.open_check is not None

    if any(each.ended_ms is not None for each in world.crew):
        world = replace(world, crew=tuple(each for each in world.crew if each.ended_ms is None))
    if all(alert.ended_ms is None for alert in world.alerts) and all(map(stays, world.batches)):
        return world
    given = frozenset(id for id, _, _ in (*world.unverified, *world.spare_unverified))
    gone = [batch for batch in world.batches if not stays(batch)]
    closed = [batch for batch in (*world.closed, *gone) if any(check.id in given for check in batch.checks)]
    return replace(
        world,
        alerts=tuple(alert for alert in world.alerts if alert.ended_ms is None),
        batches=tuple(filter(stays, world.batches)),
        closed=tuple(closed[-CLOSED_KEPT:]),
    )
