"""One batch and all that belongs to it: loads, cooks, checks, corrections, the hold. Values and simple questions only.

A thing's `id` is the number of the journal entry that made it, so the same history always gives the same ids.
What changes these values is all in `recorder/core/rules_1_to_4/station.py` and the rooms that it calls.
"""

from dataclasses import dataclass
from enum import StrEnum

from recorder.core.procedure import Procedure


class Stage(StrEnum):
    """Where a batch is."""

    LOADING = "loading"
    COOKING = "cooking"
    CHECKING = "checking"
    """The lid is open and the pieces are being checked."""
    RETURNED = "returned"
    """To be cooked more; the lid is not locked yet."""
    HOLDING = "holding"
    CLOSED = "closed"


class Verdict(StrEnum):
    """What became of a check."""

    OPEN = "open"
    PASSED = "passed"
    BELOW_TARGET = "below target"
    BELOW_CRITICAL = "below critical limit"
    NO_READING = "no reading"
    FAILED = "failed"
    """Of a probe check."""


MISSED = (Verdict.BELOW_TARGET, Verdict.BELOW_CRITICAL)
"""What a check that was read can have failed by."""


@dataclass(frozen=True, slots=True)
class Load:
    """Pieces of one part that went into the vat."""

    id: int
    part: str
    pieces: int | None
    at_ms: int
    oil_c: float | None
    """The oil's temperature at that moment, if the vat's probe gave one."""
    out_of_order: bool
    over_capacity: bool


@dataclass(frozen=True, slots=True)
class Cook:
    """One stretch under a locked lid."""

    id: int
    locked_ms: int
    opened_ms: int | None = None
    short: bool = False
    overdue: bool = False
    time_proven: bool = True
    """False when the recorder cannot vouch for its length."""
    called: bool = False
    """Whether the planned time was called out."""


@dataclass(frozen=True, slots=True)
class Check:
    """One piece under the probe."""

    id: int
    part: str | None
    """None for a spoken temperature of an unnamed piece."""
    round: int
    """0 after the first cook, 1 after the first correction, ..."""
    opened_ms: int
    verdict: Verdict = Verdict.OPEN
    closed_ms: int | None = None
    temp_c: float | None = None
    source: str | None = None
    """ "probe" or "spoken"."""
    uncertainty_c: float | None = None
    """Half of the 95 % interval of `temp_c`, for one from the probe."""
    settle_ms: int | None = None
    """How long the needle took to settle."""
    probe_check: int | None = None
    """Id of the needle's last check that was read, before this one."""
    probe_was: str | None = None
    """How the needle stood by then: "passed", "failed", "overdue" or "unchecked"."""


@dataclass(frozen=True, slots=True)
class Correction:
    """The batch went back into the oil."""

    id: int
    at_ms: int
    why: str


@dataclass(frozen=True, slots=True)
class Hold:
    """Hot holding, from its start to its end."""

    id: int
    started_ms: int
    proven: bool
    """Whether the batch was proven done when it went into holding."""
    time_proven: bool = True
    warned: bool = False
    past: bool = False
    repeat_ms: int | None = None
    """When the manager is told again that it is past its limit."""
    ended_ms: int | None = None
    outcome: str | None = None
    """ "sold" or "discarded"."""


@dataclass(frozen=True, slots=True)
class Batch:
    id: int
    number: int
    vat: int
    shift: int | None
    """Id of the shift that opened it."""
    procedure: Procedure
    started_ms: int
    stage: Stage = Stage.LOADING
    loads: tuple[Load, ...] = ()
    cooks: tuple[Cook, ...] = ()
    checks: tuple[Check, ...] = ()
    corrections: tuple[Correction, ...] = ()
    hold: Hold | None = None
    closed_ms: int | None = None
    outcome: str | None = None
    """ "sold" or "discarded"."""
    discarded_pieces: int | None = None
    bound_c: float | None = None
    """The lower tolerance bound by its own first checks; None while they say nothing. See `thermal/sampling.py`."""
    pooled_bound_c: float | None = None
    """The same with the spread within earlier batches."""

    @property
    def open_check(self) -> Check | None:
        """Its check that waits for a reading."""
        return self.checks[-1] if self.checks and self.checks[-1].verdict is Verdict.OPEN else None

    @property
    def round(self) -> int:
        """How often it was sent back to cook more."""
        return len(self.corrections)

    @property
    def pieces(self) -> int:
        """Pieces loaded, as far as they were counted."""
        return sum(load.pieces or 0 for load in self.loads)

    @property
    def passed(self) -> int:
        """Passed checks of this round."""
        return sum(1 for check in self._fresh() if check.verdict is Verdict.PASSED and self._counts(check))

    @property
    def failed(self) -> int:
        """Failed checks of this round."""
        return sum(1 for check in self._fresh() if check.verdict in MISSED)

    @property
    def proven(self) -> bool:
        """Enough fresh checks passed and none of them failed."""
        return self.failed == 0 and self.passed >= self.procedure.checks_per_batch

    def _fresh(self) -> tuple[Check, ...]:
        return tuple(check for check in self.checks if check.round == self.round)

    def _counts(self, check: Check) -> bool:
        return check.source == "probe" or self.procedure.spoken_readings_prove
