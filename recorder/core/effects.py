"""What the station asks for: rows to keep, notices to send and cues to give. Values only; nothing here acts."""

from dataclasses import dataclass
from enum import StrEnum

Value = int | float | str | None
"""What a column may hold."""


class Level(StrEnum):
    """How much a notice matters to the manager."""

    INFO = "info"
    """Good to know; nothing to do."""
    WARNING = "warning"
    """Quality or the procedure is off; somebody should act."""
    CRITICAL = "critical"
    """Food may be unsafe; somebody must act now."""


class Tone(StrEnum):
    """What a cue sounds like before any words."""

    DONE = "done"
    REFUSED = "refused"
    ASKS = "asks"
    """A question that "confirm" answers."""
    ALERT = "alert"
    ANSWER = "answer"


@dataclass(frozen=True, slots=True)
class Alert:
    """One cause that a manager hears of, from when it began to when it ended."""

    id: str
    """Unique in this journal: the number of the entry that it is about and the kind, "41-cook-overdue"."""
    kind: str
    """One of the kinds in `recorder/core/alerts.py`."""
    level: Level
    text: str
    """The whole of it for a person: what, read, needed, what to do next."""
    batch: int | None
    """Batch number."""
    numbers: tuple[tuple[str, Value], ...]
    """What was read and what limit it is about, with the unit in the name or beside it."""
    began_ms: int
    ended_ms: int | None = None
    ended_by: str | None = None
    """Why it ended, in words."""
    repeats: int = 0
    """How often it was repeated."""
    acknowledged_ms: int | None = None
    """When somebody said that it is in hand; it is not repeated then."""
    acknowledged_by: str | None = None
    """That person's initials."""
    seen_ms: int | None = None
    """When a phone first showed it."""
    seen_by: str | None = None
    """Which phone."""


EARLIER_TABLES = {"fryings": "cooks"}
"""What a table was called until rules 7, in records, in messages and in files that no recorder has opened since."""


@dataclass(frozen=True, slots=True)
class Record:
    """A row as it now stands; the same `table` and `id` again replaces it, and the journal keeps how it came about."""

    table: str
    id: int | str
    """The journal's number of the entry that made this thing; an alert's own id for alerts."""
    row: tuple[tuple[str, Value], ...]
    """Column name and value, without the id; a column that is left out is empty."""


@dataclass(frozen=True, slots=True)
class Notice:
    """An alert that began, is repeated, or ended; it goes to the outbox."""

    alert: Alert
    change: str
    """ "raised", "repeated", "acknowledged" or "ended"."""


@dataclass(frozen=True, slots=True)
class Cue:
    """What the cook hears now; never stored, never given again by a replay."""

    tone: Tone
    say: str
    """Spoken where there is a voice; "" for the tone alone."""


Effect = Record | Notice | Cue
