"""Shifts: who cooks from when to when, whose turn it is where several do, and what was still open at the end.

There are no voices to know people by. The turn is that of the cook who was named last: by signing on, or by "this is
cook two".
"""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Stage
from recorder.core.effects import Tone
from recorder.core.limits import listed
from recorder.core.subject import Answer, Command, Refusal, Row, Subject, done, given
from recorder.core.subjects import raw
from recorder.core.world import Shift, World


def _start(world: World, command: Command) -> Answer:
    cook, others = command.intent.cook, world.signed_on
    if world.open_shift and world.rules < 7:
        raise Refusal(f"the shift of cook {world.open_shift.cook} is open; say shift end first")
    if cook is None:
        raise Refusal("say the cook's number")
    if cook in [each.cook for each in others]:
        raise Refusal(f"cook {cook} is signed on already")
    shift = Shift(command.now.seq, cook, command.now.at_ms)
    world = replace(world, shift=shift, crew=others)
    if not others:  # the first of a new crew: yesterday's lots say nothing of today's food
        world = replace(world, next_batch=1, lots=())
    also = f" Signed on too: {_cooks(others)}." if others else ""
    return done(world, f"Shift started, cook {cook}.{also}")


def _turn(world: World, command: Command) -> Answer:
    """Another of the cooks who are signed on speaks from now on."""
    if command.intent.cook is None:
        raise Refusal("say the cook's number")
    shift = _of(world, command.intent.cook)
    others = tuple(each for each in world.signed_on if each is not shift)
    return done(replace(world, shift=shift, crew=others), f"Cook {shift.cook}.")


def _end(world: World, command: Command) -> Answer:
    if world.open_shift is None:
        raise Refusal("no shift is open")
    cook, known = command.intent.cook, world.signed_on
    if len(known) == 1 and cook not in (None, known[0].cook):
        raise Refusal(f"the open shift is cook {known[0].cook}'s")
    if len(known) > 1 and cook is None:
        raise Refusal("say which cook: " + " or ".join(str(each.cook) for each in known))
    shift = known[0] if cook is None else _of(world, cook)
    others = [each for each in known if each is not shift]
    if others:
        return _handed_over(world, shift, others, command.now.at_ms)
    left = [f"batch {batch.number} {batch.stage.value}" for batch in world.batches if batch.stage is not Stage.CLOSED]
    left += raw.still_out(world)
    left += [f"task {task.name}" for task in world.open_tasks]
    still = ", ".join(left)
    world = replace(world, shift=replace(shift, ended_ms=command.now.at_ms, left_open=still))
    if left:
        return done(world, f"Shift ended, cook {shift.cook}. Still open: {still}.", Tone.ALERT)
    if any(alert.ended_ms is None for alert in world.alerts):
        alerts_open = f"Alerts open: {alerts.names(world)}."
        return done(world, f"Shift ended, cook {shift.cook}. No batch is open. {alerts_open}", Tone.ALERT)
    return done(world, f"Shift ended, cook {shift.cook}. Nothing is open.")


def _handed_over(world: World, shift: Shift, others: list[Shift], at_ms: int) -> Answer:
    """One cook of several goes: what no other one began goes on with the cook whose turn it is then."""
    theirs = {each.id for each in others}
    mine = [batch for batch in world.batches if batch.stage is not Stage.CLOSED and batch.shift not in theirs]
    heir = world.open_shift if world.open_shift in others else others[-1]
    assert heir
    still = ", ".join(f"batch {batch.number} {batch.stage.value}" for batch in mine)
    ended = replace(shift, ended_ms=at_ms, left_open=still, handed_to=heir.cook if mine else None)
    world = replace(world, shift=heir, crew=(*(each for each in others if each is not heir), ended))
    handed = f" {still[0].upper()}{still[1:]}: with cook {heir.cook} now." if mine else ""
    return done(world, f"Shift ended, cook {shift.cook}.{handed} Signed on: {_cooks(others)}.")


def _of(world: World, cook: int) -> Shift:
    shift = next((each for each in world.signed_on if each.cook == cook), None)
    if shift is None:
        raise Refusal(f"cook {cook} is not signed on; say shift start first")
    return shift


def _cooks(shifts: tuple[Shift, ...] | list[Shift]) -> str:
    return f"cook{'s' * (len(shifts) > 1)} {listed([str(each.cook) for each in shifts])}"


def _rows(world: World, other: World) -> Iterator[Row]:
    shown = {id(each) for each in (other.shift, *other.crew)}
    for shift in (world.shift, *world.crew):
        if shift is not None and id(shift) not in shown:
            yield (
                ("shifts", shift.id),
                (
                    ("cook", shift.cook),
                    ("started_ms", shift.started_ms),
                    ("ended_ms", shift.ended_ms),
                    ("left_open", shift.left_open),
                    *given(handed_to=shift.handed_to),
                    ("struck", 0),
                ),
            )


SUBJECT = Subject(commands={m.SHIFT_START: _start, m.SHIFT_END: _end, m.THIS_IS_COOK: _turn}, rows=_rows)
