"""One batch and all that belongs to it: loads, cooks, checks, corrections, the hold. Values and simple questions only.

A thing's `id` is the number of the journal entry that made it. What changes these values is in `subjects/`.
"""

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum

from recorder.core.duties import Prompted
from recorder.core.effects import Alert
from recorder.core.limits import listed
from recorder.core.procedure import BY_TIME, Procedure


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


IN_VAT = (Stage.LOADING, Stage.COOKING, Stage.CHECKING, Stage.RETURNED)
"""Stages in which a batch has its vat to itself."""


class Verdict(StrEnum):
    """What became of a check."""

    OPEN = "open"
    PASSED = "passed"
    BELOW_TARGET = "below target"
    BELOW_CRITICAL = "below critical limit"
    BELOW_HOLD = "below hold minimum"
    """Of food in hot holding."""
    NOT_LONG_ENOUGH = "not long enough"
    """Hot enough, but not seen so for as long as its critical limit asks for."""
    ABOVE_COLD = "above cold limit"
    """Of raw food."""
    NO_READING = "no reading"
    FAILED = "failed"
    """Of a probe check."""


PASSED, FAILED, OVERDUE, UNCHECKED, SPARE_PASSED = "passed", "failed", "overdue", "unchecked", "spare passed"
"""How the thermometer of a check stands; the last is another one than the needle, that passed a check of its own."""

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
    said_late: bool = False
    """Said only after the lid was locked."""
    lot: str = ""
    """The lot that its raw food is of, or the lots that it may be of with a space between them, as they were said."""


@dataclass(frozen=True, slots=True)
class Frying:
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
    said_late: bool = False
    """The lid was locked before it was said: it may have cooked longer than its time here."""


@dataclass(frozen=True, slots=True)
class Standing:
    """The needle rests at a critical limit that asks for a time, or above it."""

    spot: int
    since_ms: int
    temp_c: float
    """The lowest there so far."""


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
    """How its thermometer stood by then: `PASSED`, `FAILED`, `OVERDUE`, `UNCHECKED` or `SPARE_PASSED`."""
    held: bool = False
    """Taken in hot holding: judged by the hold's minimum."""
    counts: bool = False
    """Whether it is one of the passed checks that the batch needs."""
    spoken_id: int | None = None
    """Of a spoken one: the number of the entry with its words."""
    disputed: str | None = None
    """Why it proves nothing any more, though it stays on record: "by the cook", or "colder spot after it"."""
    doubted: bool = False
    """The needle failed the check of itself that came after this."""
    standing: Standing | None = None
    """While it is open: how long the needle has been in the piece, where the critical limit asks for a time."""
    stood_ms: int = 0
    """How long it was seen at its critical limit or above, where that asks for a time."""


@dataclass(frozen=True, slots=True)
class Correction:
    """The batch went back into the oil."""

    id: int
    at_ms: int
    why: str


@dataclass(frozen=True, slots=True)
class GapSettled:
    """A time without power that a warm piece settled: it counts again where no such piece speaks any more."""

    check: int
    """The id of the first check that was warm after it."""
    power_ms: int
    cold_since_ms: int | None
    """What the hold had there before."""


@dataclass(frozen=True, slots=True)
class Hold:
    """Hot holding, from its start to its end."""

    id: int
    started_ms: int
    proven: bool
    """Whether the checks of the batch were complete when it went into holding, and no colder spot was found since."""
    counted_ms: int
    """From when its limit counts: the lid that was opened before it."""
    late: bool = False
    """It began after the longest wait."""
    cold_ms: int = 0
    """How long the cabinet was below the minimum meanwhile, as far as its readings tell."""
    coldest_c: float | None = None
    """The coldest piece in it that was read below the minimum."""
    power_ms: int = 0
    """How long the power was away meanwhile, and no piece has been read warm enough since."""
    cold_since_ms: int | None = None
    """Since when it may have been too cold: the cabinet by its readings, or without power."""
    measured: bool = False
    """Whether the cabinet or a piece in it was read meanwhile."""
    read_ms: int | None = None
    """When that was last so."""
    unread_ms: int = 0
    """The longest time between two such readings, or from its start to the first."""
    gap_settled: GapSettled | None = None
    """How its `power_ms` came to count no more."""
    cabinets: tuple[int, ...] = ()
    """Where it stands, by their numbers; several where it was split. () where cabinets have none."""
    lowest_c: float | None = None
    """The lowest that its cabinets were read at meanwhile."""
    time_proven: bool = True
    warned: bool = False
    past: bool = False
    repeat_ms: int | None = None
    """When the cook is reminded again that it is past its limit."""
    ended_ms: int | None = None
    outcome: str | None = None
    """ "sold", "discarded" or "cooked more"."""


@dataclass(frozen=True, slots=True)
class Batch:
    """One batch, from "batch start" until all of its pieces are counted out."""

    id: int
    number: int
    vat: int
    shift: int | None
    """Id of the shift that opened it."""
    procedure: Procedure
    started_ms: int
    stage: Stage = Stage.LOADING
    loads: tuple[Load, ...] = ()
    fryings: tuple[Frying, ...] = ()
    checks: tuple[Check, ...] = ()
    corrections: tuple[Correction, ...] = ()
    holds: tuple[Hold, ...] = ()
    closed_ms: int | None = None
    outcome: str | None = None
    """ "sold" or "discarded"."""
    sold_pieces: int = 0
    sold_despite: tuple[tuple[str, str, bool], ...] = ()
    """What stood against the sale of its pieces so far: the kind, in words, and whether it is one of safety."""
    discarded_pieces: int = 0
    dropped_pieces: int = 0
    waited: bool = False
    """The wait that it is in is over its longest."""
    wait_known: bool = True
    """False while nobody knows how long it has been in its stage."""
    struck_hold: Hold | None = None
    """A hold that was struck: the next one goes on from it."""
    first_load_ms: int | None = None
    """When raw pieces first went in, by a load that was struck too."""
    waits: tuple[tuple[Stage, int], ...] = ()
    """The waits that were longer than the kitchen's longest: in which stage, and for how many ms."""
    unknown_wait: bool = False
    """It has waited, raw or to go back, for a time that nobody knows."""
    reheat_by_ms: int | None = None
    """When food that was held too cold must be hot again, or be discarded; None for food that was not, or is hot."""
    reheat_met_ms: int | None = None
    """What `reheat_by_ms` was before complete checks said that it is hot; it counts again once they are not."""
    reheat_missed: bool = False
    """It was not hot again by then."""
    settled: tuple[tuple[int, Alert], ...] = ()
    """Alerts that its complete checks ended, each with the round of these: they are open again once those are not."""
    bound_c: float | None = None
    """The lower tolerance bound by its own first checks; None while they say nothing. See `thermal/sampling.py`."""
    pooled_bound_c: float | None = None
    """The same with the spread within earlier batches."""
    prompts: tuple[Prompted, ...] = ()
    """The kitchen's prompts that were said of it."""

    @property
    def open_check(self) -> Check | None:
        """Its check that waits for a reading."""
        return self.checks[-1] if self.checks and self.checks[-1].verdict is Verdict.OPEN else None

    @property
    def waiting_prompts(self) -> tuple[Prompted, ...]:
        """Its prompts that wait for "prompt done": none of an earlier stage."""
        here = (self.stage.value, self.round)
        return tuple(
            each for each in self.prompts if each.asks and each.done_ms is None and (each.stage, each.round) == here
        )

    @property
    def round(self) -> int:
        """How often it was sent back to cook more."""
        return len(self.corrections)

    @property
    def planned_ms(self) -> int:
        """How long its newest cook is planned to be: the first one, or a further one."""
        return self.procedure.planned_cook_ms if self.round == 0 else self.procedure.more_cook_ms

    @property
    def hold(self) -> Hold | None:
        """Its newest hold."""
        return self.holds[-1] if self.holds else None

    @property
    def pieces(self) -> int:
        """Pieces loaded, as far as they were counted."""
        return sum(load.pieces or 0 for load in self.loads)

    @property
    def counted(self) -> bool:
        """Whether all loads were counted, so that `pieces` is all there is."""
        return bool(self.loads) and all(load.pieces is not None for load in self.loads)

    @property
    def pieces_left(self) -> int | None:
        """Pieces that are neither sold nor discarded nor dropped; None where loads were not counted."""
        return self.pieces - self.sold_pieces - self.discarded_pieces - self.dropped_pieces if self.counted else None

    @property
    def parts(self) -> tuple[str, ...]:
        """The loaded parts, the one that cooks longest first."""
        loaded = {load.part for load in self.loads}
        return tuple(part.name for part in self.procedure.parts if part.name in loaded)

    @property
    def checks_needed(self) -> int:
        """Passed checks that it needs: as many as the procedure says, but no more than there are pieces."""
        needed = max(self.procedure.checks_per_batch, sum(map(self._own_checks, self.parts)))
        return min(needed, self.pieces) if self.counted else needed

    @property
    def passed(self) -> int:
        """Passed checks of this round that count: of loaded parts, no more of one than it has pieces."""
        read = [check.part for check in self.fresh if check.counts]
        unnamed = read.count(None)
        named = sum(min(read.count(part), self._most(part)) for part in self.parts)
        return min(unnamed + named, self.pieces if self.counted else 10**6)

    @property
    def failed(self) -> int:
        """Failed checks of this round; a spoken one that was taken back is none, since words are misheard."""
        taken_back = [check for check in self.fresh if check.source == "spoken" and check.disputed]
        return sum(1 for check in self.fresh if check.verdict in MISSED and check not in taken_back)

    @property
    def missing(self) -> str:
        """What its checks lack, in words; "" where there are enough, and one of each loaded part, the slowest first."""
        if not self.loads:
            return "no load was said"
        read = Counter(check.part for check in self.fresh if check.counts)
        each = {part: max(place < self.checks_needed, self._own_checks(part)) for place, part in enumerate(self.parts)}
        left = {part: count - read[part] for part, count in each.items() if read[part] < count}
        further = self.checks_needed - self.passed - sum(left.values())
        parts = [part if count == 1 else f"{count} of {part}" for part, count in left.items()]
        lacks = [*parts, *([f"{further} more"] if further > 0 else [])]
        failed = [f"{self.failed} failed"] if self.failed else []
        return listed([*failed, *([f"{listed(lacks)} not checked"] if lacks else [])])

    @property
    def proven(self) -> bool:
        """Whether its checks are complete and none of this round failed."""
        return not self.missing

    @property
    def fresh(self) -> tuple[Check, ...]:
        """The checks since it last came out of the oil."""
        return tuple(check for check in self.checks if check.round == self.round)

    @property
    def by_time(self) -> bool:
        """Whether it is held by time alone."""
        return self.procedure.hold_by == BY_TIME

    @property
    def open_since_ms(self) -> int | None:
        """When its lid was last opened."""
        return next((frying.opened_ms for frying in reversed(self.fryings) if frying.opened_ms is not None), None)

    @property
    def longest_wait_ms(self) -> int:
        """The longest of its waits that were too long; 0 for none."""
        return max((ms for _, ms in self.waits), default=0)

    def _own_checks(self, part: str) -> int:
        """Checks that it needs of this loaded part alone, by the procedure: no more than there are pieces."""
        kept = self.procedure.part(part)
        return min(kept.checks, self._most(part)) if kept else 0

    def _most(self, part: str) -> int:
        """Pieces of a loaded part; as good as endless where they were not counted."""
        counts = [load.pieces for load in self.loads if load.part == part]
        return sum(count if count is not None else 10**6 for count in counts)
