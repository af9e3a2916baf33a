"""Striking: "scratch that" takes back the last command, and all that followed from it. A reading is only disputed."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from recorder.core import alerts
from recorder.core.batch import Batch, Check, Stage
from recorder.core.effects import Alert, Cue, Record, Tone, Value
from recorder.core.events import Event, Heard, Unheard
from recorder.core.limits import minutes_text
from recorder.core.subject import Columns, Moment, given
from recorder.core.subjects import cabinet, judging, probe_check, raw_check
from recorder.core.subjects.waits import raw_since_ms
from recorder.core.world import ProbeCheck, RawCheck, World

COMMANDS_KEPT = 8
"""How many of the last commands can be struck, one after another."""

EVENTS_KEPT = 10_000
"""A command with more than this many events after it can no longer be struck."""

STRIKE_MS = 8 * 3_600_000
"""Nor can one that was said so long ago: it is past taking back by two words (common practice, no source)."""


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


Handled = tuple[tuple[Said, ...], World, tuple[Cue, ...], tuple[Record, ...]]
"""The commands that can be struck, the world, what the cook hears and the rows of the command."""

Again = Callable[[Said, int], World]
"""The world from before a command, with all that happened since but words, up to a time."""

Measured = tuple[Batch, Check] | ProbeCheck | RawCheck
"""What a reading was taken for."""


def remembered(said: tuple[Said, ...], command: Said, first: bool) -> tuple[Said, ...]:
    """`said` with one more; `first` where nothing before it can be struck any more."""
    return (*(() if first else said[1 - COMMANDS_KEPT :]), command)


def happened_since(said: tuple[Said, ...], now: Moment, event: Event) -> tuple[Said, ...]:
    """`said` with an event that was no words after the last one."""
    if not said:
        return said
    if len(said[-1].later) >= EVENTS_KEPT:
        return ()
    return (*said[:-1], replace(said[-1], later=(*said[-1].later, (now.seq, now.at_ms, event))))


def since_reading(said: tuple[Said, ...], before: World, world: World) -> tuple[Said, ...]:
    """The commands that can still be struck once a reading was taken: none before the one that asked for it."""
    new = _measured(world) - _measured(before) if said else set()
    return tuple(each for each in said if int(each.command.id) >= max(new)) if new else said


def _measured(world: World) -> set[int]:
    """The ids of all that a thermometer has given."""
    own = {each.id for each in (world.probe_read, world.spare, raw_check.newest_read(world)) if each}
    return own | {check.id for batch in world.batches for check in batch.checks if check.temp_c is not None}


def scratched(said: tuple[Said, ...], world: World, event: Heard, now: Moment, again: Again) -> Handled:
    """Take back the last command, or dispute the reading that it led to."""
    if not said:
        return _refused(said, world, event, now, "Refused: there is no command to strike.")
    last = said[-1]
    if world.rules >= 6 and now.at_ms - last.at_ms > STRIKE_MS:
        say = f"Refused: the last command is {minutes_text(now.at_ms - last.at_ms)} old, too old to strike."
        return _refused(said, world, event, now, say)
    if reading := _reading_of(world, last):
        return _disputed(said, world, reading, event, now)
    back = _as_it_was(again(last, now.at_ms), world)
    kept = {alert.id for alert in back.alerts}
    taken = [alert for alert in world.alerts if alert.id not in kept]
    taken = [
        alert
        if alert.ended_ms or _stays(alert, back)
        else replace(alert, ended_ms=now.at_ms, ended_by="command struck")
        for alert in taken
    ]
    back = replace(back, alerts=(*back.alerts, *taken), question=None)
    say = f"Struck: {dict(last.command.row)['text']}."
    rows = (_with(last.command, struck=1), command_row(event, now, "done", say, cook=world.cook))
    earlier = said[:-1]
    if earlier:
        earlier = (*earlier[:-1], replace(earlier[-1], later=earlier[-1].later + last.later))
    return earlier, back, (Cue(Tone.DONE, say),), rows


def _stays(alert: Alert, back: World) -> bool:
    """Whether an alert is still so though words were struck: what food went through is not taken back by words."""
    if back.rules < 7:
        return False
    if alert.kind == alerts.HOLD_COLD:
        return cabinet.left_there(back) and not alerts.is_open(back, alerts.HOLD_COLD)
    late = [batch.number for batch in back.batches if batch.reheat_missed]
    return alert.kind == alerts.REHEAT_LATE and alert.batch in late


def _refused(said: tuple[Said, ...], world: World, event: Heard, now: Moment, say: str) -> Handled:
    return said, world, (Cue(Tone.REFUSED, say),), (command_row(event, now, "refused", say, cook=world.cook),)


def _reading_of(world: World, said: Said) -> Measured | None:
    """What a thermometer gave to this command, or by it, if it did."""
    id = said.command.id
    for batch in world.batches:
        for check in batch.checks:
            if check.spoken_id == id or (check.id == id and check.source == "probe"):
                return batch, check
    read = (world.probe_read, world.spare, raw_check.newest_read(world))
    return next((each for each in read if each and each.id == id), None)


def _disputed(said: tuple[Said, ...], world: World, measured: Measured, event: Heard, now: Moment) -> Handled:
    """A settled reading is never struck: it stays on record, marked as disputed, and proves nothing from now on."""
    of = _named(measured)
    if (measured[1] if isinstance(measured, tuple) else measured).disputed:
        say = f"Refused: the reading of the {of} is disputed already, and nothing before it can be struck."
        return _refused(said, world, event, now, say)
    if isinstance(measured, tuple):
        world = judging.disputed(world, *measured, now.at_ms)
    elif isinstance(measured, RawCheck):
        world = raw_check.disputed(world, measured)
    else:
        world = probe_check.disputed(world, measured, now.at_ms)
    say = f"The reading of the {of} stays on record as disputed. It proves nothing now."
    row = command_row(event, now, "done", say, cook=world.cook)
    return said, replace(world, question=None), (Cue(Tone.ALERT, say),), (row,)


def _named(measured: Measured) -> str:
    """What was measured, in words."""
    if isinstance(measured, tuple):
        return measured[1].part or "piece"
    return f"raw {measured.part}" if isinstance(measured, RawCheck) else measured.how


def _as_it_was(back: World, struck: World) -> World:
    """Food does not get fresh by a word: a struck hold goes on in the next one, a struck load leaves its time."""
    for batch in back.batches:
        was = next((each for each in struck.batches if each.id == batch.id), batch)
        hold = was.holds[-1] if len(was.holds) > len(batch.holds) else was.struck_hold
        raw_ms = raw_since_ms(was)
        loaded_ms = raw_ms if batch.stage is Stage.LOADING and raw_ms != raw_since_ms(batch) else None
        back = back.with_batch(
            batch.id,
            struck_hold=hold,
            first_load_ms=loaded_ms or batch.first_load_ms,
            reheat_by_ms=was.reheat_by_ms if batch.reheat_by_ms is None else batch.reheat_by_ms,
            reheat_missed=was.reheat_missed or batch.reheat_missed,
        )
    return back


def command_row(
    event: Heard | Unheard,
    now: Moment,
    outcome: str,
    reply: str,
    first_text: str | None = None,
    cook: int | None = None,
) -> Record:
    """The row of a command; `first_text` is the sentence that lost to it, for one that was the second best.

    `cook`: the number of the cook whose turn it is; what a command makes has its id, and so its cook.
    """
    second_best = () if first_text is None else (("first_text", first_text),)
    row: Columns = (
        ("at_ms", now.at_ms),
        ("text", event.text),
        ("meaning", event.intent.meaning if isinstance(event, Heard) else None),
        ("outcome", outcome),
        ("reply", reply),
        ("engine", event.engine),
        ("listening", event.listening),
        ("score", event.score),
        *second_best,
        *given(cook=cook),
        ("struck", 0),
    )
    return Record("commands", now.seq, row)


def _with(record: Record, **columns: Value) -> Record:
    return replace(record, row=tuple((name, columns.get(name, value)) for name, value in record.row))
