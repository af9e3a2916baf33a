"""What sentences mean; the wording itself is data in `recorder/share/phrases-*.toml`."""

from dataclasses import dataclass

SHIFT_START = "shift start"
SHIFT_END = "shift end"
THIS_IS_COOK = "this is cook"
OIL_LEVEL_OK = "oil level ok"
OIL_LEVEL_LOW = "oil level low"
OIL_TOPPED_UP = "oil topped up"
OIL_FILTERED = "oil filtered"
OIL_CHANGED = "oil changed"
OIL_READY = "oil ready"
OIL_POLAR = "oil polar"
RAW_OUT = "raw out"
RAW_BACK = "raw back"
LOT = "lot"
LOT_MORE = "lot continued"
PROBE_RAW = "probe raw"
BREADING_SIFTED = "breading sifted"
BREADING_CHANGED = "breading changed"
BATCH_START = "batch start"
LOAD = "load"
LID_LOCKED = "lid locked"
LID_OPEN = "lid open"
PROBE = "probe"
READING = "reading"
ICE_POINT = "ice point"
BOILING_POINT = "boiling point"
SPARE_ICE = "spare ice point"
COOK_MORE = "cook more"
HOLD_START = "hold start"
HOLD_END = "hold end"
MOVED = "moved"
SOLD = "sold"
DROPPED = "dropped"
DISCARD = "discard batch"
PROMPT_DONE = "prompt done"
TASK_DONE = "task done"
CAUSE = "cause"
ACTION = "action"
CONFIRM = "confirm"
SCRATCH = "scratch that"
TIME_LEFT = "time left"
STATUS = "status"
LAST_READING = "last reading"
WHAT_NEXT = "what next"
CAN_SAY = "what can i say"

OIL = (OIL_LEVEL_OK, OIL_LEVEL_LOW, OIL_TOPPED_UP, OIL_FILTERED, OIL_CHANGED)
"""Meanings that make an oil record, whatever the oil is like."""

RAW = (RAW_OUT, RAW_BACK, PROBE_RAW)
"""Meanings about raw food out of the cooler."""

LOTS = (LOT, LOT_MORE)
"""Meanings that say of which lot it is."""

BREADING = (BREADING_SIFTED, BREADING_CHANGED)
"""Meanings about the breading station."""

PROBE_CHECKS = (ICE_POINT, BOILING_POINT)
"""Meanings that begin a check of the probe itself."""

QUESTIONS = (TIME_LEFT, STATUS, LAST_READING, WHAT_NEXT, CAN_SAY)
"""Meanings that are answered and are no commands."""

ALL = (
    SHIFT_START,
    SHIFT_END,
    THIS_IS_COOK,
    *OIL,
    OIL_READY,
    OIL_POLAR,
    *RAW,
    *LOTS,
    *BREADING,
    BATCH_START,
    LOAD,
    LID_LOCKED,
    LID_OPEN,
    PROBE,
    READING,
    *PROBE_CHECKS,
    SPARE_ICE,
    COOK_MORE,
    HOLD_START,
    HOLD_END,
    MOVED,
    SOLD,
    DROPPED,
    DISCARD,
    PROMPT_DONE,
    TASK_DONE,
    CAUSE,
    ACTION,
    CONFIRM,
    SCRATCH,
    *QUESTIONS,
)

FINAL = (HOLD_END, SOLD, DROPPED, DISCARD)
"""Meanings that may end the watch over food: a sentence that was only the second best does not do that unasked."""

OWN = (PROMPT_DONE, TASK_DONE, CAUSE, ACTION)
"""Meanings that are said only in a kitchen whose procedure has its own words for them."""

CONFIGURED = (MOVED, *OWN)
"""Meanings that are said only where the station's configuration gives the words for them."""

LATER = (THIS_IS_COOK, SPARE_ICE, MOVED, SOLD, DROPPED, WHAT_NEXT, CAN_SAY, OIL_READY, *RAW, *LOTS, *BREADING, *OWN)
"""Meanings that came after the first: a phrase file from before need not say them."""

COMMANDS = tuple(meaning for meaning in ALL if meaning not in (CONFIRM, SCRATCH, *QUESTIONS))
"""Meanings that put something on record by themselves; a procedure may have them asked about first."""


@dataclass(frozen=True, slots=True)
class Intent:
    """What a whole sentence of the phrase file means; it has no authority, the station judges it."""

    meaning: str
    """One of the meanings above, such as "batch start"."""
    vat: int | None = None
    """The vat that was named."""
    batch: int | None = None
    """The batch number that was named."""
    part: str | None = None
    """The part that was named, by its name in the procedure, such as "thigh"."""
    count: int | None = None
    """The number of pieces that was named."""
    cook: int | None = None
    """The cook's number that was named."""
    number: float | None = None
    """A spoken temperature, in the unit of the procedure."""
    ice: float | None = None
    """What another thermometer shows in ice water, in the unit of the procedure."""
    cabinet: int | None = None
    """The hot-holding cabinet that was named."""
    product: str | None = None
    """The product that was named, by its name in its procedure."""
    percent: float | None = None
    """Total polar compounds in the oil that were named, % by mass."""
    lot: str | None = None
    """Digits of a lot or date code, as they were said: zeros in front count."""
    task: str | None = None
    """The task that was named, as the procedure has it."""
    cause: str | None = None
    """The cause of a deviation that was named."""
    action: str | None = None
    """The corrective action that was named."""
