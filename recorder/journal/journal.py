"""The journal: one commit per event, with the rows and messages that it caused. It judges nothing.

One connection in one thread; WAL with synchronous=FULL, so that what was committed survives a power cut, and psow=0, so
that it does where flash spoils the whole block that it was writing (tests/cuts.py). A failed commit is final: the
journal refuses all further use, because a recorder that runs on unrecorded is worse than none. The only door to
sqlite-utils.
"""

import ctypes
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from sqlite_utils import Database

from recorder import private
from recorder.clock import Stamp
from recorder.core.effects import Effect, Record
from recorder.core.events import Event, Started
from recorder.journal import schema
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import CodecError, decode, encode
from recorder.journal.errors import JournalDamaged, JournalError, JournalNewer
from recorder.journal.migrations import ADDED, FIRST, STEPS, columns, migrations, taken
from recorder.journal.remedies import DAMAGE, is_damage, remedy
from recorder.journal.soundness import COLUMNS, check, damaged, is_ours, locked, orphaned, sound
from recorder.journal.watch import FileCut, FileGone, Watch


@dataclass(frozen=True, slots=True)
class Message:
    """What goes to the broker."""

    topic: str
    body: str
    """JSON."""
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Possible:
    """A message that an entry can have made; which ones it did make depends on what the station published then."""

    id: str
    """The message's own, as it stands in its body."""
    must: bool
    """Whether it is made whatever is published."""
    make: Callable[[], Message]


@dataclass(frozen=True, slots=True)
class Unsent:
    """A message that waits on disk."""

    id: int
    message: Message


Post = Callable[[Entry, Event, Sequence[Effect]], Iterable[Message]]
"""Makes the messages of one entry."""

ENTRY = f"SELECT {COLUMNS} FROM journal"
"""The columns that `as_entry` takes."""


class Journal:
    """An open database of records. Make one with `open` or `read`."""

    def __init__(self, db: Database, post: Post) -> None:
        self._db = db
        self._post = post
        self._broken = False
        self._left_open = False
        self._last: Entry | None = None
        self._lock: TextIO | None = None
        """Held while this is open for writing: there is one writer."""
        self._watch: Watch | None = None
        """Over the files that are written."""
        self._schema = 0
        """SQLite's number for how the database is made, which any change of that moves on."""

    @classmethod
    def open(cls, path: Path, post: Post = lambda entry, event, effects: ()) -> "Journal":
        """The journal at `path`, made if it is missing; raises `JournalError`.

        A file that is damaged or another program's is left as it was.
        """
        with ExitStack() as opened:
            lock = opened.enter_context(locked(path))
            try:
                if orphaned(path):
                    raise JournalDamaged(f"{path} is missing or empty, and its write-ahead log is there")
                known = sound(path)
                private.make(path)
                address = f"{path.absolute().as_uri()}?psow=0"
                connection = opened.enter_context(closing(sqlite3.connect(address, uri=True)))
                db = Database(connection, execute_plugins=False)
                connection.execute("PRAGMA trusted_schema = OFF")
                if not known:
                    check(path, connection)
                db.enable_wal()
                for pragma in ("synchronous = FULL", "journal_size_limit = 16777216"):
                    connection.execute(f"PRAGMA {pragma}")
                migrations.apply(db)
                schema.complete(connection)
                journal = cls(db, post)
                journal._last = journal.newest()
                journal._schema = journal._schema_now()
                journal._watch = Watch(path, Path(lock.name))
            except DAMAGE as error:
                if is_damage(error):
                    raise damaged(path, str(error), False) from error
                raise JournalError(f"{path} can't be used: {error}{remedy(error)}") from error
            except OSError as error:
                raise JournalError(f"{path} can't be opened: {error}{remedy(error)}") from error
            journal._lock = lock
            opened.pop_all()
            return journal

    @classmethod
    def read(cls, path: Path) -> "Journal":
        """The journal at `path` for reading only, as it stands now whatever is appended; raises `JournalError`."""
        if not path.is_file():
            raise JournalError(f"{path} is not a file; name the database of records")
        connection = None
        try:
            connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
            connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute("BEGIN")
            if not is_ours(connection):
                raise sqlite3.DatabaseError("it has no journal")
            return cls(Database(connection, execute_plugins=False), lambda entry, event, effects: ())
        except DAMAGE as error:
            if connection:
                connection.close()
            raise JournalError(f"{path} can't be read as a database of records: {error}") from error

    def append(self, stamp: Stamp, event: Event, effects: Sequence[Effect]) -> Entry:
        """Write `event`, the rows that it changed and its messages, all in one commit; raises `JournalError`."""
        if self._broken:
            raise JournalError("an earlier commit failed; the journal takes no more")
        seq, previous = (self._last.seq + 1, self._last.hash) if self._last else (1, GENESIS)
        with self._commit():
            entry = linked(seq, stamp, *encode(event), previous)
            self._write(entry, effects, self._post(entry, event, effects))
        self._last = entry
        return entry

    @contextmanager
    def _commit(self) -> Iterator[None]:
        """What is written meanwhile is one commit, found where it belongs; raises `JournalError`."""
        try:
            if self._watch:
                self._watch.stay()
            with self._db.atomic():
                if self._watch and self._schema_now() != self._schema:
                    raise JournalError(
                        "somebody changed how the database is made while the recorder writes it; batch-recorder verify"
                        " names what, and the next start sets the file aside"
                    )
                yield
            if self._watch:
                self._watch.stay(own=True)
                self._watch.note()
        except Exception as error:
            self._broken = True
            self._save(error)
            raise JournalError(f"the record can't be kept: {error}{remedy(error)}") from error

    def _save(self, error: Exception) -> None:
        """As far as `error` left something to be saved, or to be kept from harm.

        Where the log alone lost its name, what it holds goes into the database. Where it was cut, what stands in it is
        nobody's: SQLite would write that into the database as it closes, so this connection is never closed.
        """
        if isinstance(error, FileGone) and error.log_alone:
            with suppress(*DAMAGE):
                self._db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        if isinstance(error, FileCut):
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self._db.conn))
            self._left_open = True

    def _schema_now(self) -> int:
        return int(self._db.conn.execute("PRAGMA schema_version").fetchone()[0])

    def entries(self, after: int = 0) -> Iterator[tuple[Entry, Event]]:
        """All entries after number `after`, in order; raises `JournalError` for one that can't be read."""
        for row in self.rows(f"{ENTRY} WHERE seq > ? ORDER BY seq", after):
            entry = as_entry(row)
            yield entry, _event(entry)

    def first(self) -> Entry | None:
        """The first entry, or None; raises `JournalError`."""
        return self._one("seq LIMIT 1")

    def newest(self) -> Entry | None:
        """The last entry, or None; raises `JournalError`."""
        return self._one("seq DESC LIMIT 1")

    def at(self, seq: int) -> Entry | None:
        """The entry with this number, or None."""
        return self._one("seq", "seq = ?", seq)

    def after(self, entry: Entry) -> Entry | None:
        """The next entry, or None."""
        return self._one("seq LIMIT 1", "seq > ?", entry.seq)

    def last_where(self, true: Callable[[Entry], bool], first: Entry, newest: Entry) -> Entry:
        """The last entry of which `true` holds, where it holds of `first` and, from some entry on, no more.

        Reads no more than some twenty of them.
        """
        if true(newest):
            return newest
        good, bad = first, newest
        while bad.seq - good.seq > 1:
            middle = self._one("seq LIMIT 1", "seq >= ?", (good.seq + bad.seq) // 2)
            if middle is None or middle.seq >= bad.seq:  # entries are missing
                middle = self._one("seq DESC LIMIT 1", "seq < ?", (good.seq + bad.seq) // 2)
                if middle is None or middle.seq <= good.seq:
                    break
            good, bad = (middle, bad) if true(middle) else (good, middle)
        return good

    def between(self, low_ms: int, high_ms: int) -> Iterator[Event]:
        """The events that were recorded from `low_ms` up to and with `high_ms`; raises `JournalError`."""
        first, newest = self.first(), self.newest()
        if not first or not newest or first.stamp.at_ms > high_ms or newest.stamp.at_ms < low_ms:
            return
        before = self.last_where(lambda entry: entry.stamp.at_ms < low_ms, first, newest)
        after = before.seq - (before.stamp.at_ms >= low_ms)
        for entry, event in self.entries(after):
            if entry.stamp.at_ms > high_ms:
                return
            yield event

    def all_of(self, kind: str) -> Iterator[Event]:
        """All events of this kind, in order; raises `JournalError` for one that can't be read."""
        for row in self.rows(f"{ENTRY} WHERE kind = ? ORDER BY seq", kind):
            yield _event(as_entry(row))

    def newest_of(self, kind: str, high_ms: int) -> Event | None:
        """The newest event of this kind that was recorded up to and with `high_ms`, or None."""
        entry = self._one("seq DESC LIMIT 1", "kind = ? AND at_ms <= ?", kind, high_ms)
        return _event(entry) if entry else None

    def newest_known(self, first: int, last: int) -> Stamp | None:
        """The newest stamp of entries `first` to `last` whose wall clock was known to be set."""
        entry = self._one("seq DESC LIMIT 1", "seq BETWEEN ? AND ? AND wall_known", first, last)
        return entry.stamp if entry else None

    def table(self, name: str, where: str = "1", *values: Any) -> list[dict[str, Any]]:
        """The rows of one of the trade's tables `where` SQL holds, in the order of their ids; raises `JournalError`."""
        return list(self.each(name, where, *values))

    def each(self, name: str, where: str = "1", *values: Any) -> Iterator[dict[str, Any]]:
        """As `table`, but one row at a time.

        In a file that no recorder has opened since, a later column is None and a later table has no rows.
        """
        held = {column for (column,) in self.rows("SELECT name FROM pragma_table_info(?)", name)}
        if not held and name not in FIRST:
            return
        names = [column for column in columns(name) if column in held or column not in ADDED.get(name, ())]
        empty = dict.fromkeys(columns(name))
        for row in self.rows(f"SELECT {', '.join(names)} FROM {name} WHERE {where} ORDER BY id", *values):
            yield empty | dict(zip(names, row, strict=True))

    def last_checks(self, most: int) -> list[dict[str, Any]]:
        """The newest rows of the table of checks that were read and not struck, oldest first."""
        read = "SELECT id FROM checks WHERE temp_c IS NOT NULL AND NOT struck ORDER BY id DESC LIMIT ?"
        return self.table("checks", f"id IN ({read})", most)

    def rules(self) -> int:
        """The rules that the last recorder started with; 1 where none did yet; raises `JournalError`."""
        started = self._one("seq DESC LIMIT 1", "kind = 'started'")
        event = _event(started) if started else None
        return event.rules if isinstance(event, Started) else 1

    def changed(self) -> Iterator[tuple[str, str]]:
        """What in the file is not made as the recorder makes it, and how not; raises `JournalError`."""
        try:
            yield from schema.faults(self._db.conn)
        except DAMAGE as error:
            raise JournalError(f"the file can't be read here: {error}{remedy(error)}") from error

    def newer_steps(self) -> str:
        """The steps of the schema that only a newer version knows, for people; "" where there are none."""
        return ", ".join(sorted(taken(self._db.conn) - STEPS))

    def count_unsent(self) -> int:
        """How many messages wait."""
        return int(next(self.rows("SELECT count(*) FROM outbox WHERE sent_ms IS NULL"))[0])

    def unsent(self, after: int = 0, most: int = 20) -> list[Unsent]:
        """The oldest messages after id `after` that wait to be sent, `most` at the most."""
        sql = "SELECT id, topic, body, retain FROM outbox WHERE sent_ms IS NULL AND id > ? ORDER BY id LIMIT ?"
        return [Unsent(row[0], Message(row[1], row[2], bool(row[3]))) for row in self.rows(sql, after, most)]

    def mark_sent(self, ids: Iterable[int], at_ms: int) -> None:
        """Note that the broker has these messages, each once; raises `JournalError`."""
        with self._commit():
            for each in ids:
                sql = "UPDATE outbox SET sent_ms = ? WHERE id = ? AND sent_ms IS NULL"
                self._db.conn.execute(sql, (at_ms, each))

    def copy_to(self, empty: sqlite3.Connection) -> None:
        """Copy all to another database, as it stands at this moment, whatever is appended; raises `sqlite3.Error`."""
        self._db.conn.backup(empty)

    def truncate_log(self) -> None:
        """Move SQLite's write-ahead log into the database and empty it; raises `JournalError`.

        Where a reader is in the way some of it stays, until the next time.
        """
        if self._watch:
            self._watch.stay()
        next(self.rows("PRAGMA wal_checkpoint(TRUNCATE)"))
        if self._watch:
            self._watch.note()

    def close(self) -> None:
        if self._watch:
            try:
                self._watch.stay()
            except JournalError as error:
                self._save(error)
            self._watch.close()
        if not self._left_open:
            self._db.close()
        if self._lock:
            self._lock.close()

    def _write(self, entry: Entry, effects: Sequence[Effect], messages: Iterable[Message]) -> None:
        run = self._db.conn.execute
        run("INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", as_row(entry))
        for record in effects:
            if isinstance(record, Record):
                row = {"id": record.id, **dict(record.row)}
                names, marks = ", ".join(row), ", ".join("?" * len(row))
                run(f"INSERT OR REPLACE INTO {record.table} ({names}) VALUES ({marks})", tuple(row.values()))
        for message in messages:
            run(
                "INSERT INTO outbox (seq, topic, body, retain) VALUES (?, ?, ?, ?)",
                (entry.seq, message.topic, message.body, int(message.retain)),
            )

    def rows(self, sql: str, *values: Any) -> Iterator[tuple[Any, ...]]:
        """Rows as they are stored; raises `JournalError` where they can't be read."""
        try:
            yield from self._db.conn.execute(sql, values)
        except DAMAGE as error:
            kind = JournalDamaged if is_damage(error) else JournalError
            raise kind(f"the file can't be read here: {error}{remedy(error)}") from error

    def _one(self, place: str, where: str = "1", *values: Any) -> Entry | None:
        row = next(self.rows(f"{ENTRY} WHERE {where} ORDER BY {place}", *values), None)
        return as_entry(row) if row else None


def _event(entry: Entry) -> Event:
    try:
        return decode(entry.kind, entry.body)
    except CodecError as error:
        if _as_written(entry):
            raise JournalNewer(
                f"entry {entry.seq} can't be read: {error}; a newer version wrote it: install that one"
            ) from error
        raise JournalDamaged(f"entry {entry.seq} can't be read: {error}; see batch-recorder verify") from error


def _as_written(entry: Entry) -> bool:
    """Whether its hash is its own: then a program wrote it so, such as a newer version."""
    try:
        return linked(entry.seq, entry.stamp, entry.kind, entry.body, entry.previous).hash == entry.hash
    except (CodecError, TypeError):
        return False


def as_entry(row: tuple[Any, ...]) -> Entry:
    """The entry in a row of the journal."""
    seq, at_ms, boot_id, boot_ms, wall_ms, wall_known, kind, body, previous, digest = row
    return Entry(seq, Stamp(at_ms, boot_id, boot_ms, wall_ms, bool(wall_known)), kind, body, previous, digest)


def as_row(entry: Entry) -> tuple[Any, ...]:
    """The row of the journal for an entry."""
    stamp = entry.stamp
    when = (stamp.at_ms, stamp.boot_id, stamp.boot_ms, stamp.wall_ms, int(stamp.wall_known))
    return (entry.seq, *when, entry.kind, entry.body, entry.previous, entry.hash)
