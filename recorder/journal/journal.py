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
from pathlib import Path
from typing import TextIO

from sqlite_utils import Database

from recorder import private
from recorder.clock import Stamp
from recorder.core.effects import Effect, Record
from recorder.core.events import Event
from recorder.journal import schema
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import encode
from recorder.journal.errors import JournalDamaged, JournalError
from recorder.journal.file_integrity import check, damaged, is_ours, locked, orphaned, sound
from recorder.journal.messages import Message, Possible, Unsent
from recorder.journal.migrations import migrations
from recorder.journal.reader import ENTRY, Reader, as_entry, as_row
from recorder.journal.sqlite_errors import DAMAGE, is_damage, remedy
from recorder.journal.watch import FileCut, FileGone, Watch

__all__ = ["ENTRY", "Journal", "Message", "Possible", "Post", "Unsent", "as_entry", "as_row"]

Post = Callable[[Entry, Event, Sequence[Effect]], Iterable[Message]]
"""Makes the messages of one entry."""


class Journal(Reader):
    """An open database of records. Make one with `open` or `read`."""

    def __init__(self, db: Database, post: Post) -> None:
        super().__init__(db.conn)
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

    def mark_sent(self, ids: Iterable[int], at_ms: int) -> None:
        """Note that the broker has these messages, each once; raises `JournalError`."""
        with self._commit():
            for each in ids:
                sql = "UPDATE outbox SET sent_ms = ? WHERE id = ? AND sent_ms IS NULL"
                self._db.conn.execute(sql, (at_ms, each))

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
