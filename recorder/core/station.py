"""The station: from what happened to what must be recorded, told and said.

    step(state, event) -> (state, effects)     total and pure
    deadline(state) -> int | None              when a `Tick` is due

It knows no clock, file, device or network. A senseless event changes nothing and, if a person said it, is a recorded
refusal that names the reason. Replaying the same events gives the same states and effects. What an earlier version
wrote is judged as that version judged, until this version starts on it.
"""

from dataclasses import dataclass, field, replace

from recorder.core import (
    alerts,
    batch_causes,
    batch_commands,
    cabinet,
    checks,
    commands,
    disk,
    hearing,
    lost,
    needle,
    passing,
    probing,
    station_causes,
    trends,
    waiting,
)
from recorder.core import meanings as m
from recorder.core.batch import Batch, Check, Stage
from recorder.core.carry_over import carried_over
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
from recorder.core.limits import minutes_text, plausible
from recorder.core.records import changes
from recorder.core.rules_1_to_4 import station as rules_1_to_4
from recorder.core.world import Latest, ProbeCheck, World

COMMANDS_KEPT = 8
"""How many of the last commands can be struck, one after another."""

EVENTS_KEPT = 10_000
"""A command with more than this many events after it can no longer be struck."""

STRIKE_MS = 30 * 60_000
"""Nor can one that was said so long ago: it is past taking back by two words (common practice, no source)."""

CLOSED_KEPT = 100
"""So many closed batches wait for the next check of their thermometer."""

FIRST_RULES = 5
"""The first rules that this module judges by; earlier ones stand in `recorder/core/rules_1_to_4/`."""

Change = tuple[World, tuple[Cue, ...]]


@dataclass(frozen=True, slots=True)
class Said:
    """A command that changed the world, kept so that it can be struck."""

    command: Record
    """Its row."""
    before: World
    """The world as it was when the words were heard."""
    at_ms: int
    """When that was."""
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


def _step(state: State, event: Event) -> tuple[State, tuple[Effect, ...]]:
    seq, at_ms = state.seq + 1, max(state.at_ms, event.at_ms)
    before = _without_finished(state.world, at_ms)
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
            world, more = _happened(world, event, seq, state.at_ms, at_ms)
    world = cabinet.watched(world, seq, at_ms)
    if alerts.is_open(world, alerts.HOLD_COLD) and not alerts.is_open(before, alerts.HOLD_COLD):
        more += (Cue(Tone.ALERT, "Hot holding is too cold."),)
    said = _since_reading(said, before, world)
    struck = next((record.id for record in records if ("struck", 1) in record.row), None)
    rows = (*changes(before, world, struck), *records)
    return State(seq, at_ms, world, said), (*rows, *alerts.notices(before, world), *cues, *more)


def deadline(state: State) -> int | None:
    """When to feed a `Tick` if nothing else happens; always later than the last event, or None.

    What was due before it, as of a batch that an earlier version left, is due at once.
    """
    if state.earlier:
        return rules_1_to_4.deadline(state.earlier)
    due_ms = passing.deadline(state.world)
    return None if due_ms is None else max(due_ms, state.at_ms + 1)


def _happened(world: World, event: Event, seq: int, since_ms: int, at_ms: int) -> Change:
    """What an event other than words does to the world; `since_ms` is the time of the one before it."""
    match event:
        case Started():
            return _started(world, event, seq, since_ms, at_ms)
        case ProcedureLoaded(procedure=procedure):
            wrong = procedure.problems() or procedure.dangers()
            return (world if wrong else replace(world, procedure=procedure)), ()
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
            return alerts.settled_by_hand(alerts.acknowledged(world, id, by, at_ms), id, at_ms), ()
        case Seen(alert=id, by=by):
            return alerts.seen(world, id, by, at_ms), ()
        case ClockStepped(wall_known=known):
            world = replace(world, wall_known=known)
            return (alerts.ended(world, at_ms, "clock set", (alerts.CLOCK_NOT_SET,)) if known else world), ()
        case _:
            return world, ()


def _started(world: World, event: Started, seq: int, since_ms: int, at_ms: int) -> Change:
    rebooted = world.boot_id not in (None, event.boot_id)
    gap_known = not rebooted or (world.wall_known and event.wall_known)
    if not event.gap_known:
        gap_known, world = False, trends.forgotten(world)
    world = replace(
        world,
        station=event.station,
        vats=event.vats,
        rules=max(event.rules, FIRST_RULES),
        boot_id=event.boot_id,
        wall_known=event.wall_known,
        latest={},
        spots=(),
        owner=None,
        cabinet=None,
    )
    world = alerts.raised(world, station_causes.recorder_started(event.station, event.version, seq, at_ms))
    if event.wall_known:
        world = alerts.ended(world, at_ms, "clock set", (alerts.CLOCK_NOT_SET,))
    elif not alerts.is_open(world, alerts.CLOCK_NOT_SET):
        world = alerts.raised(world, station_causes.clock_not_set(seq, at_ms))
    if not gap_known:
        world = _doubt_times(world, at_ms)
    elif rebooted:
        world = _power_away(world, seq, at_ms - since_ms, at_ms)
    return world, (Cue(Tone.ALERT, "Recorder started."),)


def _doubt_times(world: World, at_ms: int) -> World:
    """Cooks, holds and waits that run through a gap of unknown length can't be vouched for."""
    for batch in world.batches:
        about: int | None = None
        if batch.stage is Stage.COOKING:
            about = batch.cooks[-1].id
            world = _cook_not_proven(world, batch)
        elif batch.hold and batch.stage is Stage.HOLDING:
            about = batch.hold.id
            hold = replace(batch.hold, time_proven=False)
            world = world.with_batch(batch.id, holds=(*batch.holds[:-1], hold))
        elif waiting.of(batch) is not None:
            about = batch.id
            world = world.with_batch(batch.id, wait_known=False)
        if about is not None:
            world = alerts.raised(world, batch_causes.time_not_proven(batch, about, at_ms))
        if batch.reheat_by_ms is not None:  # nobody knows that there is time left
            world = world.with_batch(batch.id, reheat_by_ms=min(batch.reheat_by_ms, at_ms))
    return world


def _cook_not_proven(world: World, batch: Batch) -> World:
    cook = replace(batch.cooks[-1], time_proven=False)
    return world.with_batch(batch.id, cooks=(*batch.cooks[:-1], cook))


def _power_away(world: World, seq: int, gap_ms: int, at_ms: int) -> World:
    """The board was off for a known time: what was cooking or in holding may have been without heat."""
    cooking = [batch for batch in world.batches if batch.stage is Stage.COOKING]
    holding = [batch.number for batch in world.batches if batch.stage is Stage.HOLDING]
    for batch in world.batches:
        if batch.stage is Stage.COOKING:
            world = _cook_not_proven(world, batch)
        elif batch.stage is Stage.HOLDING and batch.hold and not batch.by_time:
            since_ms = batch.hold.cold_since_ms if batch.hold.cold_since_ms is not None else at_ms - gap_ms
            hold = replace(batch.hold, power_ms=batch.hold.power_ms + gap_ms, cold_since_ms=since_ms)
            world = world.with_batch(batch.id, holds=(*batch.holds[:-1], hold))
    if not cooking and not holding:
        return world
    numbers = [batch.number for batch in cooking]
    return alerts.raised(world, station_causes.power_away(gap_ms, numbers, holding, seq, at_ms))


def _read(world: World, event: Reading, at_ms: int) -> Change:
    world, cues = lost.back(world, event.channel, at_ms)
    latest = {**world.latest, event.channel: Latest(event.temp_c, at_ms, event.settled)}
    world = replace(world, latest=latest)
    if event.channel == NEEDLE:
        world, more = needle.read(world, event, at_ms)
        return world, (*cues, *more)
    if event.channel == CABINET:
        return cabinet.read(world, event.temp_c, at_ms), cues
    world = trends.oil_read(world, event.channel, event.temp_c, at_ms)
    for batch in world.batches:
        if vat_channel(batch.vat) == event.channel and batch_commands.in_band(batch, event.temp_c):
            world = alerts.ended(world, at_ms, "oil back in its band", (alerts.OIL_OUTSIDE_BAND,), batch.number)
    return world, cues


Heeded = tuple[tuple[Said, ...], World, tuple[Cue, ...], tuple[Record, ...]]


def _heed(said: tuple[Said, ...], world: World, event: Heard, seq: int, at_ms: int) -> Heeded:
    """Do what was heard: the best sentence, or the next best where only that one makes sense now."""

    def sensible(intent: Intent, second: bool = False) -> bool:
        if intent.meaning == m.SCRATCH:
            return bool(said) and not second
        answer = commands.obey(world, intent, seq, at_ms)
        final = second and world.rules >= 6 and intent.meaning in m.FINAL
        return answer.sensible and not (final and answer.outcome != "asked")

    other, first_text = event.other, None
    if other and other.meaning != m.CONFIRM and not sensible(event.intent) and sensible(other, second=True):
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
    return (*earlier, Said(row, world, at_ms)), answer.world, cues, (row,)


def _scratch(said: tuple[Said, ...], world: World, event: Heard, seq: int, at_ms: int) -> Heeded:
    """Take back the last command: its world, and all that happened since but words. A reading is only disputed."""
    if not said:
        say = "Refused: there is no command to strike."
        return said, world, (Cue(Tone.REFUSED, say),), (_command_row(event, seq, at_ms, "refused", say),)
    last = said[-1]
    if world.rules >= 6 and at_ms - last.at_ms > STRIKE_MS:
        say = f"Refused: the last command is {minutes_text(at_ms - last.at_ms)} old, too old to strike."
        return said, world, (Cue(Tone.REFUSED, say),), (_command_row(event, seq, at_ms, "refused", say),)
    if reading := _reading_of(world, last):
        return _dispute(said, world, reading, event, seq, at_ms)
    back, since_ms = last.before, last.at_ms
    for number, then_ms, later in last.later:
        back, _ = passing.advance(_without_finished(back, then_ms), then_ms)
        back, _ = _happened(back, later, number, since_ms, then_ms)
        back = cabinet.watched(back, number, then_ms)
        since_ms = then_ms
    back, _ = passing.advance(_without_finished(back, at_ms), at_ms)
    back = _as_it_was(back, world)
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


Measured = tuple[Batch, Check] | ProbeCheck
"""What a reading was taken for."""


def _reading_of(world: World, said: Said) -> Measured | None:
    """What a thermometer gave to this command, or by it, if it did."""
    id = said.command.id
    for batch in world.batches:
        for check in batch.checks:
            if check.spoken_id == id or (check.id == id and check.source == "probe"):
                return batch, check
    return next((each for each in (world.probe_read, world.spare) if each and each.id == id), None)


def _dispute(said: tuple[Said, ...], world: World, measured: Measured, event: Heard, seq: int, at_ms: int) -> Heeded:
    """A settled reading is never struck: it stays on record, marked as disputed, and proves nothing from now on."""
    of = measured[1].part or "piece" if isinstance(measured, tuple) else measured.how
    already = (measured[1] if isinstance(measured, tuple) else measured).disputed
    if already:
        say = f"Refused: the reading of the {of} is disputed already, and nothing before it can be struck."
        return said, world, (Cue(Tone.REFUSED, say),), (_command_row(event, seq, at_ms, "refused", say),)
    if isinstance(measured, tuple):
        world = checks.disputed(world, *measured, at_ms)
    else:
        world = probing.disputed(world, measured, at_ms)
    say = f"The reading of the {of} stays on record as disputed. It proves nothing now."
    row = _command_row(event, seq, at_ms, "done", say)
    return said, replace(world, question=None), (Cue(Tone.ALERT, say),), (row,)


def _since_reading(said: tuple[Said, ...], before: World, world: World) -> tuple[Said, ...]:
    """The commands that can still be struck once a reading was taken: none before the one that asked for it."""
    new = _measured(world) - _measured(before) if said else set()
    return tuple(each for each in said if int(each.command.id) >= max(new)) if new else said


def _measured(world: World) -> set[int]:
    """The ids of all that a thermometer has given."""
    own = {each.id for each in (world.probe_read, world.spare) if each}
    return own | {check.id for batch in world.batches for check in batch.checks if check.temp_c is not None}


def _as_it_was(back: World, struck: World) -> World:
    """Food does not get fresh by a word: a struck hold goes on in the next one, a struck load leaves its time."""
    for batch in back.batches:
        was = next((each for each in struck.batches if each.id == batch.id), batch)
        hold = was.holds[-1] if len(was.holds) > len(batch.holds) else was.struck_hold
        raw_ms = waiting.raw_since_ms(was)
        loaded_ms = raw_ms if batch.stage is Stage.LOADING and raw_ms != waiting.raw_since_ms(batch) else None
        back = back.with_batch(
            batch.id,
            struck_hold=hold,
            first_load_ms=loaded_ms or batch.first_load_ms,
            reheat_by_ms=was.reheat_by_ms if batch.reheat_by_ms is None else batch.reheat_by_ms,
            reheat_missed=was.reheat_missed or batch.reheat_missed,
        )
    return back


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


def _without_finished(world: World, at_ms: int) -> World:
    """`world` without what was finished before; its last rows are written.

    A closed batch stays while the needle may still be in its newest piece.
    """

    def stays(batch: Batch) -> bool:
        owner = world.owner
        awaited = bool(owner and owner.batch == batch.id and at_ms <= max(owner.until_ms, owner.same_until_ms))
        return batch.stage is not Stage.CLOSED or awaited or batch.open_check is not None

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
