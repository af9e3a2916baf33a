"""What a report or an export may say of the record that it was made of: what `verify` found, counted, and no more."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from recorder.journal.columns import TABLES
from recorder.journal.finding import Finding, Kind, RecordFault

NAMED = 5
"""So many rows, entries or parts of one kind are named; the rest is counted."""

NOT_KNOWN = (
    "An end that was cut off, or a history that was written again as a whole, shows only in messages that were kept on"
    " another machine (batch-recorder verify --anchors). This was compared with none."
)

NO_CHANGE, CHANGED, KEPT_STATE = "no change found", "changed or damaged", "saved state differs"
"""The verdict in few words."""

WORDS = {
    ("entry", Kind.CHANGED): ("1 entry of the journal was changed", "{} entries of the journal were changed"),
    ("entry", Kind.UNLINKED): (
        "the chain is broken: 1 entry does not follow the one before it",
        "the chain is broken: {} entries do not follow the one before them",
    ),
    ("entry", Kind.MISTIMED): ("1 entry has a time that can't be", "{} entries have a time that can't be"),
    ("entry", Kind.MISSING): ("1 entry of the journal is missing", "{} entries of the journal are missing"),
    ("row", Kind.CHANGED): ("1 row of {table} was changed", "{} rows of {table} were changed"),
    ("row", Kind.MISSING): ("1 row of {table} is missing", "{} rows of {table} are missing"),
    ("row", Kind.ADDED): (
        "1 row of {table} was added: no entry explains it",
        "{} rows of {table} were added: no entry explains them",
    ),
    ("message", Kind.CHANGED): ("1 message was changed", "{} messages were changed"),
    ("message", Kind.MISSING): ("1 message is missing", "{} messages are missing"),
    ("message", Kind.GAP): ("1 gap in the numbers of the messages", "{} gaps in the numbers of the messages"),
    ("message", Kind.ADDED): (
        "1 message was added: no entry explains it",
        "{} messages were added: no entry explains them",
    ),
    ("message", Kind.MARKED): (
        "1 message is marked as sent at a time that can't be",
        "{} messages are marked as sent at times that can't be",
    ),
    ("part", Kind.CHANGED): (
        "1 part of the database is not as the recorder makes it",
        "{} parts of the database are not as the recorder makes them",
    ),
    ("state", Kind.CHANGED): (
        "the state that is saved beside the database is not the journal's: delete that file",
        "the state that is saved beside the database is not the journal's: delete that file",
    ),
}
"""What kind of thing and what is wrong with it -> the words for one and for several."""


@dataclass(frozen=True, slots=True)
class Integrity:
    """What is known of a record."""

    verdict: str
    """`NO_CHANGE`, `CHANGED` or `KEPT_STATE`."""
    found: tuple[str, ...]
    """What is not as it was written, counted, each kind with the first few by name; empty where nothing was found."""
    not_compared: str
    """What was left out of the comparison, as a sentence; "" where nothing was."""

    @property
    def changed(self) -> bool:
        """Whether the record itself is touched, and not only what is saved beside it."""
        return self.verdict == CHANGED

    def text(self) -> str:
        """All of it on one line."""
        return " ".join(filter(None, (f"{'; '.join(self.found)}." if self.found else "", self.not_compared)))


def integrity(finding: Finding) -> Integrity:
    """What may be said of the record that `finding` is of."""
    groups: dict[tuple[str, str, Kind], list[RecordFault]] = {}
    for fault in finding.faults:
        groups.setdefault((_thing(fault), fault.table if fault.table in TABLES else "", fault.kind), []).append(fault)
    beside = all(thing == "state" for thing, _, _ in groups)
    return Integrity(
        NO_CHANGE if not groups else KEPT_STATE if beside else CHANGED,
        tuple(_line(thing, table, kind, faults) for (thing, table, kind), faults in groups.items()),
        _not_compared(finding.faults),
    )


def _thing(fault: RecordFault) -> str:
    """What kind of thing a fault is about."""
    if fault.kind is Kind.UNREADABLE:
        return "file"
    if fault.table in TABLES:
        return "row"
    return {"journal": "entry", "outbox": "message", "kept state": "state", "file": "file"}.get(fault.table, "part")


def _line(thing: str, table: str, kind: Kind, faults: Sequence[RecordFault]) -> str:
    if thing == "file":
        where = f"the table {faults[0].table}" if faults[0].table != "file" else "the file"
        return f"{where} can't be read as it should: {faults[0].what}" + _more(len(faults) - 1)
    count = sum(fault.count for fault in faults)
    one, several = WORDS[thing, kind]
    names = [fault.table if thing == "part" else str(fault.row) for fault in faults if thing == "part" or fault.row]
    named = f" ({', '.join(names[:NAMED])}{_more(len(names) - NAMED)})" if names and thing != "state" else ""
    return (one if count == 1 else several).format(count, table=table) + named


def _more(count: int) -> str:
    return f" and {count} more" if count > 0 else ""


def _not_compared(faults: Sequence[RecordFault]) -> str:
    """What `verify` does not look at after such faults."""
    tables = {fault.table for fault in faults}
    if "table journal" in tables:
        return "Nothing was compared: the journal itself is not as the recorder makes it."
    if "journal" in tables:
        return "No row and no message was compared, since the entries that explain them are not as they were written."
    left = list(dict.fromkeys(_left_out(faults)))
    return f"Not compared: {', '.join(left)}." if left else ""


def _left_out(faults: Sequence[RecordFault]) -> Iterator[str]:
    for fault in faults:
        name = fault.table.removeprefix("table ")
        unread = fault.kind is Kind.UNREADABLE or name != fault.table
        if unread and (name in TABLES or name == "outbox"):
            yield "the messages" if name == "outbox" else f"rows of {name}"
