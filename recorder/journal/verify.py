"""Whether a database of records is what it says: the chain, the entries, and every row that they explain.

What replaying means is handed in, since the journal does not judge.
"""

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recorder.core.effects import Effect, Record
from recorder.core.events import Event
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import CodecError, decode, encode
from recorder.journal.journal import ENTRY, Journal, JournalError, Message, as_entry, as_row
from recorder.journal.migrations import TABLES

Replay = Callable[[Event], Sequence[Effect]]
"""Takes the events in order; gives what each asked for."""

Posts = Callable[[Entry, Event, Sequence[Effect]], Iterable[tuple[Message, bool]]]
"""All messages that an entry could have made, and whether it must have."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was written."""

    table: str
    row: int | str | None
    """The row's id; None for the file as a whole."""
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


def verify(path: Path, replay: Replay, posts: Posts) -> Finding:
    """Check the database at `path`; raises `JournalError` when it can't be opened as one at all."""
    journal = Journal.read(path)
    faults: list[Fault] = []
    expected: dict[str, dict[int | str, dict[str, Any]]] = {table: {} for table in TABLES}
    possible: dict[tuple[int, str], tuple[Message, bool]] = {}
    entries, head, rows = 0, GENESIS, 0
    try:
        for row in _read(journal, ENTRY + " ORDER BY seq", "journal", faults):
            entry = as_entry(row)
            wrong = _entry_fault(row, entry, entries + 1, head)
            entries, head = entries + 1, entry.hash
            if wrong:
                faults.append(Fault("journal", row[0], wrong))
                break
            event = decode(entry.kind, entry.body)
            effects = replay(event)
            for effect in effects:
                if isinstance(effect, Record):
                    expected[effect.table][effect.id] = {"id": effect.id, **dict(effect.row)}
            possible |= {
                (entry.seq, _id(message.body)): (message, must) for message, must in posts(entry, event, effects)
            }
        else:
            for table, wanted in expected.items():
                rows += len(wanted)
                faults += _table_faults(journal, table, wanted)
            faults += _outbox_faults(journal, possible)
        for (found,) in _read(journal, "PRAGMA integrity_check(10)", "file", faults):
            if found != "ok":
                faults.append(Fault("file", None, str(found)))
    finally:
        journal.close()
    return Finding(entries, head, rows, tuple(faults))


def _read(journal: Journal, sql: str, table: str, faults: list[Fault]) -> Iterator[tuple[Any, ...]]:
    """Rows, with a damaged file as a fault that names the last row that could be read."""
    last = None
    try:
        for row in journal.rows(sql):
            last = row[0]
            yield row
    except sqlite3.Error as error:
        after = f"after row {last}" if last is not None else "at its first row"
        faults.append(Fault(table, last, f"the file is damaged {after}: {error}"))


def _entry_fault(row: tuple[Any, ...], entry: Entry, seq: int, previous: str) -> str | None:
    if entry.seq != seq:
        return f"entry {seq} is missing"
    if entry.previous != previous:
        return "it does not follow the entry before it: the hashes differ"
    try:
        again = linked(entry.seq, entry.stamp, entry.kind, entry.body, entry.previous)
        if again.hash != entry.hash or as_row(again) != row:
            return "it was changed: its hash does not fit what stands in it"
        if encode(decode(entry.kind, entry.body)) != (entry.kind, entry.body):
            return "its body is not written as this program writes it"
    except CodecError as error:
        return f"it was changed: {error}"
    return None


def _table_faults(journal: Journal, table: str, wanted: dict[int | str, dict[str, Any]]) -> Iterator[Fault]:
    faults: list[Fault] = []
    stored = {}
    try:
        stored = {row["id"]: row for row in journal.table(table)}
    except (sqlite3.Error, JournalError) as error:
        faults.append(Fault(table, None, f"can't be read: {error}"))
        yield from faults
        return
    for key in wanted.keys() - stored.keys():
        yield Fault(table, key, "the row is missing")
    for key, row in stored.items():
        if key not in wanted:
            yield Fault(table, key, "no entry of the journal explains this row")
        elif differing := [name for name, value in wanted[key].items() if row[name] != value]:
            name = differing[0]
            yield Fault(table, key, f"{name} is {row[name]!r}, the journal says {wanted[key][name]!r}")


def _outbox_faults(journal: Journal, possible: dict[tuple[int, str], tuple[Message, bool]]) -> Iterator[Fault]:
    faults: list[Fault] = []
    seen = set()
    for number, seq, topic, body, retain in _read(
        journal, "SELECT id, seq, topic, body, retain FROM outbox ORDER BY id", "outbox", faults
    ):
        key = (seq, _id(body))
        seen.add(key)
        if key not in possible:
            yield Fault("outbox", number, "no entry of the journal explains this message")
        elif not _same(possible[key][0], topic, body, retain):
            yield Fault("outbox", number, "the message is not what the journal says")
    for key, (message, must) in possible.items():
        if must and key not in seen and not faults:
            yield Fault("outbox", None, f"the message {key[1]} on {message.topic} is missing")
    yield from faults


def _same(message: Message, topic: str, body: str, retain: int) -> bool:
    """Whether a stored row is this message; a site's own first part of the topic is not in the journal."""
    return (message.body, int(message.retain)) == (body, retain) and topic.endswith(message.topic)


def _id(body: str) -> str:
    """The message's own id, or "" where the body is no message."""
    try:
        return str(json.loads(body)["id"])
    except (ValueError, TypeError, KeyError):
        return ""
