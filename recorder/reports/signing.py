"""Whether a day may be signed: the same rules at a keyboard and over MQTT. It writes nothing."""

from datetime import date, tzinfo
from pathlib import Path

from recorder.core.events import Signed, Started
from recorder.initials import LETTERS, are_initials
from recorder.journal.reader import Reader
from recorder.reports.days import MOMENT, Calendar


def refusal(event: Signed, on_record: bool, last: date, open_alerts: int) -> str | None:
    """Why this signature can't be taken, in words that say what to do; None where it can.

    `on_record` says whether its day has records, `last` is the last day that has, `open_alerts` counts warnings and
    worse that are open.
    """
    if not are_initials(event.by):
        return f"Not signed: {event.by!r} is no name; write initials, {LETTERS}."
    if not on_record:
        return f"Not signed: nothing is on record for {event.day}; the last day on record is {last}."
    if open_alerts and not event.note.strip():
        return f"Not signed: {open_alerts} alert{'s are' if open_alerts > 1 else ' is'} open. Say in a note why."
    return None


def why_not(database: Path, station: str, event: Signed, zone: tzinfo) -> str | None:
    """As `refusal`, of the records of `station` at `database`, which are read on a connection of their own.

    Raises `JournalError` where they can't be read or there are none yet.
    """
    with Reader.open(database) as journal:
        if (other := recorded_by(journal)) not in (None, station):
            return (
                f"Not signed: {database} holds the records of station {other!r}, the configuration is of {station!r};"
                " name the configuration of its own station."
            )
        calendar, day = Calendar(journal, zone), date.fromisoformat(event.day)
        kept = calendar.entries(day) or any(calendar.rows(table, day) for table in MOMENT)
        open_alerts = sum(row["level"] != "info" for row in journal.each("alerts", ended_ms=None))
        return refusal(event, bool(kept), calendar.last_day(), open_alerts)


EVER_MS = 2**60


def recorded_by(journal: Reader) -> str | None:
    """The station whose records these are; None where no recorder has started on them."""
    started = journal.newest_of("started", EVER_MS)
    return started.station if isinstance(started, Started) else None
