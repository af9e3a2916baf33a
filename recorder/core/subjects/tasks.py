"""Tasks of the day: what the kitchen has to do when it opens and when it closes, and what was not done by its time.

A day begins with the first shift after a break. What stands open at a shift's end goes on into the next shift.
"""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.duties import DayTask
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.limits import lasting
from recorder.core.own_words import OPENING
from recorder.core.subject import Answer, Change, Command, Moment, Refusal, Row, Subject, Timer, done
from recorder.core.world import Shift, World

BREAK_MS = 4 * 3_600_000
"""A shift that begins so long after the one before begins a new day (common practice, no source)."""

DAY_MS = 20 * 3_600_000
"""So does one that begins so long after its day did, in a kitchen that never closes (common practice, no source)."""


def _after(before: World, world: World, now: Moment) -> Change:
    """What a shift that begins or ends means for the tasks."""
    was, shift = before.shift, world.shift
    if shift is None or shift is was:
        return world, ()
    if shift.id == now.seq:
        return (_new_day(world, shift) if _rested(was, world, now.at_ms) else _due(world, None)), ()
    if was and was.id == shift.id and was.ended_ms is None and shift.ended_ms is not None:
        return _due(world, shift.ended_ms), ()
    return world, ()


def _rested(was: Shift | None, world: World, at_ms: int) -> bool:
    """Whether a shift that begins now begins a day."""
    if was is None or was.ended_ms is None or not world.tasks:
        return True
    return at_ms - was.ended_ms >= BREAK_MS or at_ms - world.tasks[0].begun_ms >= DAY_MS


def _new_day(world: World, shift: Shift) -> World:
    own = world.procedure.own.tasks if world.procedure else ()
    tasks = []
    for place, task in enumerate(own, 1):
        due_ms = shift.started_ms + task.by_ms if task.when == OPENING else None
        tasks.append(
            DayTask(f"{shift.id}-{place}", shift.id, task.name, task.when, shift.started_ms, task.by_ms, due_ms)
        )
    return replace(world, tasks=tuple(tasks)) if tasks or world.tasks else world


def _due(world: World, ended_ms: int | None) -> World:
    """The closing tasks wait from `ended_ms` on; with None a shift is open, and they have time."""
    return _changed(
        world,
        tuple(
            replace(task, due_ms=None if ended_ms is None else ended_ms + task.by_ms)
            if task.closing and task.done_ms is None and not task.missed
            else task
            for task in world.tasks
        ),
    )


def _changed(world: World, tasks: tuple[DayTask, ...]) -> World:
    return world if tasks == world.tasks else replace(world, tasks=tasks)


def _with(world: World, task: DayTask) -> World:
    return _changed(world, tuple(task if each.id == task.id else each for each in world.tasks))


def _timers(world: World) -> Iterator[Timer]:
    for task in world.open_tasks:
        if task.due_ms is not None and not task.missed:
            yield task.due_ms, partial(_missed, task, task.due_ms)


def _missed(task: DayTask, due_ms: int, world: World, _: int) -> Change:
    world = alerts.raised(_with(world, replace(task, missed=True)), _not_done(task, due_ms))
    return world, (Cue(Tone.ALERT, f"Task {task.name} is not done."),)


def _not_done(task: DayTask, due_ms: int) -> Alert:
    since = "the day's last shift ended" if task.closing else "the day's first shift began"
    return alerts.made(
        alerts.TASK_NOT_DONE,
        task.id,
        f"Task {task.name}, {task.when}: not done {lasting(task.by_ms)} after {since}. Done late it goes on"
        " record as late.",
        due_ms,
        limit_seconds=task.by_ms / 1000,
    )


def _done(world: World, command: Command) -> Answer:
    name, now = command.intent.task, command.now
    if name is None:
        raise Refusal("say which task")
    if not world.tasks:
        raise Refusal("no task waits; they begin with the day's first shift")
    task = next((each for each in world.tasks if each.name == name), None)
    if task is None:
        raise Refusal(f"this day has no task {name!r}")
    if task.done_ms is not None:
        raise Refusal(f"task {name} is done already")
    cook = world.open_shift.cook if world.open_shift else None
    world = _with(world, replace(task, done_ms=now.at_ms, cook=cook))
    if not task.missed:
        return done(world, f"Task {name} done.")
    world = alerts.ended(
        world, now.at_ms, "done late", (alerts.TASK_NOT_DONE,), id=alerts.alert_id(task.id, alerts.TASK_NOT_DONE)
    )
    return done(world, f"Task {name} done, late.")


def _rows(world: World, other: World) -> Iterator[Row]:
    for task in world.tasks if world.tasks is not other.tasks else ():
        yield (
            ("tasks", task.id),
            (
                ("shift", task.shift),
                ("task", task.name),
                ("part_of_day", task.when),
                ("begun_ms", task.begun_ms),
                ("due_ms", task.due_ms),
                ("done_ms", task.done_ms),
                ("cook", task.cook),
                ("missed", int(task.missed)),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(commands={m.TASK_DONE: _done}, timers=_timers, after=_after, rows=_rows)
