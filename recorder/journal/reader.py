"""Reading a database of records: it can only read, and judges nothing."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from recorder.clock import Stamp
from recorder.core.effects import EARLIER_TABLES
from recorder.core.events import Event, Started
from recorder.journal import schema
from recorder.journal.chain import Entry, linked
from recorder.journal.codec import CodecError, decode
from recorder.journal.columns import columns
from recorder.journal.errors import JournalDamaged, JournalError, JournalNewer
from recorder.journal.file_integrity import COLUMNS, is_ours
from recorder.journal.migrations import STEPS, taken
from recorder.journal.sqlite_errors import DAMAGE, is_damage, remedy

HEADER = b"SQLite format 3\0"
"""So begins every database of SQLite (sqlite.org/fileformat.html)."""

ENTRY = f"SELECT {COLUMNS} FROM journal"
"""The columns that `as_entry` takes."""


def _begins(path: Path) -> bytes:
    """The first bytes of a file, which may be a large one."""
    with path.open("rb") as file:
        return file.read(len(HEADER))


class Reader:
    """The entries and rows of an open database. Make one with `open`; as a context manager it is closed at the end."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._otherwise: frozenset[str] | None = None

    @classmethod
    def open(cls, path: Path) -> "Reader":
        """The database at `path` as it stands now, whatever is appended; raises `JournalError`."""
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
            return cls(connection)
        except DAMAGE as error:
            if connection:
                connection.close()
            if is_damage(error) and _begins(path) == HEADER:
                raise JournalError(f"{path} can't be read as a database of records: {error}{remedy(error)}") from error
            raise JournalError(f"{path} is no database of records ({error}); name that, such as records.db") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self._connection.close()

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

    def ends(self) -> tuple[Entry, Entry] | None:
        """The first entry and the last one; None where there is none; raises `JournalError`."""
        first, newest = self.first(), self.newest()
        return (first, newest) if first and newest else None

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
        ends = self.ends()
        if not ends or ends[0].stamp.at_ms > high_ms or ends[1].stamp.at_ms < low_ms:
            return
        before = self.last_where(lambda entry: entry.stamp.at_ms < low_ms, *ends)
        after = before.seq - (before.stamp.at_ms >= low_ms)
        for entry, event in self.entries(after):
            if entry.stamp.at_ms > high_ms:
                return
            yield event

    def all_of(self, kind: str) -> Iterator[Event]:
        """All events of this kind, in order; raises `JournalError` for one that can't be read."""
        for row in self.rows(f"{ENTRY} WHERE kind = ? ORDER BY seq", kind):
            yield _event(as_entry(row))

    def of_kinds(self, *kinds: str, low_ms: int | None = None, high_ms: int | None = None) -> Iterator[Entry]:
        """The entries of these kinds that were recorded from `low_ms` up to and with `high_ms`, in order.

        None: without end. Their bodies are not decoded. Raises `JournalError`.
        """
        where, values = f"kind IN ({', '.join('?' * len(kinds))})", list[str | int](kinds)
        for bound, sign in ((low_ms, ">="), (high_ms, "<=")):
            if bound is not None:
                where += f" AND at_ms {sign} ?"
                values.append(bound)
        return map(as_entry, self.rows(f"{ENTRY} WHERE {where} ORDER BY seq", *values))

    def newest_of(self, kind: str, high_ms: int) -> Event | None:
        """The newest event of this kind that was recorded up to and with `high_ms`, or None."""
        entry = self._one("seq DESC LIMIT 1", "kind = ? AND at_ms <= ?", kind, high_ms)
        return _event(entry) if entry else None

    def newest_known(self, first: int, last: int) -> Stamp | None:
        """The newest stamp of entries `first` to `last` whose wall clock was known to be set."""
        entry = self._one("seq DESC LIMIT 1", "seq BETWEEN ? AND ? AND wall_known", first, last)
        return entry.stamp if entry else None

    def table(self, name: str, **equal: Any) -> list[dict[str, Any]]:
        """The rows of one of the trade's tables, in the order of their ids; raises `JournalError`.

        Those alone whose columns are `equal` to these values, where some are given: `table("alerts", ended_ms=None)`.
        """
        return list(self.each(name, **equal))

    def each(self, name: str, **equal: Any) -> Iterator[dict[str, Any]]:
        """As `table`, but one row at a time."""
        where = " AND ".join(f"{column} IS ?" for column in equal) or "1"
        return self._where(name, where, *equal.values())

    def within(self, name: str, column: str, least: int, most: int) -> Iterator[dict[str, Any]]:
        """As `each`, the rows that have from `least` up to and with `most` in this column."""
        return self._where(name, f"{column} BETWEEN ? AND ?", least, most)

    def greatest(self, name: str, column: str) -> int | None:
        """The greatest number in this column of all rows; None where there is none."""
        found = self._where(name, f"{column} = (SELECT max({column}) FROM {name})")
        return next((row[column] for row in found), None)

    def last_checks(self, most: int) -> list[dict[str, Any]]:
        """The newest rows of the table of checks that were read and not struck, oldest first."""
        read = "SELECT id FROM checks WHERE temp_c IS NOT NULL AND NOT struck ORDER BY id DESC LIMIT ?"
        return list(self._where("checks", f"id IN ({read})", most))

    def _where(self, name: str, where: str, *values: Any) -> Iterator[dict[str, Any]]:
        """The rows of a table of which this holds, in the order of their ids.

        In a file that no recorder has opened since, a later column is None and a later table has no rows. A table that
        was made otherwise, or that a view stands in for, is not read: it need not end, nor hold what a row can.
        """
        wanted, held = columns(name), self._columns(name)
        if not held and name in EARLIER_TABLES:
            name, held = EARLIER_TABLES[name], self._columns(EARLIER_TABLES[name])
        if name in self.made_otherwise():
            raise JournalError(
                f"the table {name} is not as the recorder makes it, and is not read: the file was changed;"
                " batch-recorder verify names what in it is otherwise"
            )
        names = [column for column in wanted if column in held]
        if not names:
            return
        empty = dict.fromkeys(wanted)
        for row in self.rows(f"SELECT {', '.join(names)} FROM {name} WHERE {where} ORDER BY id", *values):
            yield empty | dict(zip(names, row, strict=True))

    def _columns(self, table: str) -> set[str]:
        """The names of a table's columns in this file; none where it has no such table."""
        return {column for (column,) in self.rows("SELECT name FROM pragma_table_info(?)", table)}

    def rules(self) -> int:
        """The rules that the last recorder started with; 1 where none did yet; raises `JournalError`."""
        started = self._one("seq DESC LIMIT 1", "kind = 'started'")
        event = _event(started) if started else None
        return event.rules if isinstance(event, Started) else 1

    def changed(self) -> Iterator[tuple[str, str]]:
        """What in the file is not made as the recorder makes it, and how not; raises `JournalError`."""
        try:
            yield from schema.faults(self._connection)
        except DAMAGE as error:
            raise JournalError(f"the file can't be read here: {error}{remedy(error)}") from error

    def made_otherwise(self) -> frozenset[str]:
        """The tables that are not made as the recorder makes them, as far as this version knows how; see `changed`."""
        if self._otherwise is None:
            found = () if self.newer_steps() else self.changed()
            self._otherwise = frozenset(what.removeprefix("table ") for what, _ in found if what.startswith("table "))
        return self._otherwise

    def newer_steps(self) -> str:
        """The steps of the schema that only a newer version knows, for people; "" where none can be read."""
        with suppress(*DAMAGE):
            return ", ".join(sorted(taken(self._connection) - STEPS))
        return ""

    def copy_to(self, empty: sqlite3.Connection) -> None:
        """Copy all to another database, as it stands at this moment, whatever is appended; raises `sqlite3.Error`."""
        self._connection.backup(empty)

    def rows(self, sql: str, *values: Any) -> Iterator[tuple[Any, ...]]:
        """As the function `rows`; for this room and tests."""
        return rows(self._connection, sql, *values)

    def _one(self, place: str, where: str = "1", *values: Any) -> Entry | None:
        row = next(self.rows(f"{ENTRY} WHERE {where} ORDER BY {place}", *values), None)
        return as_entry(row) if row else None


def rows(connection: sqlite3.Connection, sql: str, *values: Any) -> Iterator[tuple[Any, ...]]:
    """Rows as they are stored; raises `JournalError` where they can't be read."""
    try:
        cursor = connection.execute(sql, values)
        try:
            for row in cursor:  # noqa: UP028 - the cursor is closed below, whoever drops this half-way
                yield row
        finally:
            with suppress(sqlite3.ProgrammingError):  # the file was closed before
                cursor.close()
    except DAMAGE as error:
        kind = JournalDamaged if is_damage(error) else JournalError
        raise kind(f"the file can't be read here: {error}{remedy(error)}") from error


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
