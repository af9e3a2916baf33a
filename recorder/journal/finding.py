"""What `verify` says of a database of records. Values only."""

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What is wrong with an entry, a row, a message or a part of the file."""

    CHANGED = "changed"
    MISSING = "missing"
    ADDED = "added"
    """No entry explains it, or no version of the recorder makes it."""
    UNLINKED = "unlinked"
    """An entry that does not follow the one before it."""
    MISTIMED = "mistimed"
    """An entry at a time that can't be."""
    MARKED = "marked"
    """A message that is marked as sent at a time that can't be."""
    GAP = "gap"
    """Numbers of messages are left out."""
    UNREADABLE = "unreadable"
    """The file gives no more from here on."""


@dataclass(frozen=True, slots=True)
class RecordFault:
    """One thing that is not as it was written."""

    table: str
    row: int | str | None
    """The row's id; None for the whole."""
    what: str
    kind: Kind = Kind.CHANGED
    count: int = 1
    """How many entries, rows or messages this is about."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What `verify` found."""

    entries: int
    """Entries read."""
    head: str
    """Hash of the newest entry read; compare it with a copy kept elsewhere, since a cut-off tail can't be seen here."""
    rows: int
    """Rows compared."""
    faults: tuple[RecordFault, ...]
