"""What happened: the facts that reach the station, as frozen values.

Every event carries `at_ms`, the station's own time line (see `recorder/clock.py`): integer milliseconds that never
run backwards. Temperatures are degrees Celsius. This module knows no clock, no file, no device and no limit.
"""

from dataclasses import dataclass

from recorder.core.meanings import Intent as Intent
from recorder.core.procedure import Procedure

NEEDLE = "needle"
"""Channel of the hand-held probe."""

CABINET = "cabinet"
"""Channel of the probe in the hot-holding cabinet of a station that has one and gives it no number."""

SILENT = "silent"
"""The microphone gives nothing but one value: it is muted or dead."""

OFFSET = "offset"
"""Its sound is far off centre: something electrical is broken."""

CLIPPING = "clipping"
"""Its sound is cut off at full scale."""

TOO_LOUD = "too loud"
"""Its background is so loud that speech cannot stand out."""


RULES = 7
"""How this version judges (see `editions.py`). An entry is judged by the rules that its recorder started with."""

FIRST_RULES = 5
"""The first rules that `recorder/core/station.py` judges by."""


def vat_channel(vat: int) -> str:
    """The channel of the probe in the oil of vat number `vat` (1 or more): "vat1", "vat2", ..."""
    return f"vat{vat}"


def cabinet_channel(cabinet: int) -> str:
    """The channel of the probe in hot-holding cabinet number `cabinet`, where they have numbers: "cabinet1", ..."""
    return f"{CABINET}{cabinet}"


@dataclass(frozen=True, slots=True)
class Started:
    """The recorder began to run."""

    at_ms: int
    boot_id: str
    """The kernel's boot id; a new one means that the power was away."""
    wall_known: bool
    """Whether the wall clock was known to be right."""
    version: str
    """The version of this program."""
    station: str
    """The station's name in records and topics."""
    vats: tuple[int, ...]
    """The numbers of the station's vats."""
    rules: int = 1
    """How this version judges: `RULES`, of the version that runs."""
    gap_known: bool = True
    """False when the clock can't tell how much time has passed since the newest entry before."""
    root: str = ""
    """What the topics of all its messages begin with; "" where an earlier version did not say."""
    cabinets: tuple[int, ...] = ()
    """The numbers of its hot-holding cabinets; () for one without a number."""


@dataclass(frozen=True, slots=True)
class ProcedureLoaded:
    """The procedure in force from now on; batches in work keep the one they began under."""

    at_ms: int
    procedure: Procedure
    """Of the product that a batch is of where none is named."""
    others: tuple[Procedure, ...] = ()
    """Those of the station's further products, each with a way to say its name."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A temperature that a probe measured, thinned and judged for settling before it came here."""

    at_ms: int
    channel: str
    """ "needle", "vat1", "vat2", ..., "cabinet", or "cabinet1", ... where cabinets have numbers."""
    temp_c: float
    settled: bool = False
    """True when the needle has come to rest in one spot."""
    spot: int = 0
    """Counts the needle's resting places; 0 while it moves and on other channels."""
    uncertainty_c: float | None = None
    """Of a settled reading: half of the 95 % interval of `temp_c`, as far as the samples tell."""
    settle_ms: int | None = None
    """Of a settled reading: how long the needle took to settle in this spot."""
    colder: bool = False
    """Whether the needle came down to this spot straight from the one before."""
    medium: str = ""
    """Of a settled reading: what the needle seems to rest in where that is no piece: "air", "steam", "oil", "water" or
    "unsure"; "" for a piece."""


@dataclass(frozen=True, slots=True)
class ProbeLost:
    """A channel stopped giving temperatures."""

    at_ms: int
    channel: str
    reason: str
    """ "open circuit", "short circuit", "silent", "unplugged", ..."""


@dataclass(frozen=True, slots=True)
class ProbeBack:
    """A lost channel gives temperatures again."""

    at_ms: int
    channel: str


@dataclass(frozen=True, slots=True)
class ProbeCharge:
    """How full the battery of a channel's wireless probe is."""

    at_ms: int
    channel: str
    percent: int


@dataclass(frozen=True, slots=True)
class Heard:
    """A whole sentence of the phrase file was heard and accepted."""

    at_ms: int
    text: str
    """The sentence, without the station's name."""
    intent: Intent
    engine: str
    """The recogniser, such as "sphinx"."""
    listening: str
    """How the ear was open: "name", "open" or "switch"."""
    score: float | None = None
    """The engine's own score, on the engine's own scale."""
    other: Intent | None = None
    """What the next best sentence means, where it was nearly as likely; the station judges which one makes sense."""
    other_text: str = ""
    """That sentence."""


@dataclass(frozen=True, slots=True)
class Unheard:
    """Something close to a command was heard and not accepted."""

    at_ms: int
    text: str
    """The nearest sentence of the phrase file, or ""; never what the person really said."""
    reason: str
    engine: str
    listening: str
    score: float | None = None


@dataclass(frozen=True, slots=True)
class EarLost:
    """The microphone or the recogniser stopped working."""

    at_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class EarBack:
    """The station hears again."""

    at_ms: int


@dataclass(frozen=True, slots=True)
class EarTrouble:
    """The station hears, but badly: from now on for this cause, and for no other."""

    at_ms: int
    what: str
    """`SILENT`, `OFFSET`, `CLIPPING` or `TOO_LOUD`."""


@dataclass(frozen=True, slots=True)
class EarClear:
    """What the station hears is sound again."""

    at_ms: int


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The broker is out of reach."""

    at_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The broker is reached."""

    at_ms: int


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """A person away from the station says that an alert is in hand."""

    at_ms: int
    alert: str
    """The alert's id."""
    by: str
    """The person's initials."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A phone has shown an alert: the only proof that it got there."""

    at_ms: int
    alert: str
    """The alert's id."""
    by: str
    """The phone's name for itself."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A manager has reviewed a day's records and puts initials to them."""

    at_ms: int
    day: str
    """The day, as "2026-02-26"."""
    by: str
    """The manager's initials."""
    note: str = ""
    """What the manager has to say of it."""


@dataclass(frozen=True, slots=True)
class RecordsSetAside:
    """Older records were damaged: their file was given another name, and this journal was begun in its place."""

    at_ms: int
    file: str
    """That name, in the folder of the database."""
    reason: str = ""
    """What was wrong, as it was found; "" where only the file was found."""


@dataclass(frozen=True, slots=True)
class SpaceLow:
    """The disk of the records has less space left than it should."""

    at_ms: int
    free_mb: int
    least_mb: int


@dataclass(frozen=True, slots=True)
class SpaceBack:
    """It has enough again."""

    at_ms: int
    free_mb: int


@dataclass(frozen=True, slots=True)
class Tick:
    """Nothing but time has passed; fed when a deadline of the station is due."""

    at_ms: int


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The wall clock was set; the station's own time line did not move."""

    at_ms: int
    delta_ms: int
    """How far the wall clock moved."""
    wall_known: bool
    """Whether it is known to be right now."""


@dataclass(frozen=True, slots=True)
class Stopped:
    """The recorder was asked to stop and did."""

    at_ms: int


ProbeEvent = Reading | ProbeLost | ProbeBack | ProbeCharge
EarEvent = Heard | Unheard | EarLost | EarBack | EarTrouble | EarClear
PersonEvent = Acknowledged | Seen | Signed
DiskEvent = RecordsSetAside | SpaceLow | SpaceBack
Event = (
    Started | ProcedureLoaded | ProbeEvent | EarEvent | LinkDown | LinkUp | PersonEvent | DiskEvent
    | Tick | ClockStepped | Stopped
)  # fmt: skip
