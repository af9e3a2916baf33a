"""Whether a file may be opened as a database of records: whose it is, whether it is sound, and who writes it.

It is looked at, and never changed or set aside here. Knows no entry.
"""

import fcntl
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TextIO

from recorder import private
from recorder.journal import schema
from recorder.journal.errors import JournalBusy, JournalDamaged, JournalError
from recorder.journal.migrations import STEPS, migrations, taken
from recorder.journal.sqlite_errors import DAMAGE, is_damage, remedy

TRACES = (b"journal_keeps", b"batch-recorderm0", b'{"at_ms":')
"""Bytes that a database of records has somewhere: a trigger's name, a row of its migrations, an entry's body."""

COLUMNS = "seq, at_ms, boot_id, boot_ms, wall_ms, wall_known, kind, body, previous, hash"
"""Of the table `journal`."""


def locked(path: Path) -> TextIO:
    """The right to write the database at `path`, until it is closed; raises `JournalBusy` and `JournalError`."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = private.appending(path.with_name(f"{path.name}.lock"))
    except OSError as error:
        raise JournalError(f"{path} can't be opened: {error}{remedy(error)}") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock.close()
        if isinstance(error, BlockingIOError):
            raise JournalBusy(f"{path} is being written by a recorder that runs; stop it first") from error
        raise JournalError(f"{lock.name} can't be locked: {error}{remedy(error)}") from error
    return lock


def check(path: Path, connection: sqlite3.Connection) -> None:
    """Raises `JournalError` unless this is a sound database of ours, by this version or an older, or a fresh one."""
    if (found := connection.execute("PRAGMA quick_check(1)").fetchone()[0]) != "ok":
        raise damaged(path, found, is_ours(connection))
    if not taken(connection) <= STEPS:
        raise JournalError(f"{path} was written by a newer version; install that one, or name another file")
    if not (is_ours(connection) or _is_fresh(connection)):
        if _traces(path):
            raise JournalDamaged(f"{path} is damaged: its journal is not there, or not as it was made")
        raise JournalError(f"{path} is another program's database; name another file")
    if changed := next(schema.faults(connection), None):
        raise JournalDamaged(f"{path} is damaged: {changed[0]}: {changed[1]}")


def sound(path: Path) -> bool:
    """Whether `check` holds for a connection that can't write; raises `JournalError` where it does not.

    One that can would change a damaged file: as it closes, it writes the log into it. False where SQLite has to write
    before it can read, as after a first start that was cut short.
    """
    if not (path.is_file() and path.stat().st_size):
        return False
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            connection.execute("PRAGMA trusted_schema = OFF")
            check(path, connection)
    except DAMAGE as error:
        if is_damage(error):
            raise
        return False
    return True


def orphaned(path: Path) -> bool:
    """Whether the write-ahead log of a database is there and the database is not; SQLite would throw it away."""
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0 and not (path.exists() and path.stat().st_size > 0)


def read_whole(path: Path) -> None:
    """Raises `JournalError` unless each byte of the database and its log can be read.

    SQLite calls a file damaged that the disk does not give, and it may be sound on another day.
    """
    try:
        for file in (path, path.with_name(f"{path.name}-wal")):
            if file.exists():
                with file.open("rb") as opened:
                    while opened.read(1 << 20):
                        pass
    except OSError as error:
        raise JournalError(f"{path} can't be read: {error}{remedy(error)}") from error


def damaged(path: Path, found: str, ours: bool) -> JournalError:
    """The error for a database that is damaged; a file that may be another program's is for a person to see to."""
    read_whole(path)
    found = " ".join(found.split())  # SQLite's own report has lines
    if ours or _traces(path):
        return JournalDamaged(f"{path} is damaged: {found}")
    return JournalError(
        f"{path} can't be used: {found}; if it is the database of records set it aside, or name another"
    )


def _traces(path: Path) -> bool:
    """Whether a file that can't be read as a database has been one of ours: a trigger, a step or an entry is in it.

    Nothing but zeros, as some disks leave after a power cut, counts too: it is nobody's.
    """
    zeros, rest = True, b""
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            if any(trace in rest + block for trace in TRACES):
                return True
            zeros &= not any(block)
            rest = block[-16:]
    return zeros


def is_ours(connection: sqlite3.Connection) -> bool:
    """Whether this database has a journal with the columns that ours has: a table, since a view need not end."""
    names = [name for (name,) in connection.execute("SELECT name FROM pragma_table_info('journal')")]
    kinds = [kind for (kind,) in connection.execute("SELECT type FROM pragma_table_list WHERE name = 'journal'")]
    return names == COLUMNS.split(", ") and kinds == ["table"]


def _is_fresh(connection: sqlite3.Connection) -> bool:
    """Whether nothing is in it yet but what a first start that was cut short leaves."""
    left = "SELECT name FROM sqlite_master WHERE tbl_name != ?"
    return connection.execute(left, (migrations.migrations_table,)).fetchone() is None
