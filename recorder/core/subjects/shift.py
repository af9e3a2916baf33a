"""Shifts: who cooks from when to when, and what was still open at the end."""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.batch import Stage
from recorder.core.effects import Tone
from recorder.core.subject import Answer, Command, Refusal, Row, Subject, done
from recorder.core.world import Shift, World


def _start(world: World, command: Command) -> Answer:
    cook = command.intent.cook
    if world.open_shift:
        raise Refusal(f"the shift of cook {world.open_shift.cook} is open; say shift end first")
    if cook is None:
        raise Refusal("say the cook's number")
    world = replace(world, shift=Shift(command.now.seq, cook, command.now.at_ms), next_batch=1)
    return done(world, f"Shift started, cook {cook}.")


def _end(world: World, command: Command) -> Answer:
    shift = world.open_shift
    if shift is None:
        raise Refusal("no shift is open")
    if command.intent.cook not in (None, shift.cook):
        raise Refusal(f"the open shift is cook {shift.cook}'s")
    left = [f"batch {batch.number} {batch.stage.value}" for batch in world.batches if batch.stage is not Stage.CLOSED]
    left += [f"task {task.name}" for task in world.open_tasks]
    still = ", ".join(left)
    world = replace(world, shift=replace(shift, ended_ms=command.now.at_ms, left_open=still))
    unanswered = sum(alert.ended_ms is None for alert in world.alerts)
    if left:
        return done(world, f"Shift ended, cook {shift.cook}. Still open: {still}.", Tone.ALERT)
    if unanswered:
        return done(world, f"Shift ended, cook {shift.cook}. No batch is open. Alerts open: {unanswered}.", Tone.ALERT)
    return done(world, f"Shift ended, cook {shift.cook}. Nothing is open.")


def _rows(world: World, other: World) -> Iterator[Row]:
    shift = world.shift
    if shift is not None and shift is not other.shift:
        yield (
            ("shifts", shift.id),
            (
                ("cook", shift.cook),
                ("started_ms", shift.started_ms),
                ("ended_ms", shift.ended_ms),
                ("left_open", shift.left_open),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(commands={m.SHIFT_START: _start, m.SHIFT_END: _end}, rows=_rows)
