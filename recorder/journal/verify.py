"""Whether a database of records is what it says: the chain, the entries, and every row that they explain.

What replaying means is handed in, since the journal does not judge.
"""

import json
import sqlite3
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from recorder.clock import Stamp
from recorder.core.effects import Effect, Record
from recorder.core.events import RULES, Event, LinkDown, LinkUp, Started
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import CodecError, canonical, decode, encode
from recorder.journal.errors import JournalError, JournalNewer
from recorder.journal.journal import Journal, Message, Possible, as_entry, as_row
from recorder.journal.migrations import TABLES
from recorder.journal.soundness import COLUMNS


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which an entry can have been judged."""

    effects: Sequence[Effect]
    """What it asked for."""
    posts: Iterable[Possible]
    """All messages that it can have made."""


class Replay(Protocol):
    """The station, which lives through the entries in order."""

    def ways(self, entry: Entry, event: Event) -> Sequence[Way]:
        """Each way in which the recorder that wrote `entry` can have judged it; several where versions differed."""
        ...

    def keep(self, entry: Entry, event: Event, fit: Sequence[int], effects: Sequence[Effect]) -> None:
        """Of the last `ways` only these are what is on disk: the others are none for what the same recorder wrote.

        `effects` are those of the one that is taken.
        """
        ...


SCAN = f"SELECT {COLUMNS}, copy FROM journal CROSS JOIN (SELECT 0 AS copy UNION ALL SELECT 1)"
"""The journal as it stands in the file, each row twice: Python reads one row ahead, and where that one is damaged it
loses the row in hand."""

ONCE = {"commands": ("outcome", "reply")}
"""Table -> columns of a row that stay as they were when it was made."""

SENT_SLACK_MS = 24 * 3_600_000
"""A broker that comes back is an entry, and what waited goes out then: nothing is sent a day after the newest one."""

LINK_SLACK_MS = 15 * 60_000
"""How far the journal may be behind with how the broker is reached: a connection that flaps is told at most six times
in ten minutes, and what a killed recorder had not written of it yet."""


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


def verify(path: Path, replay: Replay) -> Finding:
    """Check the database at `path`.

    Raises `JournalError` when it can't be opened as one at all, and `JournalNewer` for one that a newer version wrote,
    as long as nothing in it was changed that this version knows.
    """
    journal = Journal.read(path)
    expected = _Expected()
    try:
        newer = journal.newer_steps()
        made = [] if newer else [Fault(what, None, wrong) for what, wrong in journal.changed()]
        otherwise = {fault.table for fault in made}
        if "table journal" in otherwise:
            return Finding(0, GENESIS, 0, tuple(made))
        chain = _Chain()
        outbox, link = _Outbox(journal, "table outbox" not in otherwise), _Link()
        for row, entry in _entries(journal, chain.faults):
            event = chain.event(row, entry)
            if chain.faults or event is None:
                continue  # what follows from a changed entry, or from one that is not understood, is unknown
            link.see(entry, event)
            outbox.begun(event)
            expected.put_all(outbox.chosen(entry, event, replay))
        if chain.newer and not newer:
            newer = chain.newer
        faults, rows = chain.faults, 0
        if not faults and not newer:
            rows = expected.count()
            for table in TABLES:
                if f"table {table}" not in otherwise:
                    faults += _table_faults(journal, table, expected)
            faults += outbox.rest(link)
        for (found,) in _read(journal, "PRAGMA integrity_check(10)", "file", faults):
            if found != "ok":
                faults.append(Fault("file", None, str(found)))
    except sqlite3.Error as error:
        raise JournalError(f"there is no room to verify {path}: {error}; make some where SQLITE_TMPDIR says") from error
    finally:
        expected.close()
        journal.close()
    if newer and not faults:
        raise JournalNewer(f"{path} was written by a newer version ({newer}); verify it with that version")
    return Finding(chain.entries, chain.head, rows, (*made, *faults))


class _Chain:
    """The entries so far: each follows the one before it and is what its hash says."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.entries = 0
        self.head = GENESIS
        self.newer = ""
        """What the first entry that only a newer version understands has."""
        self._last = 0
        self._links = {GENESIS}
        self._times = _Times()

    def event(self, row: tuple[Any, ...], entry: Entry) -> Event | None:
        """The event of the next entry, in this row; None where it is not as it was written, or not understood."""
        again = _hashed(entry)
        event: Event | None = None
        wrong = "" if again and as_row(again) == row else "it was changed: its hash does not fit what stands in it"
        if not wrong:
            try:
                event = decode(entry.kind, entry.body)
                wrong = "" if _as_written(event, entry) else "its body is not written as any version writes it"
                if isinstance(event, Started) and event.rules > RULES:
                    self.newer = self.newer or f"entry {entry.seq} begins with rules {event.rules}"
            except CodecError as error:  # with the right hash: a program wrote it
                self.newer = self.newer or f"entry {entry.seq}: {error}"
        if entry.seq == self._last + 1 and entry.previous not in self._links:
            self._fault(entry, "it does not follow the entry before it: the hashes differ")
        elif wrong := wrong or self._times.fault(entry.stamp) or "":
            self._fault(entry, wrong)
        self.entries, self._last, self.head = self.entries + 1, entry.seq, entry.hash
        self._links = {entry.hash, again.hash} if again else {entry.hash}
        return None if self.newer else event

    def _fault(self, entry: Entry, what: str) -> None:
        self.faults.append(Fault("journal", entry.seq, what))


def _as_written(event: Event, entry: Entry) -> bool:
    """Whether the body is spelled as a version spells it: the first ones also wrote what is at its default."""
    if encode(event) == (entry.kind, entry.body):
        return True
    return canonical(json.loads(entry.body)).decode() == entry.body


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

    def put_all(self, effects: Iterable[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, Record):
                self._put(effect)

    def _put(self, record: Record) -> None:
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

    def __init__(self, journal: Journal, readable: bool) -> None:
        sql = "SELECT id, seq, topic, body, retain, sent_ms FROM outbox ORDER BY seq, id"
        self._journal, self._readable = journal, readable
        self._unread: list[Fault] = []
        self._rows = _read(journal, sql, "outbox", self._unread) if readable else iter(())
        self._next = next(self._rows, None)
        self._wrong: list[Fault] = []
        self._missing: list[Fault] = []
        self._root = ""
        self._last_sent: tuple[int, int] | None = None
        """The message that was sent last, and when."""
        self._number = 0
        """Of the last message: they are numbered without a gap, in the order of their entries."""

    def begun(self, event: Event) -> None:
        """Once a recorder has started, it sends everything below one topic, that of its configuration."""
        if isinstance(event, Started):
            self._root = event.root

    def chosen(self, entry: Entry, event: Event, replay: Replay) -> Sequence[Effect]:
        """What `entry` asked for: of the ways in which it can have been judged, by the one that its messages show."""
        ways = replay.ways(entry, event)
        rows = list(self._until(entry.seq))
        found = [self._compared(entry, rows, way.posts) for way in ways]
        fit = [0]
        if len(ways) > 1:
            fit = [at for at, (wrong, missing) in enumerate(found) if not (wrong or missing)] or [len(ways) - 1]
            fit = self._by_rows(entry, ways, fit)
        place = fit[-1]
        replay.keep(entry, event, fit, ways[place].effects)
        self._wrong += found[place][0]
        self._missing += found[place][1]
        unexplained = {fault.row for fault in found[place][0]}
        self._one_root(entry, [row for row in rows if row[0] not in unexplained])
        return ways[place].effects

    def _by_rows(self, entry: Entry, ways: Sequence[Way], fit: list[int]) -> list[int]:
        """Those of `fit` that agree with the rows that `entry` made, where their messages are the same."""
        stored: dict[str, dict[str, Any] | None] = {}

        def agrees(place: int) -> bool:
            for made in ways[place].effects:
                if isinstance(made, Record) and made.table in ONCE and made.id == entry.seq:
                    if made.table not in stored:
                        stored[made.table] = next(self._journal.each(made.table, "id = ?", entry.seq), None)
                    row, values = stored[made.table], dict(made.row)
                    if row and any(row[name] != values.get(name) for name in ONCE[made.table]):
                        return False
            return True

        return [place for place in fit if agrees(place)] or fit

    def _compared(
        self, entry: Entry, rows: Sequence[tuple[Any, ...]], posts: Iterable[Possible]
    ) -> tuple[list[Fault], list[Fault]]:
        """What is wrong with the messages of `entry`, which could have made `posts`, and what is missing."""
        possible = {each.id: each for each in posts}
        seen, wrong = set(), []
        for number, at, topic, body, retain, _ in rows:
            id = _id(body)
            if at != entry.seq or id not in possible:
                wrong.append(Fault("outbox", number, "no entry of the journal explains this message"))
                continue
            if id in seen:
                wrong.append(Fault("outbox", number, "the message is there twice"))
            seen.add(id)
            if not _same(possible[id].make(), topic, body, retain):
                wrong.append(Fault("outbox", number, "the message is not what the journal says"))
        missing = [each for each in possible.values() if each.must and each.id not in seen]
        what = (f"the message {each.id} on {each.make().topic} is missing" for each in missing)
        return wrong, [Fault("outbox", None, each) for each in what]

    def _one_root(self, entry: Entry, rows: Sequence[tuple[Any, ...]]) -> None:
        """The messages of one recorder go below one topic, and each is sent after it was made."""
        for number, _, topic, _, _, sent_ms in rows:
            root = str(topic).rsplit("/", 2)[0]
            self._root = self._root or root
            if root != self._root or not root or set(root) & set("+#\0"):
                what = f"it goes to {topic}, and the others since the same start below {self._root}"
                self._wrong.append(Fault("outbox", number, what))
            if sent_ms is not None and (type(sent_ms) is not int or sent_ms < entry.stamp.at_ms):
                self._wrong.append(Fault("outbox", number, "it is marked as sent before it was made"))
            if type(sent_ms) is int and (self._last_sent is None or sent_ms > self._last_sent[1]):
                self._last_sent = number, sent_ms

    def rest(self, link: "_Link") -> list[Fault]:
        """All faults, once there are no more entries."""
        for number, *_ in self._until(None):
            self._wrong.append(Fault("outbox", number, "no entry of the journal explains this message"))
        if not self._readable:
            return []
        if self._last_sent and self._last_sent[1] > link.newest_ms + SENT_SLACK_MS:
            what = "it is marked as sent long after the newest entry"
            self._wrong.append(Fault("outbox", self._last_sent[0], what))
        return [*self._wrong, *([] if self._unread else self._missing), *self._unread, *self._out_of_reach(link)]

    def _out_of_reach(self, link: "_Link") -> Iterator[Fault]:
        """Messages that are marked as sent while no broker was reached."""
        if not link.stretches():
            return
        sql = "SELECT id, sent_ms FROM outbox WHERE sent_ms IS NOT NULL ORDER BY id"
        for number, sent_ms in _read(self._journal, sql, "outbox", self._unread):
            if link.down_at(sent_ms):
                yield Fault("outbox", number, "it is marked as sent at a time at which no broker was reached")

    def _until(self, seq: int | None) -> Iterator[tuple[Any, ...]]:
        while self._next is not None and (seq is None or type(self._next[1]) is not int or self._next[1] <= seq):
            number = self._next[0]
            if number != self._number + 1:
                what = f"the message before it is missing: its number would be {self._number + 1}"
                self._wrong.append(Fault("outbox", number, what))
            self._number = number
            yield self._next
            self._next = next(self._rows, None)


class _Link:
    """When no broker was reached, as far as the journal says so surely."""

    def __init__(self) -> None:
        self._stretches: list[tuple[int, int]] = []
        self._since_ms: int | None = None
        self._last_ms = 0

    def see(self, entry: Entry, event: Event) -> None:
        """The next entry."""
        now_ms = entry.stamp.at_ms
        if isinstance(event, (Started, LinkUp)):
            self._close(self._last_ms if isinstance(event, Started) else now_ms)
        if isinstance(event, (Started, LinkDown)) and self._since_ms is None:
            self._since_ms = now_ms
        self._last_ms = now_ms

    def _close(self, end_ms: int) -> None:
        if self._since_ms is not None and end_ms - self._since_ms > 2 * LINK_SLACK_MS:
            self._stretches.append((self._since_ms + LINK_SLACK_MS, end_ms - LINK_SLACK_MS))
        self._since_ms = None

    def stretches(self) -> list[tuple[int, int]]:
        """From and to, in order, once there are no more entries."""
        self._close(self._last_ms)
        return self._stretches

    @property
    def newest_ms(self) -> int:
        """When the newest entry was written."""
        return self._last_ms

    def down_at(self, at_ms: Any) -> bool:
        at = bisect_right(self._stretches, at_ms, key=lambda stretch: stretch[0]) - 1
        return at >= 0 and at_ms < self._stretches[at][1]


def _same(message: Message, topic: str, body: str, retain: int) -> bool:
    """Whether a stored row is this message; what its topic begins with may not be in the journal."""
    return (message.body, int(message.retain)) == (body, retain) and topic.endswith(message.topic)


def _id(body: str) -> str:
    """The message's own id, or "" where the body is no message."""
    try:
        return str(json.loads(body)["id"])
    except (ValueError, TypeError, KeyError):
        return ""
