"""What the passage of time does at the station: windows close, cooks and holds run out, questions lapse.

Everything that waits for a moment is one line of `_dues`; `deadline` and `advance` are made of the same list, so that
what is waited for and what is done can't differ. A moment counts as come when it is reached (half-open intervals).
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Any

from recorder.core import alerts, batch_causes, checks, lost, probing, waiting
from recorder.core.batch import Batch, Check, Cook, Hold, Stage
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.world import World

Change = tuple[World, tuple[Cue, ...]]
Due = Callable[[World, int], Change]
"""Does what is due; takes the world and the time that it really is."""


def deadline(world: World) -> int | None:
    """The next moment at which time alone changes something, or None."""
    return min((due_ms for due_ms, _ in _dues(world)), default=None)


def advance(world: World, at_ms: int) -> Change:
    """`world` as it is at `at_ms`: all that was due until then is done, in order of time."""
    cues: tuple[Cue, ...] = ()
    while (due := min(_dues(world), key=lambda each: each[0], default=None)) and due[0] <= at_ms:
        world, more = due[1](world, at_ms)
        cues += more
    return world, cues


def _dues(world: World) -> Iterator[tuple[int, Due]]:
    if world.question:
        yield world.question.until_ms, lambda now, _: (replace(now, question=None), ())
    if probe_check := probing.waiting(world):
        unread_ms = probe_check.opened_ms + probing.WINDOW_MS
        yield unread_ms, lambda now, _: probing.unread(now, unread_ms)
    if (overdue_ms := probing.due_ms(world)) is not None:
        yield overdue_ms, probing.overdue
    for alert in world.alerts:
        if (again_ms := alerts.reminder_ms(alert)) is not None:
            yield again_ms, partial(_remind, alert.id)
        if (steady_ms := lost.steady_ms(world, alert)) is not None:
            yield steady_ms, partial(_steady, alert)
    for batch in world.batches:
        if check := batch.open_check:
            yield from _check_dues(batch, check)
        if batch.stage is Stage.CLOSED:
            continue
        if batch.stage is Stage.COOKING:
            yield from _cook_dues(batch, batch.cooks[-1])
        if batch.stage is Stage.HOLDING and batch.hold:
            yield from _hold_dues(batch, batch.hold)
        yield from _wait_dues(batch)
        yield from _reheat_dues(batch)


def _remind(id: str, world: World, at_ms: int) -> Change:
    return alerts.reminded(world, id, at_ms), ()


def _steady(alert: Alert, world: World, at_ms: int) -> Change:
    return lost.steady(world, alert, at_ms)


def _check_dues(batch: Batch, check: Check) -> Iterator[tuple[int, Due]]:
    due_ms = check.opened_ms + batch.procedure.settle_window_ms
    yield due_ms, lambda world, _: checks.unread(world, batch.id, due_ms)


def _cook_dues(batch: Batch, cook: Cook) -> Iterator[tuple[int, Due]]:
    def call(world: World, _: int) -> Change:
        cooks = (*batch.cooks[:-1], replace(cook, called=True))
        say = f"Vat {batch.vat}, batch {batch.number}: cook time reached."
        return world.with_batch(batch.id, cooks=cooks), (Cue(Tone.ALERT, say),)

    def overdue(world: World, _: int) -> Change:
        cooks = (*batch.cooks[:-1], replace(cook, overdue=True))
        world = alerts.raised(world, batch_causes.cook_overdue(batch, cook, longest_ms, cook.locked_ms + longest_ms))
        say = f"Vat {batch.vat}, batch {batch.number}: over its longest cook."
        return world.with_batch(batch.id, cooks=cooks), (Cue(Tone.ALERT, say),)

    procedure = batch.procedure
    planned_ms, longest_ms = procedure.planned_cook_ms, procedure.longest_cook_ms
    if batch.round > 0:  # a further cook is shorter, and may run over by as much
        planned_ms, longest_ms = procedure.more_cook_ms, procedure.more_cook_ms + longest_ms - planned_ms
    if not cook.called:
        yield cook.locked_ms + planned_ms, call
    elif not cook.overdue:
        yield cook.locked_ms + longest_ms, overdue


def _hold_dues(batch: Batch, hold: Hold) -> Iterator[tuple[int, Due]]:
    def changed(world: World, **changes: Any) -> World:
        return world.with_batch(batch.id, holds=(*batch.holds[:-1], replace(hold, **changes)))

    def warn(world: World, _: int) -> Change:
        world = alerts.raised(world, batch_causes.hold_near_limit(batch, hold, warning_ms))
        return changed(world, warned=True), (Cue(Tone.ALERT, f"Batch {batch.number}: hold is near its limit."),)

    def past(world: World, at_ms: int) -> Change:
        world = alerts.ended(world, limit_ms, "past its limit", (alerts.HOLD_NEAR_LIMIT,), batch.number)
        world = alerts.raised(world, batch_causes.hold_past_limit(batch, hold, max(limit_ms, began_ms)))
        say = f"Batch {batch.number}: past its {'hold limit. Discard it' if batch.by_time else 'quality limit'}."
        return changed(world, warned=True, past=True, repeat_ms=_next_repeat(at_ms)), (Cue(Tone.ALERT, say),)

    def repeat(world: World, at_ms: int) -> Change:
        id = alerts.alert_id(hold.id, alerts.HOLD_PAST_LIMIT)
        again = tuple(replace(alert, repeats=alert.repeats + 1) if alert.id == id else alert for alert in world.alerts)
        world = changed(replace(world, alerts=again), repeat_ms=_next_repeat(at_ms))
        return world, (Cue(Tone.ALERT, f"Batch {batch.number}: still past its hold limit."),)

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


def _wait_dues(batch: Batch) -> Iterator[tuple[int, Due]]:
    wait = waiting.of(batch)
    if wait is None or batch.waited:
        return
    due_ms = wait.since_ms + wait.longest_ms

    def waited(world: World, _: int) -> Change:
        world = alerts.raised(world, batch_causes.pieces_wait(batch, wait, due_ms))
        say = f"Batch {batch.number}, vat {batch.vat}: {batch_causes.WAITING[batch.stage]} too long."
        return world.with_batch(batch.id, waited=True), (Cue(Tone.ALERT, say),)

    yield due_ms, waited


def _reheat_dues(batch: Batch) -> Iterator[tuple[int, Due]]:
    """Food that was held too cold is checked hot again in time, or discarded."""
    by_ms = batch.reheat_by_ms
    if by_ms is None or batch.reheat_missed:
        return

    def missed(world: World, _: int) -> Change:
        world = alerts.raised(world, batch_causes.reheat_late(batch, by_ms))
        say = f"Batch {batch.number} was not hot again within 2 hours. Discard it."
        return world.with_batch(batch.id, reheat_missed=True), (Cue(Tone.ALERT, say),)

    yield by_ms, missed
