"""The station and how it stands: shift, vats, batches, the needle, what is open. Values and simple questions only.

A thing's `id` is the number of the journal entry that made it, as in `batch.py`. What changes these values is all in
`recorder/core/subjects/`.
"""

from dataclasses import dataclass, field, replace
from typing import Any

from recorder.core.batch import IN_VAT, Batch, Check, Verdict
from recorder.core.duties import CorrectiveAction, DayTask, Deviation, Prompted
from recorder.core.effects import Alert
from recorder.core.events import RULES, Reading
from recorder.core.meanings import Intent
from recorder.core.own_words import SHIFT_END
from recorder.core.procedure import Procedure

FRESH_MS = 60_000
"""A vat's or cabinet's reading older than this says nothing about now."""


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift of one cook."""

    id: int
    cook: int
    """The cook's number; there are no names."""
    started_ms: int
    ended_ms: int | None = None
    left_open: str = ""
    """What was still open at its end, in words."""
    handed_to: int | None = None
    """The number of the cook who went on with that."""
    prompts: tuple[Prompted, ...] = ()
    """The kitchen's prompts that were said at its start and its end."""

    @property
    def waiting_prompts(self) -> tuple[Prompted, ...]:
        """Its prompts that wait for "prompt done": one of its start no longer than until its end."""
        over = self.ended_ms is not None
        return tuple(
            each for each in self.prompts if each.asks and each.done_ms is None and over == (each.moment == SHIFT_END)
        )


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
    doubts: tuple[int, ...] = ()
    """Of a failed one: the ids of the checks that the needle gave since it last passed."""
    spoke_for: tuple[tuple[int, int, str], ...] = ()
    """Of a passed one: what the thermometer had given since the one before; as in `World.unverified`."""
    disputed: str | None = None
    """Who took it back, and when: what was read stays on record all the same."""

    @property
    def offset_c(self) -> float | None:
        """How much too high the needle shows."""
        return None if self.temp_c is None else self.temp_c - self.due_c


@dataclass(frozen=True, slots=True)
class RawTime:
    """Raw food out of the cooler, from "raw out" until it is back or in the oil."""

    id: int
    part: str
    pieces: int | None
    """Taken out, where they were counted."""
    left: int | None
    """Of these neither back nor in a vat."""
    out_ms: int
    shift: int | None
    lot: str = ""
    """Digits of its lot or date code, as they were said."""
    warned: bool = False
    """Whether it is out for longer than the kitchen lets it,"""
    past: bool = False
    """or than food may be without temperature control."""
    time_proven: bool = True
    ended_ms: int | None = None
    outcome: str | None = None
    """ "back" or "loaded", by what became of the last of it."""


@dataclass(frozen=True, slots=True)
class RawCheck:
    """Raw food under the probe: whether it is cold."""

    id: int
    part: str
    opened_ms: int
    unit: str
    shift: int | None
    raw_time: int | None
    """Id of the food of this part that was out longest by then."""
    verdict: Verdict = Verdict.OPEN
    """`OPEN`, `PASSED`, `ABOVE_COLD` or `NO_READING`."""
    closed_ms: int | None = None
    temp_c: float | None = None
    uncertainty_c: float | None = None
    probe_check: int | None = None
    """Id of the needle's last check that was read, before this one."""
    probe_was: str | None = None
    disputed: str | None = None
    doubted: bool = False
    """The needle failed the check of itself that came after this."""
    until_ms: int | None = None
    """When words asked for a reading of something else."""


@dataclass(frozen=True, slots=True)
class Breading:
    """What was done at the breading station."""

    id: int
    what: str
    """One of `meanings.BREADING`."""
    at_ms: int
    shift: int | None
    hours: float | None = None
    """How long the breading was in use by then, where that is known."""
    time_known: bool = True
    """False once nobody knows how long ago this was."""


@dataclass(frozen=True, slots=True)
class Stood:
    """How the needle stood before its newest check was read: so it stands again where that is taken back."""

    check: ProbeCheck | None
    """The one that was read before, and was not taken back as a pass."""
    passed_ms: int | None


@dataclass(frozen=True, slots=True)
class OilRecord:
    """What was said of the oil of one vat."""

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
    despite: str = ""
    """What stood against it, in words, where the oil was said to be ready all the same."""


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
class Owner:
    """Whose resting place the newest one is: only that check may be judged by a colder spot."""

    spot: int
    check: int
    """Its id."""
    batch: int | None
    """Id of its batch; None for a check of the probe itself, or of raw food."""
    until_ms: int
    """So long the cook may look for a colder spot."""
    same_until_ms: int = 0
    """So long a lower reading of the same spot is the piece's: later the piece itself may have cooled."""
    through: int = 0
    """The newest spot that the needle went on to without words and found no colder; 0 for none."""

    def goes_on_to(self, spot: int) -> bool:
        """Whether `spot` comes next, as far as settled spots tell."""
        return self.spot < spot <= max(self.spot, self.through) + 1


@dataclass(frozen=True, slots=True)
class Cabinet:
    """How long hot holding has been too cold, or warm again."""

    below: bool
    """Whether it is below its minimum,"""
    warm: bool
    """or clearly above it."""
    since_ms: int
    """The first reading of this stretch on this side."""
    last_ms: int
    """The newest one,"""
    temp_c: float
    """and what it read."""
    low_c: float
    high_c: float
    """The lowest and the highest of this stretch."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A resting place of the needle."""

    reading: Reading
    """Its newest settled reading."""
    since_ms: int
    """When the needle was first seen at rest there."""
    media: tuple[str, ...] = ()
    """By what its readings ruled out that it is a piece."""


@dataclass(frozen=True, slots=True)
class Question:
    """A command that waits for "confirm"."""

    intent: Intent
    until_ms: int
    because: str = ""
    """The deviation that would be put on record; "" where only the procedure's `ask_first` makes it wait."""


@dataclass(frozen=True, slots=True)
class World:
    """Everything that a struck command can take back."""

    station: str = ""
    vats: tuple[int, ...] = ()
    cabinets: tuple[int, ...] = ()
    """The numbers of its hot-holding cabinets; () for one without a number."""
    procedure: Procedure | None = None
    """In force, of the product that a batch is of where none is named."""
    others: tuple[Procedure, ...] = ()
    """Those of the further products."""
    shift: Shift | None = None
    """Of the cook whose turn it is, or was last."""
    crew: tuple[Shift, ...] = ()
    """Those of the other cooks that are signed on, and of those who were signed off by the newest event."""
    batches: tuple[Batch, ...] = ()
    """All that are not closed, in the order of their numbers, and those closed lately (`Owner.until_ms`)."""
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
    owner: Owner | None = None
    """Of the newest resting place that was taken for a check."""
    strange_spot: int = 0
    """The newest resting place that was said to be in no piece."""
    probe_check: ProbeCheck | None = None
    """The newest one."""
    probe_read: ProbeCheck | None = None
    """The newest one that was read."""
    probe_unread: ProbeCheck | None = None
    """The newest one that got no reading."""
    stood: Stood | None = None
    """How the needle stood before `probe_read`."""
    probe_passed_ms: int | None = None
    """When the needle last passed."""
    unverified: tuple[tuple[int, int, str], ...] = ()
    """The checks that the needle gave since it last passed: id, batch number and part, oldest first."""
    spare: ProbeCheck | None = None
    """The newest check of another thermometer, whose readings are spoken."""
    spare_unverified: tuple[tuple[int, int, str], ...] = ()
    """The same of its readings, since it last passed."""
    closed: tuple[Batch, ...] = ()
    """Closed batches with checks that a failed thermometer would put in doubt, oldest first."""
    cabinet: Cabinet | None = None
    """Of the cabinet without a number."""
    numbered: tuple[tuple[int, Cabinet], ...] = ()
    """Of those with numbers."""
    care: tuple[Care, ...] = ()
    """By vat and kind of care."""
    low_vats: tuple[int, ...] = ()
    """Vats whose oil level was last said to be low."""
    raw: tuple[RawTime, ...] = ()
    """Raw food out of the cooler, oldest first, and what is back or loaded since the newest was taken out."""
    lots: tuple[tuple[str, str], ...] = ()
    """By part: the lot that was said last of it, since the first of the cooks signed on."""
    raw_checks: tuple[RawCheck, ...] = ()
    """The newest ones, and those that the needle gave since it last passed, oldest first."""
    breading: Breading | None = None
    """The newest record of the breading station."""
    breading_changed: Breading | None = None
    """The newest change of the breading."""
    recoveries: tuple[Recovery, ...] = ()
    """The newest of each vat that is on its way or just back."""
    recovered_s: tuple[tuple[int, tuple[float, ...]], ...] = ()
    """By vat: how long its oil took, oldest first."""
    means: tuple[tuple[str, tuple[float, ...]], ...] = ()
    """By part, with its product before it where that is a further one: the means of the first checks of its batches,
    °C, oldest first."""
    checked: tuple[tuple[float, ...], ...] = ()
    """The first checks of the last batches of the product that need not be named, °C, oldest first."""
    others_checked: tuple[tuple[str, tuple[float, ...]], ...] = ()
    """The same of the further products', with the product's name."""
    backs: tuple[tuple[str, int], ...] = ()
    """Channels that were lost and give temperatures again, and since when."""
    charges: tuple[tuple[str, int], ...] = ()
    """By channel: how full its probe's battery last was, in percent."""
    tasks: tuple[DayTask, ...] = ()
    """The tasks of this day, or of the last one."""
    deviations: tuple[Deviation, ...] = ()
    """Critical alerts of the last hours, oldest first, where the kitchen has causes or actions to name."""
    answers: tuple[CorrectiveAction, ...] = ()
    """The newest causes and corrective actions that were named."""
    rules: int = RULES
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

    def with_hold(self, batch_id: int, **changes: Any) -> "World":
        """This world with the fields of one batch's newest hold changed; raises IndexError where it has none."""
        *before, newest = self.batch(batch_id).holds
        return self.with_batch(batch_id, holds=(*before, replace(newest, **changes)))

    @property
    def unit(self) -> str:
        """ "F" or "C": the unit of the procedure in force, °C where there is none yet."""
        return self.procedure.unit if self.procedure else "C"

    @property
    def menu(self) -> tuple[Procedure, ...]:
        """The procedures of all products, the one that need not be named first."""
        return (self.procedure, *self.others) if self.procedure else ()

    @property
    def open_shift(self) -> Shift | None:
        """The shift, while it is open."""
        return self.shift if self.shift and self.shift.ended_ms is None else None

    @property
    def signed_on(self) -> tuple[Shift, ...]:
        """All open shifts, in the order in which they were begun."""
        found = [each for each in (*self.crew, self.shift) if each and each.ended_ms is None]
        return tuple(sorted(found, key=lambda each: each.id))

    @property
    def cook(self) -> int | None:
        """The number of the cook whose turn it is; None by earlier rules, which kept it for the shift alone."""
        return self.open_shift.cook if self.open_shift and self.rules >= 7 else None

    @property
    def raw_out(self) -> tuple[RawTime, ...]:
        """The raw food that is out of the cooler, oldest first."""
        return tuple(each for each in self.raw if each.ended_ms is None)

    @property
    def in_vats(self) -> dict[int, Batch]:
        """The batches that have a vat to themselves, by its number."""
        return {batch.vat: batch for batch in self.batches if batch.stage in IN_VAT}

    @property
    def open_tasks(self) -> tuple[DayTask, ...]:
        """The tasks of the day that were not done so far."""
        return tuple(task for task in self.tasks if task.done_ms is None)

    def fresh(self, channel: str, at_ms: int) -> float | None:
        """The temperature of `channel` in °C if one came lately, else None."""
        latest = self.latest.get(channel)
        return latest.temp_c if latest and at_ms - latest.at_ms <= FRESH_MS else None

    @property
    def spot_used(self) -> int:
        """The newest resting place that was taken for a check."""
        return self.owner.spot if self.owner else 0

    def open_check(self) -> tuple[Batch, Check] | None:
        """The check that waits for a reading, with its batch; there is one needle, so there is one at most."""
        for batch in self.batches:
            if check := batch.open_check:
                return batch, check
        return None
