"""Pieces that wait: raw ones in the vat, cooked ones outside oil and hot holding, and those that go back."""

from dataclasses import dataclass

from recorder.core.batch import Batch, Stage


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
            return Wait(batch.cooks[-1].id, batch.open_since_ms, procedure.open_wait_ms)
        case Stage.RETURNED:
            return Wait(batch.corrections[-1].id, batch.corrections[-1].at_ms, procedure.returned_wait_ms)
        case _:
            return None


def raw_since_ms(batch: Batch) -> int | None:
    """When its first raw pieces went in, also by a load that was struck."""
    loaded = [load.at_ms for load in batch.loads[:1]]
    return min([*loaded, *([batch.first_load_ms] if batch.first_load_ms is not None else [])], default=None)
