"""Commits to a database that this process alone writes: whole, found where they belong, and the first failure the last.

One connection in one thread; WAL with synchronous=FULL, so that what was committed survives a power cut, and psow=0, so
that it does where flash spoils the whole block that it was writing (tests/cuts.py). After a failed commit nothing more
is written, because a recorder that runs on unrecorded is worse than none. Knows no entry. The only door to
sqlite-utils, beside the migrations.
"""

import ctypes
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import TextIO

from sqlite_utils import Database

from recorder import private
from recorder.journal import schema
from recorder.journal.errors import JournalDamaged, JournalError
from recorder.journal.file_integrity import check, damaged, locked, orphaned, sound
from recorder.journal.migrations import migrations
from recorder.journal.reader import rows
from recorder.journal.sqlite_errors import DAMAGE, is_damage, remedy
from recorder.journal.watch import FileCut, FileGone, Watch


class Transactions:
    """A database of records, open for writing. Make one with `open`."""

    def __init__(self, db: Database, watch: Watch, lock: TextIO) -> None:
        """`lock` is held while this is open: there is one writer. `watch` is over the files that are written."""
        self._db = db
        self._watch = watch
        self._lock = lock
        self._schema = self._schema_now()
        """SQLite's number for how the database is made, which any change of that moves on."""
        self._broken = False
        self._left_open = False

    @classmethod
    def open(cls, path: Path) -> "Transactions":
        """The database at `path`, made if it is missing; raises `JournalError`.

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
                made = cls(db, Watch(path, Path(lock.name)), lock)
            except DAMAGE as error:
                if is_damage(error):
                    raise damaged(path, str(error), False) from error
                raise JournalError(f"{path} can't be used: {error}{remedy(error)}") from error
            except OSError as error:
                raise JournalError(f"{path} can't be opened: {error}{remedy(error)}") from error
            opened.pop_all()
            return made

    @property
    def connection(self) -> sqlite3.Connection:
        """For reading, and for writing within `commit`."""
        return self._db.conn

    @contextmanager
    def final(self) -> Iterator[None]:
        """If what is done meanwhile fails, nothing more is written; raises `JournalError` then, and ever after."""
        if self._broken:
            raise JournalError("an earlier commit failed; the journal takes no more")
        try:
            yield
        except Exception as error:
            self._broken = True
            self._save(error)
            raise JournalError(f"the record can't be kept: {error}{remedy(error)}") from error

    @contextmanager
    def commit(self) -> Iterator[None]:
        """What is written meanwhile is one commit, found where it belongs; raises `JournalError`."""
        with self.final():
            self._watch.stay()
            with self._db.atomic():
                if self._schema_now() != self._schema:
                    raise JournalError(
                        "somebody changed how the database is made while the recorder writes it; batch-recorder verify"
                        " names what, and the next start sets the file aside"
                    )
                yield
            self._watch.stay(own=True)
            self._watch.note()

    def _save(self, error: Exception) -> None:
        """As far as `error` left something to be saved, or to be kept from harm.

        Where the log alone lost its name, what it holds goes into the database. Where it was cut, what stands in it is
        nobody's: SQLite would write that into the database as it closes, so this connection is never closed.
        """
        if isinstance(error, FileGone) and error.log_alone:
            with suppress(JournalError):
                self._empty_log()
        if isinstance(error, FileCut):
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self.connection))
            self._left_open = True

    def _empty_log(self) -> None:
        next(rows(self.connection, "PRAGMA wal_checkpoint(TRUNCATE)"))

    def _schema_now(self) -> int:
        return int(self.connection.execute("PRAGMA schema_version").fetchone()[0])

    def truncate_log(self) -> None:
        """Move SQLite's write-ahead log into the database and empty it; raises `JournalError`.

        Where a reader is in the way some of it stays, until the next time.
        """
        self._watch.stay()
        self._empty_log()
        self._watch.note()

    def close(self) -> None:
        """Close the database, and let another process write it."""
        try:
            self._watch.stay()
        except JournalError as error:
            self._save(error)
        self._watch.close()
        if not self._left_open:
            self._db.close()
        self._lock.close()
