"""The breading station: when it was sifted and changed, and how long the breading is in use."""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.limits import lasting
from recorder.core.subject import Answer, Change, Command, Row, Subject, Timer, done, given
from recorder.core.world import Breading, World

GRACE_MS = 30 * 60_000
"""So long after a shift has begun an overdue change becomes an alert: there is time to do it first."""

HOUR_MS = 3_600_000


def _done(world: World, command: Command) -> Answer:
    what, now = command.intent.meaning, command.now
    shift = world.open_shift.id if world.open_shift else None
    used_ms = in_use_ms(world, now.at_ms)
    record = Breading(now.seq, what, now.at_ms, shift, None if used_ms is None else round(used_ms / HOUR_MS, 2))
    world, used = replace(world, breading=record), "" if used_ms is None else f" {_text(used_ms)}"
    if what == m.BREADING_SIFTED:
        return done(world, f"Breading sifted{used and f', in use{used}'}.")
    world = alerts.ended(replace(world, breading_changed=record), now.at_ms, "changed", (alerts.BREADING_OVERDUE,))
    return done(world, f"Breading changed{used and f' after{used}'}.")


def in_use_ms(world: World, at_ms: int) -> int | None:
    """How long ago the breading was changed; None where that is not known."""
    changed = world.breading_changed
    return at_ms - changed.at_ms if changed and changed.time_known else None


def in_use(world: World, at_ms: int) -> str:
    """For "status": "Breading in use 2 h 10 min."; "" where nothing was ever said of it."""
    if world.breading is None:
        return ""
    used_ms = in_use_ms(world, at_ms)
    return (
        "How long the breading has been in use is not known."
        if used_ms is None
        else f"Breading in use {_text(used_ms)}."
    )


def reset_timing(world: World) -> World:
    """Nobody knows how much time has passed, nor how long ago the breading was changed."""
    changed = world.breading_changed
    return replace(world, breading_changed=replace(changed, time_known=False)) if changed else world


def _text(ms: int) -> str:
    hours, minutes = divmod(ms // 60_000, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def _every_ms(world: World) -> int | None:
    """How often it is changed: there is one station for all products, so the shortest counts."""
    return min((each.breading_every_ms for each in world.menu if each.breading_every_ms is not None), default=None)


def _timers(world: World) -> Iterator[Timer]:
    """Its change is overdue, once, while a shift is open and the procedure says how often it is changed."""
    every_ms = _every_ms(world)
    shift, changed = world.open_shift, world.breading_changed
    if every_ms is None or shift is None or alerts.is_open(world, alerts.BREADING_OVERDUE):
        return
    if changed and changed.time_known:
        yield max(shift.started_ms + GRACE_MS, changed.at_ms + every_ms), _overdue
    elif changed is None or shift.id > changed.id:
        yield shift.started_ms + every_ms, _overdue
    else:
        yield changed.at_ms + every_ms, _overdue


def _overdue(world: World, at_ms: int) -> Change:
    every_ms = _every_ms(world)
    assert world.shift and every_ms
    about = world.breading_changed.id if world.breading_changed else world.shift.id
    used_ms = in_use_ms(world, at_ms)
    world = alerts.raised(world, _change_overdue(about, every_ms, used_ms, at_ms))
    return world, (Cue(Tone.ALERT, "The change of the breading is overdue."),)


def _change_overdue(about: int, every_ms: int, used_ms: int | None, at_ms: int) -> Alert:
    used = (
        "has been in use for a time that is not on record"
        if used_ms is None
        else f"has been in use for {_text(used_ms)}"
    )
    return alerts.made(
        alerts.BREADING_OVERDUE,
        about,
        f"The breading {used}; the kitchen changes it every {lasting(every_ms)}. Change it.",
        at_ms,
        limit_seconds=every_ms / 1000,
    )


def _rows(world: World, other: World) -> Iterator[Row]:
    if world.breading and world.breading is not other.breading:
        each = world.breading
        yield (
            ("breading", each.id),
            (
                ("what", each.what),
                ("at_ms", each.at_ms),
                ("shift", each.shift),
                *given(hours_in_use=each.hours),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(commands=dict.fromkeys(m.BREADING, _done), timers=_timers, rows=_rows)
