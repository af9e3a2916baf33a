"""Pieces that wait: raw ones in the vat, cooked ones outside oil and hot holding, and those that go back."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from recorder.core import alerts
from recorder.core.batch import Batch, Stage
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.limits import minutes_text
from recorder.core.subject import Change, Subject, Timer
from recorder.core.transitions import leads_to
from recorder.core.world import World

WAITING = {
    Stage.LOADING: "raw pieces have waited in the loaded vat",
    Stage.CHECKING: "cooked pieces have waited outside the oil and hot holding",
    Stage.RETURNED: "pieces that go back have waited for the oil",
}


@dataclass(frozen=True, slots=True)
class Wait:
    """The wait that a batch is in."""

    about: int
    """Id of what it began with: a load, a cook or a correction."""
    since_ms: int
    longest_ms: int
    """How long the kitchen lets it last."""


def of(batch: Batch) -> Wait | None:
    """The wait that `batch` is in, if it is in one."""
    procedure, since_ms = batch.procedure, raw_since_ms(batch)
    match batch.stage:
        case Stage.LOADING if batch.loads and since_ms is not None:
            return Wait(batch.loads[0].id, since_ms, procedure.raw_wait_ms)
        case Stage.CHECKING if batch.open_since_ms is not None:
            return Wait(batch.fryings[-1].id, batch.open_since_ms, procedure.open_wait_ms)
        case Stage.RETURNED:
            return Wait(batch.corrections[-1].id, batch.corrections[-1].at_ms, procedure.returned_wait_ms)
        case _:
            return None


def raw_since_ms(batch: Batch) -> int | None:
    """When its first raw pieces went in, also by a load that was struck."""
    loaded = [load.at_ms for load in batch.loads[:1]]
    return min([*loaded, *([batch.first_load_ms] if batch.first_load_ms is not None else [])], default=None)


def moved(world: World, batch: Batch, meaning: str, at_ms: int, **changes: Any) -> World:
    """`batch` goes on to where the command leads: its wait is over, and kept where it was too long."""
    stage = leads_to(meaning)
    world = alerts.ended(world, at_ms, "went on", (alerts.PIECES_WAIT,), batch.number)
    waits = batch.waits
    unknown = batch.unknown_wait or (not batch.wait_known and stage is Stage.COOKING)
    if batch.waited and (wait := of(batch)):
        waits = (*waits, (batch.stage, at_ms - wait.since_ms))
    return world.with_batch(
        batch.id, stage=stage, waited=False, wait_known=True, waits=waits, unknown_wait=unknown, **changes
    )


def _timers(batch: Batch) -> Iterator[Timer]:
    wait = of(batch)
    if wait is None or batch.waited:
        return
    due_ms = wait.since_ms + wait.longest_ms

    def waited(world: World, _: int) -> Change:
        world = alerts.raised(world, _pieces_wait(batch, wait, due_ms))
        say = f"Batch {batch.number}, vat {batch.vat}: {WAITING[batch.stage]} too long."
        return world.with_batch(batch.id, waited=True), (Cue(Tone.ALERT, say),)

    yield due_ms, waited


def _pieces_wait(batch: Batch, wait: Wait, at_ms: int) -> Alert:
    return alerts.made(
        alerts.PIECES_WAIT,
        wait.about,
        f"Batch {batch.number}, vat {batch.vat}: {WAITING[batch.stage]} for {minutes_text(wait.longest_ms)}, the"
        " longest wait. See to the food.",
        at_ms,
        batch,
        seconds=wait.longest_ms / 1000,
        limit_seconds=wait.longest_ms / 1000,
        stage=batch.stage.value,
    )


SUBJECT = Subject(batch_timers=_timers)
