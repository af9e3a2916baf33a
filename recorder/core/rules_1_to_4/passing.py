"""What the passage of time does at the station: windows close, cooks and holds run out, questions lapse.

Everything that waits for a moment is one line of `_dues`; `deadline` and `advance` are made of the same list, so that
what is waited for and what is done can't differ. A moment counts as come when it is reached (half-open intervals).
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

from recorder.core.effects import Alert, Cue, Tone
from recorder.core.rules_1_to_4 import alerts, batch_causes, checks, lost, probing
from recorder.core.rules_1_to_4.batch import Batch, Check, Cook, Hold, Stage
from recorder.core.rules_1_to_4.world import World

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
    if world.rules >= 3:
        for alert in world.alerts:
            if (again_ms := alerts.reminder_ms(alert)) is not None:
                yield again_ms, partial(_remind, alert.id)
            if (steady_ms := lost.steady_ms(world, alert)) is not None:
                yield steady_ms, partial(_steady, alert)
    for batch in world.batches:
        if (check := batch.open_check) and batch.stage is not Stage.CLOSED:
            yield from _check_dues(batch, check)
        if batch.stage is Stage.COOKING:
            yield from _cook_dues(batch, batch.cooks[-1])
        if batch.stage is Stage.HOLDING and batch.hold:
            yield from _hold_dues(batch, batch.hold)


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
        world = alerts.raised(world, batch_causes.cook_overdue(batch, cook, overdue_ms))
        say = f"Vat {batch.vat}, batch {batch.number}: over its longest cook."
        return world.with_batch(batch.id, cooks=cooks), (Cue(Tone.ALERT, say),)

    overdue_ms = cook.locked_ms + batch.procedure.longest_cook_ms
    if not cook.called:
        yield cook.locked_ms + batch.procedure.planned_cook_ms, call
    elif not cook.overdue:
        yield overdue_ms, overdue


def _hold_dues(batch: Batch, hold: Hold) -> Iterator[tuple[int, Due]]:
    def warn(world: World, _: int) -> Change:
        world = alerts.raised(world, batch_causes.hold_near_limit(batch, hold, warning_ms))
        say = f"Batch {batch.number}: hold is near its limit."
        return world.with_batch(batch.id, hold=replace(hold, warned=True)), (Cue(Tone.ALERT, say),)

    def past(world: World, at_ms: int) -> Change:
        world = alerts.ended(world, limit_ms, "past its limit", (alerts.HOLD_NEAR_LIMIT,), batch.number)
        world = alerts.raised(world, batch_causes.hold_past_limit(batch, hold, limit_ms))
        kept = replace(hold, past=True, repeat_ms=_next_repeat(at_ms))
        say = f"Batch {batch.number}: past its hold limit. Discard it."
        return world.with_batch(batch.id, hold=kept), (Cue(Tone.ALERT, say),)

    def repeat(world: World, at_ms: int) -> Change:
        id = alerts.alert_id(hold.id, alerts.HOLD_PAST_LIMIT)
        told = tuple(replace(alert, repeats=alert.repeats + 1) if alert.id == id else alert for alert in world.alerts)
        world = replace(world, alerts=told).with_batch(batch.id, hold=replace(hold, repeat_ms=_next_repeat(at_ms)))
        return world, (Cue(Tone.ALERT, f"Batch {batch.number}: still past its hold limit."),)

    def _next_repeat(at_ms: int) -> int:
        every_ms = batch.procedure.hold_repeat_ms
        return limit_ms + ((at_ms - limit_ms) // every_ms + 1) * every_ms

    warning_ms = hold.started_ms + batch.procedure.hold_warning_ms
    limit_ms = hold.started_ms + batch.procedure.hold_limit_ms
    if hold.past and hold.repeat_ms is not None:
        yield hold.repeat_ms, repeat
    elif hold.warned:
        yield limit_ms, past
    else:
        yield warning_ms, warn
