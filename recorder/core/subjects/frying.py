"""Frying: from the locked lid to the open one, and what a cook that was too short or too long says."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Batch, Frying, Stage
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.limits import minutes_text
from recorder.core.meant import batch_meant
from recorder.core.subject import Answer, Change, Command, Row, Subject, Timer, asked, done, given, of_batch
from recorder.core.subjects.waits import moved, raw_since_ms
from recorder.core.transitions import TRANSITIONS
from recorder.core.world import World

NO_LOCK = "no lid locked"
"""A deviation that is put on record only after "confirm"."""

PRESSURE = (
    "Somebody should see to it. It may be under pressure: the maker's instructions come first, and a lid or valve that"
    " sticks is for licensed people."
)
"""Beside each alert that sends somebody to a locked vat."""


def _lid_locked(world: World, command: Command) -> Answer:
    batch, now = batch_meant(world, command.intent, "say batch start first, or cook more"), command.now
    frying = Frying(now.seq, now.at_ms, time_proven=not batch.waited, said_late=batch.waited)
    world = moved(world, batch, m.LID_LOCKED, now.at_ms, fryings=(*batch.fryings, frying))
    if not batch.loads:
        return done(world, f"Batch {batch.number} cooking. No load was said.", Tone.ALERT)
    late = " Said late: it may have cooked for longer." if batch.waited else ""
    return done(world, f"Batch {batch.number} cooking, vat {batch.vat}.{late}", Tone.ALERT if late else Tone.DONE)


def _lid_open(world: World, command: Command) -> Answer:
    intent, now = command.intent, command.now
    batch = batch_meant(world, intent, "no lid is locked")
    if batch.stage in TRANSITIONS[m.LID_OPEN].stages:
        world = alerts.ended(world, now.at_ms, "lid opened", (alerts.COOK_OVERDUE,), batch.number)
        return _opened(world, batch, batch.fryings[-1], now.at_ms)
    if NO_LOCK in command.agreed:  # it may have cooked, and nobody knows for how long
        return _opened(world, batch, Frying(now.seq, now.at_ms, time_proven=False, said_late=True), now.at_ms)
    say = f"Batch {batch.number}: no locked lid was said. Confirm that it has cooked, for an unknown time."
    return asked(world, replace(intent, batch=batch.number), NO_LOCK, say, now.at_ms, strained=True)


def _opened(world: World, batch: Batch, frying: Frying, at_ms: int) -> Answer:
    """The lid of `batch` is open: `frying` is over, and short where it can't have been long enough."""
    cooked_ms = at_ms - (_earliest_ms(batch) if frying.said_late else frying.locked_ms)
    shortest_ms = batch.procedure.shortest_cook_ms if batch.round == 0 else batch.procedure.more_cook_ms
    short = cooked_ms < shortest_ms and (frying.time_proven or frying.said_late)
    frying = replace(frying, opened_ms=at_ms, short=short)
    if short:
        world = alerts.raised(world, _cook_short(batch, frying, cooked_ms, shortest_ms, at_ms))
    fryings = (*(each for each in batch.fryings if each.id != frying.id), frying)
    world = moved(world, batch, m.LID_OPEN, at_ms, fryings=fryings)
    known = f"after {minutes_text(cooked_ms)}" if frying.time_proven else "after a time that is not known"
    say = f"Batch {batch.number}, lid open {known}.{' Short cook.' if short else ''}"
    return done(world, say, Tone.DONE if frying.time_proven and not short else Tone.ALERT)


def _earliest_ms(batch: Batch) -> int:
    """When a cook can have begun at the earliest whose lid was locked without a word."""
    raw_ms = raw_since_ms(batch)
    since_ms = raw_ms if raw_ms is not None else batch.started_ms
    return batch.corrections[-1].at_ms if batch.corrections else since_ms


def _timers(batch: Batch) -> Iterator[Timer]:
    if batch.stage is not Stage.COOKING:
        return
    frying = batch.fryings[-1]

    def changed(world: World, **changes: Any) -> World:
        return world.with_batch(batch.id, fryings=(*batch.fryings[:-1], replace(frying, **changes)))

    def call(world: World, _: int) -> Change:
        say = f"Vat {batch.vat}, batch {batch.number}: cook time reached."
        return changed(world, called=True), (Cue(Tone.ALERT, say),)

    def overdue(world: World, _: int) -> Change:
        world = alerts.raised(world, _cook_overdue(batch, frying, longest_ms, frying.locked_ms + longest_ms))
        say = f"Vat {batch.vat}, batch {batch.number}: over its longest cook."
        return changed(world, overdue=True), (Cue(Tone.ALERT, say),)

    procedure = batch.procedure
    planned_ms, longest_ms = procedure.planned_cook_ms, procedure.longest_cook_ms
    if batch.round > 0:  # a further cook is shorter, and may run over by as much
        planned_ms, longest_ms = procedure.more_cook_ms, procedure.more_cook_ms + longest_ms - planned_ms
    if not frying.called:
        yield frying.locked_ms + planned_ms, call
    elif not frying.overdue:
        yield frying.locked_ms + longest_ms, overdue


def _cook_short(batch: Batch, frying: Frying, cooked_ms: int, shortest_ms: int, at_ms: int) -> Alert:
    return alerts.made(
        alerts.COOK_SHORT,
        frying.id,
        f"Batch {batch.number}: lid opened after {minutes_text(cooked_ms)}, shortest cook is"
        f" {minutes_text(shortest_ms)}. Check every part, cook more where it is needed.",
        at_ms,
        batch,
        seconds=cooked_ms / 1000,
        limit_seconds=shortest_ms / 1000,
    )


def _cook_overdue(batch: Batch, frying: Frying, longest_ms: int, at_ms: int) -> Alert:
    return alerts.made(
        alerts.COOK_OVERDUE,
        frying.id,
        f"Batch {batch.number}, vat {batch.vat}: lid still locked after {minutes_text(longest_ms)},"
        f" the longest cook. {PRESSURE}",
        at_ms,
        batch,
        seconds=(at_ms - frying.locked_ms) / 1000,
        limit_seconds=longest_ms / 1000,
    )


def _rows(batch: Batch) -> Iterator[Row]:
    for frying in batch.fryings:
        yield (
            ("fryings", frying.id),
            (
                *of_batch(batch),
                ("lid_locked_ms", frying.locked_ms),
                ("lid_open_ms", frying.opened_ms),
                ("seconds", None if frying.opened_ms is None else (frying.opened_ms - frying.locked_ms) / 1000),
                ("short", int(frying.short)),
                ("overdue", int(frying.overdue)),
                ("time_proven", int(frying.time_proven)),
                *given(said_late=int(frying.said_late) or None),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(commands={m.LID_LOCKED: _lid_locked, m.LID_OPEN: _lid_open}, batch_timers=_timers, batch_rows=_rows)
