"""Help by voice: "what next" and "what can I say". It says how things stand and which words fit, never what to touch.

A lid may be under pressure and oil is hot: what hands do is the equipment maker's and the kitchen's to say.
"""

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import MISSED, Batch, Stage, Verdict
from recorder.core.effects import Tone
from recorder.core.limits import listed, minutes_text
from recorder.core.sayable import ANY_TIME, sayable
from recorder.core.subject import Answer, Command, Subject
from recorder.core.world import World

URGENT = (Stage.CHECKING, Stage.RETURNED, Stage.LOADING, Stage.COOKING, Stage.HOLDING)
"""Of several batches, that one comes first in an answer which waits hardest."""


def next_words(world: World, at_ms: int) -> str:
    """What the procedure has next, for each open batch, the one that waits hardest first."""
    if world.question:
        return "Confirm is waited for."
    if world.probe_check and world.probe_check.verdict is Verdict.OPEN:
        return f"{world.probe_check.how.capitalize()}: a reading of the needle in its bath is waited for."
    said = [_next(world, batch, at_ms) for batch in _in_turn(world)]
    if not world.open_shift:
        return " ".join(["No shift is open. Shift start and the cook's number come first.", *said, *_tasks(world)])
    if not said and world.probe_passed_ms is None:
        said.append("The probe has not passed a check: ice point.")
    free = len(world.vats) - len(world.in_vats)
    start = "Batch start, with its vat," if free > 1 else "Batch start"
    if not world.in_vats and not any(batch.stage is Stage.HOLDING for batch in world.batches):
        said.append(f"Nothing is cooking. {start} comes next.")
    elif free:
        said.append("A vat is free for batch start.")
    return " ".join([*said, *_tasks(world)])


def _tasks(world: World) -> list[str]:
    """The tasks of the day that are open; those of its end only while no batch is."""
    busy = any(batch.stage is not Stage.CLOSED for batch in world.batches)
    names = [task.name for task in world.open_tasks if not (task.closing and busy)]
    return [f"Tasks open: {listed(names)}."] if names else []


def _in_turn(world: World) -> list[Batch]:
    open_ones = [batch for batch in world.batches if batch.stage is not Stage.CLOSED]
    return sorted(open_ones, key=lambda batch: (URGENT.index(batch.stage), batch.number))


def _next(world: World, batch: Batch, at_ms: int) -> str:
    name = f"Batch {batch.number}:"
    match batch.stage:
        case Stage.LOADING:
            left = [part.name for part in batch.procedure.parts if part.name not in batch.parts]
            if not batch.loads:
                return f"{name} {left[0]} comes first in the load order."
            more = f"{left[0]} is next in the load order, or " if left else ""
            return f"{name} {more}lid locked."
        case Stage.COOKING:
            frying = batch.fryings[-1]
            left_ms = frying.locked_ms + batch.planned_ms - at_ms
            if not frying.time_proven:
                return f"{name} its cook time is not known."
            if left_ms > 0:
                return f"{name} {minutes_text(left_ms)} of its cook left."
            return f"{name} its cook is {minutes_text(-left_ms)} over."
        case Stage.CHECKING:
            return f"{name} {_checking(batch)}{_waited(batch, at_ms)}"
        case Stage.RETURNED:
            return f"{name} goes back into the oil. Lid locked comes next."
        case _:
            return f"{name} {_holding(world, batch, at_ms)}"


def _checking(batch: Batch) -> str:
    if batch.open_check:
        return "a reading of the needle is waited for."
    if any(check.verdict in MISSED and not check.disputed for check in batch.fresh):
        return "a piece is below its limit. Cook more, or discard batch."
    if batch.missing:
        return f"{batch.passed} of {batch.checks_needed} checks. Probe comes next: {batch.missing}."
    return "its checks are complete. Hold start comes next."


def _waited(batch: Batch, at_ms: int) -> str:
    since_ms = batch.open_since_ms
    if since_ms is None or at_ms - since_ms < batch.procedure.open_wait_ms / 5:
        return ""
    return f" It has waited {minutes_text(at_ms - since_ms)}."


def _holding(world: World, batch: Batch, at_ms: int) -> str:
    hold = batch.hold
    assert hold
    if batch.missing:
        return f"is held, and its checks are not complete: {batch.missing}. Probe, cook more, or discard batch."
    left_ms = hold.counted_ms + batch.procedure.hold_limit_ms - at_ms
    left = f"{batch.pieces_left} pieces left" if batch.pieces_left is not None else "its pieces are not counted"
    if world.rules >= 7 and _too_cold(world, batch):  # no word of a sale while nobody knows that it is safe
        return f"is held too cold, {left}. Probe, cook more, or discard batch."
    if not hold.time_proven:
        return f"its hold time is not known, {left}. Sold, or discard batch."
    if left_ms > 0:
        return f"{minutes_text(left_ms)} of its hold left, {left}. Sold, or hold end."
    return f"{minutes_text(-left_ms)} over its hold, {left}. Sold asks first; discard batch."


def _too_cold(world: World, batch: Batch) -> bool:
    """Whether an open alert says so of its cabinet or of its food."""
    still = [alert for alert in world.alerts if alert.ended_ms is None]
    cabinets = (str(dict(alert.numbers)["batches"]).split() for alert in still if alert.kind == alerts.HOLD_COLD)
    food = any(alert.kind == alerts.FOOD_COLD and alert.batch == batch.number for alert in still)
    return food or any(str(batch.number) in named for named in cabinets)


def _what_next(world: World, command: Command) -> Answer:
    return Answer(world, "answered", Tone.ANSWER, next_words(world, command.now.at_ms))


def _can_say(world: World, _: Command) -> Answer:
    """A lid may be under pressure: its word names what was done."""
    words = ["lid open, once it is" if word == m.LID_OPEN else word for word in sayable(world)]
    return Answer(
        world, "answered", Tone.ANSWER, f"Words that fit now: {listed(words)}. At any time: {listed(ANY_TIME)}."
    )


SUBJECT = Subject(commands={m.WHAT_NEXT: _what_next, m.CAN_SAY: _can_say})
