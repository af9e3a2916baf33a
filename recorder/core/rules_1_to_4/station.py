"""The station: from what happened to what must be recorded, told and said.

    step(state, event) -> (state, effects)     total and pure
    deadline(state) -> int | None              when a `Tick` is due

It knows no clock, file, device or network. A senseless event changes nothing and, if a person said it, is a recorded
refusal that names the reason. Replaying the same events gives the same states and effects.
"""

from dataclasses import dataclass, field, replace

from recorder.core import meanings as m
from recorder.core.effects import Cue, Effect, Level, Record, Tone, Value
from recorder.core.events import (
    CABINET,
    NEEDLE,
    Acknowledged,
    ClockStepped,
    EarBack,
    EarClear,
    EarLost,
    EarTrouble,
    Event,
    Heard,
    Intent,
    ProbeBack,
    ProbeCharge,
    ProbeLost,
    ProcedureLoaded,
    Reading,
    RecordsSetAside,
    Seen,
    Signed,
    SpaceBack,
    SpaceLow,
    Started,
    Unheard,
    vat_channel,
)
from recorder.core.limits import plausible
from recorder.core.rules_1_to_4 import (
    alerts,
    batch_causes,
    batch_commands,
    checks,
    commands,
    disk,
    hearing,
    lost,
    outcome,
    passing,
    station_causes,
    trends,
)
from recorder.core.rules_1_to_4.batch import Stage
from recorder.core.rules_1_to_4.records import changes
from recorder.core.rules_1_to_4.world import Latest, World

COMMANDS_KEPT = 8
"""How many of the last commands can be struck, one after another."""

EVENTS_KEPT = 10_000
"""A command with more than this many events after it can no longer be struck."""

Change = tuple[World, tuple[Cue, ...]]


@dataclass(frozen=True, slots=True)
class Said:
    """A command that changed the world, kept so that it can be struck."""

    command: Record
    """Its row."""
    before: World
    """The world as it was when the words were heard."""
    later: tuple[tuple[int, int, Event], ...] = ()
    """What happened since, other than words: entry number, time and event."""


@dataclass(frozen=True, slots=True)
class State:
    """All that the station knows. `State()` is a station that nothing has happened to."""

    seq: int = 0
    """How many events have been; the newest one's number in the journal."""
    at_ms: int = 0
    world: World = field(default_factory=World)
    said: tuple[Said, ...] = ()
    """The last commands, oldest first."""


def step(state: State, event: Event) -> tuple[State, tuple[Effect, ...]]:
    """The state after `event` and what it asks for: rows, then notices, then cues."""
    seq, at_ms = state.seq + 1, max(state.at_ms, event.at_ms)
    before = _without_finished(state.world)
    world, cues = passing.advance(before, at_ms)
    said = state.said
    records: tuple[Record, ...] = ()
    more: tuple[Cue, ...]
    match event:
        case Heard():
            said, world, more, records = _heed(said, world, event, seq, at_ms)
        case Unheard():
            more = (Cue(Tone.REFUSED, "Say again."),)
            records = (_command_row(event, seq, at_ms, "not understood", more[0].say),)
        case Signed():
            more, records = _sign(world, event, seq, at_ms)
        case _:
            said = _remember(said, seq, at_ms, event)
            world, more = _happened(world, event, seq, at_ms)
    world = _watch_cabinet(world, seq, at_ms)
    struck = any(("struck", 1) in record.row for record in records)
    rows = (*changes(before, world, struck), *records)
    return State(seq, at_ms, world, said), (*rows, *alerts.notices(before, world), *cues, *more)


def deadline(state: State) -> int | None:
    """When to feed a `Tick` if nothing else happens; always later than the last event, or None.

    What was due before it, as a reminder that older rules did not know, is due at once.
    """
    due_ms = passing.deadline(state.world)
    return None if due_ms is None else max(due_ms, state.at_ms + 1)


def _happened(world: World, event: Event, seq: int, at_ms: int) -> Change:
    """What an event other than words does to the world."""
    match event:
        case Started():
            return _started(world, event, seq, at_ms)
        case ProcedureLoaded(procedure=procedure):
            return (world if procedure.problems() else replace(world, procedure=procedure)), ()
        case Reading():
            return _read(world, event, at_ms) if plausible(event.temp_c) else (world, ())
        case ProbeLost(channel=channel, reason=reason):
            return lost.lost(world, channel, reason, seq, at_ms)
        case ProbeBack(channel=channel):
            return lost.back(world, channel, at_ms)
        case ProbeCharge(channel=channel, percent=percent):
            return replace(world, charges=tuple({**dict(world.charges), channel: percent}.items())), ()
        case EarLost() | EarBack() | EarTrouble() | EarClear():
            return hearing.happened(world, event, seq, at_ms)
        case RecordsSetAside() | SpaceLow() | SpaceBack():
            return disk.happened(world, event, seq, at_ms)
        case Acknowledged(alert=id, by=by):
            return disk.acknowledged(alerts.acknowledged(world, id, by, at_ms), id, at_ms), ()
        case Seen(alert=id, by=by):
            return alerts.seen(world, id, by, at_ms), ()
        case ClockStepped(wall_known=known):
            world = replace(world, wall_known=known)
            return (alerts.ended(world, at_ms, "clock set", (alerts.CLOCK_NOT_SET,)) if known else world), ()
        case _:
            return world, ()


def _started(world: World, event: Started, seq: int, at_ms: int) -> Change:
    gap_known = world.boot_id in (None, event.boot_id) or (world.wall_known and event.wall_known)
    if not event.gap_known:
        gap_known, world = False, trends.forgotten(world)
    world = replace(
        world,
        station=event.station,
        vats=event.vats,
        rules=event.rules,
        boot_id=event.boot_id,
        wall_known=event.wall_known,
        latest={},
        spots=(),
        spot_used=0,
    )
    world = alerts.raised(world, station_causes.recorder_started(event.station, event.version, seq, at_ms))
    if event.wall_known:
        world = alerts.ended(world, at_ms, "clock set", (alerts.CLOCK_NOT_SET,))
    elif not alerts.is_open(world, alerts.CLOCK_NOT_SET):
        world = alerts.raised(world, station_causes.clock_not_set(seq, at_ms))
    if not gap_known:
        world = _doubt_times(world, at_ms)
    return world, (Cue(Tone.ALERT, "Recorder started."),)


def _doubt_times(world: World, at_ms: int) -> World:
    """Cooks and holds that run through a gap of unknown length can't be vouched for."""
    for batch in world.batches:
        if batch.stage is Stage.COOKING:
            cook = replace(batch.cooks[-1], time_proven=False)
            world = alerts.raised(world, batch_causes.time_not_proven(batch, cook.id, at_ms))
            world = world.with_batch(batch.id, cooks=(*batch.cooks[:-1], cook))
        elif batch.hold and batch.stage is Stage.HOLDING:
            world = alerts.raised(world, batch_causes.time_not_proven(batch, batch.hold.id, at_ms))
            world = world.with_batch(batch.id, hold=replace(batch.hold, time_proven=False))
    return world


def _read(world: World, event: Reading, at_ms: int) -> Change:
    world, cues = lost.back(world, event.channel, at_ms)
    latest = {**world.latest, event.channel: Latest(event.temp_c, at_ms, event.settled)}
    world = replace(world, latest=latest)
    if event.channel == NEEDLE:
        world, more = checks.needle_read(world, event, at_ms)
        return world, (*cues, *more)
    world = trends.oil_read(world, event.channel, event.temp_c, at_ms)
    for batch in world.batches:
        if vat_channel(batch.vat) == event.channel and batch_commands.in_band(batch, event.temp_c):
            world = alerts.ended(world, at_ms, "oil back in its band", (alerts.OIL_OUTSIDE_BAND,), batch.number)
    return world, cues


def _watch_cabinet(world: World, seq: int, at_ms: int) -> World:
    """Hot holding is too cold while food is in it, or is so no longer."""
    holding = [batch for batch in world.batches if batch.stage is Stage.HOLDING]
    if not holding:
        return alerts.ended(world, at_ms, "nothing is holding", (alerts.HOLD_COLD,))
    temp_c = outcome.fresh(world, CABINET, at_ms)
    if temp_c is None:
        return world
    minimum = max((batch.procedure.hold_minimum for batch in holding), key=lambda limit: limit.value)
    if minimum.met_by(temp_c):
        return alerts.ended(world, at_ms, "warm again", (alerts.HOLD_COLD,))
    if alerts.is_open(world, alerts.HOLD_COLD):
        return world
    numbers = [batch.number for batch in holding]
    return alerts.raised(world, station_causes.hold_cold(numbers, temp_c, minimum, seq, at_ms))


Heeded = tuple[tuple[Said, ...], World, tuple[Cue, ...], tuple[Record, ...]]


def _heed(said: tuple[Said, ...], world: World, event: Heard, seq: int, at_ms: int) -> Heeded:
    """Do what was heard: the best sentence, or the next best where only that one makes sense now."""

    def sensible(intent: Intent) -> bool:
        return bool(said) if intent.meaning == m.SCRATCH else commands.obey(world, intent, seq, at_ms).sensible

    other, first_text = event.other, None
    if other and other.meaning not in (m.CONFIRM, m.SCRATCH) and not sensible(event.intent) and sensible(other):
        event, first_text = replace(event, text=event.other_text, intent=other), event.text
    if event.intent.meaning == m.SCRATCH:
        return _scratch(said, world, event, seq, at_ms)
    return _obey(said, world, event, seq, at_ms, first_text)


def _obey(said: tuple[Said, ...], world: World, event: Heard, seq: int, at_ms: int, first_text: str | None) -> Heeded:
    answer = commands.obey(world, event.intent, seq, at_ms)
    cues = (Cue(answer.tone, answer.say),)
    if event.intent.meaning in m.QUESTIONS:
        return said, answer.world, cues, ()
    row = _command_row(event, seq, at_ms, answer.outcome, answer.say, first_text)
    if answer.outcome == "refused":
        return said, answer.world, cues, (row,)
    shift = answer.world.shift
    earlier = () if shift and shift.id == seq else said[1 - COMMANDS_KEPT :]
    return (*earlier, Said(row, world)), answer.world, cues, (row,)


def _scratch(said: tuple[Said, ...], world: World, event: Heard, seq: int, at_ms: int) -> Heeded:
    """Take back the last command: its world, and all that happened since but words."""
    if not said:
        say = "Refused: there is no command to strike."
        return said, world, (Cue(Tone.REFUSED, say),), (_command_row(event, seq, at_ms, "refused", say),)
    last = said[-1]
    back = last.before
    for number, then_ms, later in last.later:
        back, _ = passing.advance(_without_finished(back), then_ms)
        back, _ = _happened(back, later, number, then_ms)
        back = _watch_cabinet(back, number, then_ms)
    back, _ = passing.advance(_without_finished(back), at_ms)
    kept = {alert.id for alert in back.alerts}
    taken = [alert for alert in world.alerts if alert.id not in kept]
    taken = [alert if alert.ended_ms else replace(alert, ended_ms=at_ms, ended_by="command struck") for alert in taken]
    back = replace(back, alerts=(*back.alerts, *taken), question=None)
    say = f"Struck: {dict(last.command.row)['text']}."
    rows = (_with(last.command, struck=1), _command_row(event, seq, at_ms, "done", say))
    earlier = said[:-1]
    if earlier:
        earlier = (*earlier[:-1], replace(earlier[-1], later=earlier[-1].later + last.later))
    return earlier, back, (Cue(Tone.DONE, say),), rows


def _sign(world: World, event: Signed, seq: int, at_ms: int) -> tuple[tuple[Cue, ...], tuple[Record, ...]]:
    """A day is signed; while warnings or worse are open, only with a note that says what of them."""
    open_alerts = sum(alert.ended_ms is None and alert.level != Level.INFO for alert in world.alerts)
    if open_alerts and not event.note.strip():
        many = "1 alert is" if open_alerts == 1 else f"{open_alerts} alerts are"
        return (Cue(Tone.REFUSED, f"Not signed: {many} open. Say in a note why."),), ()
    row: tuple[tuple[str, Value], ...] = (
        ("day", event.day),
        ("at_ms", at_ms),
        ("initials", event.by),
        ("note", event.note),
        ("open_alerts", open_alerts),
        ("struck", 0),
    )
    return (Cue(Tone.DONE, f"Signed for {event.day} by {event.by}."),), (Record("signatures", seq, row),)


def _remember(said: tuple[Said, ...], seq: int, at_ms: int, event: Event) -> tuple[Said, ...]:
    if not said:
        return said
    if len(said[-1].later) >= EVENTS_KEPT:
        return ()
    return (*said[:-1], replace(said[-1], later=(*said[-1].later, (seq, at_ms, event))))


def _without_finished(world: World) -> World:
    """`world` without what the newest event finished; its last rows are written."""
    if all(alert.ended_ms is None for alert in world.alerts) and all(
        b.stage is not Stage.CLOSED for b in world.batches
    ):
        return world
    alerts_left = tuple(alert for alert in world.alerts if alert.ended_ms is None)
    return replace(world, alerts=alerts_left, batches=tuple(b for b in world.batches if b.stage is not Stage.CLOSED))


def _command_row(
    event: Heard | Unheard, seq: int, at_ms: int, outcome: str, reply: str, first_text: str | None = None
) -> Record:
    """The row of a command; `first_text` is the sentence that lost to it, for one that was the second best."""
    second_best = () if first_text is None else (("first_text", first_text),)
    row: tuple[tuple[str, Value], ...] = (
        ("at_ms", at_ms),
        ("text", event.text),
        ("meaning", event.intent.meaning if isinstance(event, Heard) else None),
        ("outcome", outcome),
        ("reply", reply),
        ("engine", event.engine),
        ("listening", event.listening),
        ("score", event.score),
        *second_best,
        ("struck", 0),
    )
    return Record("commands", seq, row)


def _with(record: Record, **columns: Value) -> Record:
    return replace(record, row=tuple((name, columns.get(name, value)) for name, value in record.row))
