"""Whether a database of records is what it says: the chain, the entries, and every row that they explain.

What replaying means is handed in, since the journal does not judge.
"""

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recorder.clock import Stamp
from recorder.core.effects import Effect, Record
from recorder.core.events import Event
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import CodecError, decode, encode
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal, Message, Possible, as_entry, as_row
from recorder.journal.migrations import TABLES
from recorder.journal.soundness import COLUMNS

Replay = Callable[[Event], Sequence[Effect]]
"""Takes the events in order; gives what each asked for."""

Posts = Callable[[Entry, Event, Sequence[Effect]], Iterable[Possible]]
"""All messages that an entry can have made."""


SCAN = f"SELECT {COLUMNS}, copy FROM journal CROSS JOIN (SELECT 0 AS copy UNION ALL SELECT 1)"
"""The journal as it stands in the file, each row twice: Python reads one row ahead, and where that one is damaged it
loses the row in hand."""


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
    expected = _Expected()
    outbox = _Outbox(journal)
    entries, last, head, rows = 0, 0, GENESIS, 0
    links = {GENESIS}
    times = _Times()
    try:
        for row, entry in _entries(journal, faults):
            again = _hashed(entry)
            event = _event(row, entry, again)
            if entry.seq == last + 1 and entry.previous not in links:
                faults.append(Fault("journal", entry.seq, "it does not follow the entry before it: the hashes differ"))
            elif wrong := event if isinstance(event, str) else times.fault(entry.stamp):
                faults.append(Fault("journal", entry.seq, wrong))
            entries, last, head = entries + 1, entry.seq, entry.hash
            links = {entry.hash, again.hash} if again else {entry.hash}
            if faults or isinstance(event, str):
                continue  # what follows from a changed entry is unknown
            effects = replay(event)
            for effect in effects:
                if isinstance(effect, Record):
                    expected.put(effect)
            outbox.compare(entry.seq, posts(entry, event, effects))
        if not faults:
            rows = expected.count()
            for table in TABLES:
                faults += _table_faults(journal, table, expected)
            faults += outbox.rest()
        for (found,) in _read(journal, "PRAGMA integrity_check(10)", "file", faults):
            if found != "ok":
                faults.append(Fault("file", None, str(found)))
    except sqlite3.Error as error:
        raise JournalError(f"there is no room to verify {path}: {error}; make some where SQLITE_TMPDIR says") from error
    finally:
        expected.close()
        journal.close()
    return Finding(entries, head, rows, tuple(faults))


def _entries(journal: Journal, faults: list[Fault]) -> Iterator[tuple[tuple[Any, ...], Entry]]:
    """Rows of the journal and what they say, as far as the file can be read; gaps and damage go to `faults`."""
    seq = 1
    try:
        for *values, copy in journal.rows(SCAN):
            row = tuple(values)
            if copy:
                continue
            if type(row[0]) is not int or row[0] < seq:
                faults.append(Fault("journal", seq, f"its number reads {row[0]!r}"))
                return
            if row[0] > seq:
                faults.append(Fault("journal", seq, f"the entry is missing; the next one is {row[0]}"))
            yield row, as_entry(row)
            seq = row[0] + 1
    except JournalError as error:
        faults.append(Fault("journal", seq, str(error)))


def _read(journal: Journal, sql: str, table: str, faults: list[Fault]) -> Iterator[tuple[Any, ...]]:
    """Rows; a damaged file becomes a fault."""
    try:
        yield from journal.rows(sql)
    except JournalError as error:
        faults.append(Fault(table, None, str(error)))


def _hashed(entry: Entry) -> Entry | None:
    """The entry with the hash that it should have; None where it holds what no entry can."""
    try:
        return linked(entry.seq, entry.stamp, entry.kind, entry.body, entry.previous)
    except CodecError:
        return None


def _event(row: tuple[Any, ...], entry: Entry, again: Entry | None) -> Event | str:
    """The event in a row of the journal, or what is wrong with the row."""
    if again is None or as_row(again) != row:
        return "it was changed: its hash does not fit what stands in it"
    try:
        event = decode(entry.kind, entry.body)
        if encode(event) != (entry.kind, entry.body):
            return "its body is not written as this program writes it"
    except CodecError as error:
        return f"it can't be understood: {error}"
    return event


class _Times:
    """The stamps of the entries so far: the time line and the clock of one boot only go forwards."""

    def __init__(self) -> None:
        self._last: Stamp | None = None
        self._boots: set[str] = set()

    def fault(self, stamp: Stamp) -> str | None:
        """What is wrong with the next stamp; it is remembered where nothing is."""
        last = self._last
        if last and stamp.at_ms < last.at_ms:
            return f"time ran backwards: it is {(last.at_ms - stamp.at_ms) / 1000:g} s before the entry before it"
        if last and stamp.boot_id == last.boot_id and stamp.boot_ms < last.boot_ms:
            return "time ran backwards: its boot clock is before that of the entry before it"
        if last and stamp.boot_id != last.boot_id and stamp.boot_id in self._boots:
            return "it is of a boot that had ended: another boot came between"
        self._last = stamp
        self._boots.add(stamp.boot_id)
        return None


class _Expected:
    """The rows that the entries explain, each as it was last. In a database of SQLite's own that is gone when it is
    closed, so that memory does not grow with the records."""

    def __init__(self) -> None:
        self._db = sqlite3.connect("")
        self._db.execute("CREATE TABLE expected (kind, id, row, PRIMARY KEY (kind, id)) WITHOUT ROWID")

    def put(self, record: Record) -> None:
        row = json.dumps({"id": record.id, **dict(record.row)}, ensure_ascii=False)
        self._db.execute("INSERT OR REPLACE INTO expected VALUES (?, ?, ?)", (record.table, record.id, row))

    def count(self) -> int:
        return int(self._db.execute("SELECT count(*) FROM expected").fetchone()[0])

    def take(self, table: str, id: int | str) -> dict[str, Any] | None:
        """The row with this id, which is no more expected then; None where none is."""
        sql = "DELETE FROM expected WHERE kind = ? AND id = ? RETURNING row"
        found = self._db.execute(sql, (table, id)).fetchone()
        return json.loads(found[0]) if found else None

    def left(self, table: str) -> Iterator[int | str]:
        """Ids of the rows that were not taken."""
        return (id for (id,) in self._db.execute("SELECT id FROM expected WHERE kind = ? ORDER BY id", (table,)))

    def close(self) -> None:
        self._db.close()


def _table_faults(journal: Journal, table: str, expected: _Expected) -> Iterator[Fault]:
    try:
        for row in journal.each(table):
            wanted = expected.take(table, row["id"])
            if wanted is None:
                yield Fault(table, row["id"], "no entry of the journal explains this row")
            elif differing := [name for name, value in row.items() if wanted.get(name) != value]:
                name = differing[0]
                yield Fault(table, row["id"], f"{name} is {row[name]!r}, the journal says {wanted.get(name)!r}")
    except JournalError as error:
        yield Fault(table, None, str(error))
        return
    for id in expected.left(table):
        yield Fault(table, id, "the row is missing")


class _Outbox:
    """The messages on disk, compared entry by entry, so that no more than one entry's are in memory."""

    def __init__(self, journal: Journal) -> None:
        sql = "SELECT id, seq, topic, body, retain FROM outbox ORDER BY seq, id"
        self._unread: list[Fault] = []
        self._rows = _read(journal, sql, "outbox", self._unread)
        self._next = next(self._rows, None)
        self._wrong: list[Fault] = []
        self._missing: list[Fault] = []

    def compare(self, seq: int, posts: Iterable[Possible]) -> None:
        """The messages up to entry `seq`, which could have made `posts`."""
        possible = {each.id: each for each in posts}
        seen = set()
        for number, at, topic, body, retain in self._until(seq):
            id = _id(body)
            if at != seq or id not in possible:
                self._wrong.append(Fault("outbox", number, "no entry of the journal explains this message"))
                continue
            seen.add(id)
            if not _same(possible[id].make(), topic, body, retain):
                self._wrong.append(Fault("outbox", number, "the message is not what the journal says"))
        for each in possible.values():
            if each.must and each.id not in seen:
                what = f"the message {each.id} on {each.make().topic} is missing"
                self._missing.append(Fault("outbox", None, what))

    def rest(self) -> list[Fault]:
        """All faults, once there are no more entries."""
        for number, *_ in self._until(None):
            self._wrong.append(Fault("outbox", number, "no entry of the journal explains this message"))
        return [*self._wrong, *([] if self._unread else self._missing), *self._unread]

    def _until(self, seq: int | None) -> Iterator[tuple[Any, ...]]:
        while self._next is not None and (seq is None or type(self._next[1]) is not int or self._next[1] <= seq):
            yield self._next
            self._next = next(self._rows, None)


def _same(message: Message, topic: str, body: str, retain: int) -> bool:
    """Whether a stored row is this message; a site's own first part of the topic is not in the journal."""
    return (message.body, int(message.retain)) == (body, retain) and topic.endswith(message.topic)


def _id(body: str) -> str:
    """The message's own id, or "" where the body is no message."""
    try:
        return str(json.loads(body)["id"])
    except (ValueError, TypeError, KeyError):
        return ""
