"""Which command leads a batch from which stage to which. The diagram in DEVELOPERS.md is made from this table."""

from dataclasses import dataclass

from recorder.core import meanings as m
from recorder.core.batch import IN_VAT, Stage

OPEN = (*IN_VAT, Stage.HOLDING)


@dataclass(frozen=True, slots=True)
class Transition:
    """What a command means for the stage of the batch that it is said of."""

    stages: tuple[Stage, ...]
    """Where the batch is that is meant."""
    to: Stage | None = None
    """Where it leads; None where the batch stays."""
    otherwise: tuple[Stage, ...] = ()
    """Where the batch is that is meant if none is in `stages`."""
    when: str = ""
    """When it leads there; until then the batch stays."""
    otherwise_as: str = ""
    """What more is so of `otherwise`."""


LAST = "the last piece"

TRANSITIONS = {
    m.BATCH_START: Transition((), Stage.LOADING),
    m.LOAD: Transition((Stage.LOADING,), otherwise=(Stage.COOKING, Stage.CHECKING), otherwise_as="said late"),
    m.LID_LOCKED: Transition((Stage.LOADING, Stage.RETURNED), Stage.COOKING),
    m.LID_OPEN: Transition((Stage.COOKING,), Stage.CHECKING, (Stage.LOADING, Stage.RETURNED), otherwise_as="confirmed"),
    m.PROBE: Transition((Stage.CHECKING,), otherwise=(Stage.HOLDING,)),
    m.READING: Transition((Stage.CHECKING,), otherwise=(Stage.HOLDING,)),
    m.COOK_MORE: Transition((Stage.CHECKING,), Stage.RETURNED, (Stage.HOLDING,)),
    m.HOLD_START: Transition((Stage.CHECKING,), Stage.HOLDING),
    m.HOLD_END: Transition((Stage.HOLDING,), Stage.CLOSED, when=LAST),
    m.MOVED: Transition((Stage.HOLDING,)),
    m.SOLD: Transition((Stage.HOLDING,), Stage.CLOSED, when=LAST),
    m.DROPPED: Transition(OPEN, Stage.CLOSED, when=LAST),
    m.DISCARD: Transition(OPEN, Stage.CLOSED, when=LAST),
}
"""By meaning; a command that is not here has nothing to do with the stage of a batch."""


def leads_to(meaning: str) -> Stage:
    """The stage that a command leads to."""
    stage = TRANSITIONS[meaning].to
    assert stage
    return stage
