"""The things at the station and how they stand: shift, vats, batches, checks, holds. Values and simple questions only.

A thing's `id` is the number of the journal entry that made it, so the same history always gives the same ids.
What changes these values is all in `recorder/core/station.py`.
"""

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from recorder.core.effects import Alert
from recorder.core.events import Intent, Reading
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


@dataclass(frozen=True, slots=True)
class Shift:
    id: int
    cook: int
    """The cook's number; there are no names."""
    started_ms: int
    ended_ms: int | None = None
    left_open: str = ""
    """What was still open at its end, in words."""


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
class ProbeCheck:
    """The needle itself under test, in ice or in boiling water."""

    id: int
    how: str
    """One of `meanings.PROBE_CHECKS`."""
    opened_ms: int
    due_c: float
    """What an accurate needle would show."""
    tolerance_c: float
    unit: str
    """ "F" or "C": the scale in use, whose tolerance it is."""
    verdict: Verdict = Verdict.OPEN
    """`OPEN`, `PASSED`, `FAILED` or `NO_READING`."""
    closed_ms: int | None = None
    temp_c: float | None = None
    uncertainty_c: float | None = None

    @property
    def offset_c(self) -> float | None:
        """How much too high the needle shows."""
        return None if self.temp_c is None else self.temp_c - self.due_c


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
        return sum(1 for check in self._fresh() if check.verdict in (Verdict.BELOW_TARGET, Verdict.BELOW_CRITICAL))

    @property
    def proven(self) -> bool:
        """Enough fresh checks passed and none of them failed."""
        return self.failed == 0 and self.passed >= self.procedure.checks_per_batch

    def _fresh(self) -> tuple[Check, ...]:
        return tuple(check for check in self.checks if check.round == self.round)

    def _counts(self, check: Check) -> bool:
        return check.source == "probe" or self.procedure.spoken_readings_prove


@dataclass(frozen=True, slots=True)
class OilRecord:
    id: int
    vat: int
    what: str
    """One of the oil meanings."""
    at_ms: int
    shift: int | None
    oil_c: float | None
    percent: float | None = None
    """Total polar compounds, where they are what was recorded."""
    hours: float | None = None
    """Hours since the same was last recorded of this vat, where it is care of the oil."""
    batches: int | None = None
    """Batches in that time."""


@dataclass(frozen=True, slots=True)
class Care:
    """The last time that a vat's oil was filtered or changed."""

    vat: int
    what: str
    """`meanings.OIL_FILTERED` or `OIL_CHANGED`."""
    at_ms: int
    batches_ms: tuple[int, ...] = ()
    """When batches were begun in it since."""


@dataclass(frozen=True, slots=True)
class Recovery:
    """Oil on its way back after a load."""

    id: int
    """Of the load."""
    vat: int
    batch: int
    """The batch's number."""
    unit: str
    back_c: float
    """Where it is back."""
    course: tuple[tuple[int, float], ...]
    """ms and °C, from the load on."""
    seconds: float | None = None
    """How long it took; None until it is back."""


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest temperature of a channel."""

    temp_c: float
    at_ms: int
    settled: bool


@dataclass(frozen=True, slots=True)
class Spot:
    """A resting place of the needle."""

    reading: Reading
    """Its newest settled reading."""
    since_ms: int
    """When the needle was first seen at rest there."""


@dataclass(frozen=True, slots=True)
class Question:
    """A command that waits for "confirm"."""

    intent: Intent
    until_ms: int
    unproven: int | None = None
    """Id of the batch that would be held unproven; None where only the procedure's `ask_first` makes it wait."""


@dataclass(frozen=True, slots=True)
class World:
    """Everything that a struck command can take back."""

    station: str = ""
    vats: tuple[int, ...] = ()
    procedure: Procedure | None = None
    shift: Shift | None = None
    batches: tuple[Batch, ...] = ()
    """All that are not closed, in the order of their numbers, and those closed by the newest event."""
    next_batch: int = 1
    oil: tuple[OilRecord, ...] = ()
    """The newest record of each vat."""
    alerts: tuple[Alert, ...] = ()
    """All that have not ended, and those ended by the newest event."""
    question: Question | None = None
    latest: dict[str, Latest] = field(default_factory=dict)
    """By channel; replaced, never changed in place."""
    spots: tuple[Spot, ...] = ()
    """Where the needle lately rested, the newest last; none that was taken for a check but the newest."""
    spot_used: int = 0
    """The newest resting place that was taken for a check."""
    probe_check: ProbeCheck | None = None
    """The newest one."""
    probe_read: ProbeCheck | None = None
    """The newest one that was read."""
    probe_passed_ms: int | None = None
    """When the needle last passed."""
    care: tuple[Care, ...] = ()
    """By vat and kind of care."""
    recoveries: tuple[Recovery, ...] = ()
    """The newest of each vat that is on its way or just back."""
    recovered_s: tuple[tuple[int, tuple[float, ...]], ...] = ()
    """By vat: how long its oil took, oldest first."""
    means: tuple[tuple[str, tuple[float, ...]], ...] = ()
    """By part: the means of the first checks of its batches, °C, oldest first."""
    checked: tuple[tuple[float, ...], ...] = ()
    """The first checks of the last batches, °C, oldest first."""
    backs: tuple[tuple[str, int], ...] = ()
    """Channels that were lost and give temperatures again, and since when."""
    charges: tuple[tuple[str, int], ...] = ()
    """By channel: how full its probe's battery last was, in percent."""
    rules: int = 1
    """See `events.RULES`."""
    boot_id: str | None = None
    wall_known: bool = True

    def batch(self, batch_id: int) -> Batch:
        """The batch with this id; raises StopIteration when there is none."""
        return next(batch for batch in self.batches if batch.id == batch_id)

    def with_batch(self, batch_id: int, **changes: Any) -> "World":
        """This world with the fields of one batch changed."""
        batches = tuple(replace(batch, **changes) if batch.id == batch_id else batch for batch in self.batches)
        return replace(self, batches=batches)

    def open_check(self) -> tuple[Batch, Check] | None:
        """The check that waits for a reading, with its batch; there is one needle, so there is one at most."""
        for batch in self.batches:
            if batch.checks and batch.checks[-1].verdict is Verdict.OPEN:
                return batch, batch.checks[-1]
        return None
