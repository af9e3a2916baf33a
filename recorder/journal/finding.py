"""What `verify` says of a database of records. Values only."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was written."""

    table: str
    row: int | str | None
    """The row's id; None for the whole."""
    what: str


@dataclass(frozen=True, slots=True)
class Finding:
    """What `verify` found."""

    entries: int
    """Entries read."""
    head: str
    """Hash of the newest entry read; compare it with a copy kept elsewhere, since a cut-off tail can't be seen here."""
    rows: int
    """Rows compared."""
    faults: tuple[Fault, ...]
