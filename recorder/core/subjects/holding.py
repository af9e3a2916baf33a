"""Hot holding: how it starts, what it started with, and its limit of time."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Batch, Hold, Stage
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.limits import listed, minutes_text
from recorder.core.meant import batch_meant
from recorder.core.procedure import TIME_ALONE_MS
from recorder.core.subject import (
    Answer,
    Change,
    Command,
    Moment,
    Row,
    Subject,
    Timer,
    asked,
    done,
    given,
    of_batch,
    seconds,
    shown,
)
from recorder.core.subjects import moving
from recorder.core.subjects.power import power_away
from recorder.core.subjects.proof import hold_unproven
from recorder.core.subjects.trends import first_checks_done
from recorder.core.subjects.waits import WAITING, moved
from recorder.core.world import World

UNPROVEN = "unproven"
"""A deviation that is put on record only after "confirm"."""


def _start(world: World, command: Command) -> Answer:
    intent, seq, at_ms = command.intent, command.now.seq, command.now.at_ms
    batch, cabinets = batch_meant(world, intent), moving.meant(world, intent)
    if not batch.proven and UNPROVEN not in command.agreed:
        passed = min(batch.passed, batch.checks_needed) if world.rules >= 7 else batch.passed
        say = f"Batch {batch.number} has {passed} of {batch.checks_needed} checks passed: {batch.missing}."
        say = f"{say} Confirm to hold it with its checks not complete."
        return asked(world, replace(intent, batch=batch.number), UNPROVEN, say, at_ms)
    world = first_checks_done(world, batch, at_ms)
    hold = replace(_next_hold(batch, command.now, world.rules), cabinets=cabinets)
    if world.rules >= 6 and batch.struck_hold and hold.power_ms:  # its alert went with the words that were struck
        world = alerts.raised(world, power_away(hold.power_ms, [], [batch.number], seq, at_ms))
    world = moved(world, batch, m.HOLD_START, at_ms, holds=(*batch.holds, hold), struck_hold=None)
    waits = world.batch(batch.id).waits
    if not batch.proven:
        world = alerts.raised(world, hold_unproven(batch, hold, at_ms, world.rules))
    if waits:
        world = world.with_hold(batch.id, late=True)
        world = alerts.raised(world, hold_late(batch, hold, waits, at_ms, world.rules))
    where = f" in cabinet {cabinets[0]}" if len(world.cabinets) > 1 else ""
    say = f"Batch {batch.number} holding{where}" + ("" if batch.proven else f", checks not complete: {batch.missing}")
    late = f" Its pieces waited {minutes_text(_waited_ms(waits, world.rules))}, longer than they may." if waits else ""
    return done(world, f"{say}.{late}", Tone.DONE if batch.proven and not late else Tone.ALERT)


def _next_hold(batch: Batch, now: Moment, rules: int) -> Hold:
    """A hold counts from the open lid.

    By time alone, after a struck one, and after a further cook that was too short, it goes on from the one before.
    """
    counted_ms = batch.open_since_ms if batch.open_since_ms is not None else now.at_ms
    hold = Hold(now.seq, now.at_ms, batch.proven, counted_ms, time_proven=batch.wait_known)
    if batch.by_time and batch.holds:
        known = all(each.time_proven for each in batch.holds) and batch.wait_known
        hold = replace(hold, counted_ms=min(each.counted_ms for each in batch.holds), time_proven=known)
    elif (
        rules >= 6
        and batch.hold
        and all(frying.short for frying in batch.fryings if frying.locked_ms >= batch.hold.started_ms)
    ):
        hold = replace(hold, counted_ms=batch.hold.counted_ms)
    struck = batch.struck_hold
    if struck and batch.corrections and batch.corrections[-1].at_ms >= struck.started_ms:  # it was cooked since
        by_time_ms = min(hold.counted_ms, struck.counted_ms)
        return replace(hold, counted_ms=by_time_ms) if batch.by_time else hold
    if struck:
        hold = replace(
            hold,
            started_ms=struck.started_ms,
            counted_ms=min(hold.counted_ms, struck.counted_ms),
            time_proven=hold.time_proven and struck.time_proven,
            cold_ms=struck.cold_ms,
            coldest_c=struck.coldest_c,
            power_ms=struck.power_ms,
            cold_since_ms=struck.cold_since_ms,
            measured=struck.measured,
            read_ms=struck.read_ms,
            unread_ms=struck.unread_ms,
            gap_settled=struck.gap_settled,
        )
    return hold


def _timers(batch: Batch) -> Iterator[Timer]:
    hold = batch.hold
    if batch.stage is not Stage.HOLDING or hold is None:
        return

    def changed(world: World, **changes: Any) -> World:
        return world.with_batch(batch.id, holds=(*batch.holds[:-1], replace(hold, **changes)))

    def warn(world: World, _: int) -> Change:
        world = alerts.raised(world, _near_limit(batch, hold, warning_ms))
        return changed(world, warned=True), (Cue(Tone.ALERT, f"Batch {batch.number}: hold is near its limit."),)

    def past(world: World, at_ms: int) -> Change:
        world = alerts.ended(world, limit_ms, "past its limit", (alerts.HOLD_NEAR_LIMIT,), batch.number)
        world = alerts.raised(world, _past_limit(batch, hold, max(limit_ms, began_ms)))
        say = f"Batch {batch.number}: past its {'hold limit. Discard it' if batch.by_time else 'quality limit'}."
        return changed(world, warned=True, past=True, repeat_ms=_next_repeat(at_ms)), (Cue(Tone.ALERT, say),)

    def repeat(world: World, at_ms: int) -> Change:
        world = alerts.repeated(world, alerts.alert_id(hold.id, alerts.HOLD_PAST_LIMIT))
        say = f"Batch {batch.number}: still past its hold limit."
        return changed(world, repeat_ms=_next_repeat(at_ms)), (Cue(Tone.ALERT, say),)

    def _next_repeat(at_ms: int) -> int:
        every_ms = batch.procedure.hold_repeat_ms
        return limit_ms + ((at_ms - limit_ms) // every_ms + 1) * every_ms

    began_ms = hold.started_ms
    warning_ms = hold.counted_ms + batch.procedure.hold_warning_ms
    limit_ms = hold.counted_ms + batch.procedure.hold_limit_ms
    if hold.past and hold.repeat_ms is not None:
        yield hold.repeat_ms, repeat
    elif hold.warned or limit_ms <= began_ms:
        yield limit_ms, past
    else:
        yield warning_ms, warn


def _waited_ms(waits: Sequence[tuple[Stage, int]], rules: int) -> int:
    """How long pieces waited: in all, as the Food Code's four hours count; by rules 6 the longest of their waits."""
    return sum(ms for _, ms in waits) if rules >= 7 else max(ms for _, ms in waits)


def hold_late(batch: Batch, hold: Hold, waits: Sequence[tuple[Stage, int]], at_ms: int, rules: int) -> Alert:
    """Food went into holding after longer waits than the kitchen allows."""
    waited_ms = _waited_ms(waits, rules)
    waited = listed([f"{WAITING[stage]} for {minutes_text(ms)}" for stage, ms in waits])
    return alerts.made(
        alerts.HOLD_LATE,
        hold.id,
        f"Batch {batch.number} is in holding, but {waited}. Its hold counts from the open lid. Take its temperature.",
        at_ms,
        batch,
        unsafe=waited_ms >= TIME_ALONE_MS,
        seconds=waited_ms / 1000,
        waits=len(waits),
    )


def _near_limit(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    limit_ms, held_ms = batch.procedure.hold_limit_ms, at_ms - hold.counted_ms
    left = f"{minutes_text(limit_ms - held_ms)} of its {minutes_text(limit_ms)} hold left"
    unknown = f"held for at least {minutes_text(held_ms)}, how long is not known"
    return alerts.made(
        alerts.HOLD_NEAR_LIMIT,
        hold.id,
        f"Batch {batch.number}: {left if hold.time_proven else unknown}. Sell it first.",
        at_ms,
        batch,
        seconds=held_ms / 1000,
        limit_seconds=limit_ms / 1000,
    )


def _past_limit(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """A limit of safety where time alone keeps the food safe, else one of quality."""
    limit_ms = batch.procedure.hold_limit_ms
    safety = f"limit of {minutes_text(limit_ms)} without temperature control. Discard it."
    quality = (
        f"quality limit of {minutes_text(limit_ms)}. The kitchen's procedure says to discard it; at"
        f" {batch.procedure.hold_minimum.text()} or above the Food Code sets no limit of time."
    )
    return alerts.made(
        alerts.HOLD_PAST_LIMIT,
        hold.id,
        f"Batch {batch.number}: held past its {safety if batch.by_time else quality}",
        at_ms,
        batch,
        unsafe=batch.by_time,
        seconds=(at_ms - hold.counted_ms) / 1000,
        limit_seconds=limit_ms / 1000,
    )


def _rows(batch: Batch) -> Iterator[Row]:
    for hold in batch.holds:
        yield (
            ("holds", hold.id),
            (
                *of_batch(batch),
                ("started_ms", hold.started_ms),
                ("until_ms", hold.counted_ms + batch.procedure.hold_limit_ms),
                ("ended_ms", hold.ended_ms),
                ("proven", int(hold.proven)),
                ("past_limit", int(hold.past)),
                ("time_proven", int(hold.time_proven)),
                ("outcome", hold.outcome),
                ("counted_from_ms", hold.counted_ms),
                ("limit_kind", "time" if batch.by_time else "quality"),
                *given(
                    late=int(hold.late) or None,
                    seconds_below=seconds(hold.cold_ms or None),
                    cabinets=", ".join(map(str, hold.cabinets)) or None,
                    lowest=shown(hold.lowest_c, batch.procedure.unit),
                    unit=None if hold.lowest_c is None else batch.procedure.unit,
                ),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(commands={m.HOLD_START: _start}, batch_timers=_timers, batch_rows=_rows)
