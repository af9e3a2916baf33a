"""Whether a database of records is what it says: how it is made, its entries, and every row that they explain."""

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, nullcontext
from pathlib import Path
from typing import Any

from recorder.core.effects import Effect, Record
from recorder.journal.chain import GENESIS
from recorder.journal.columns import TABLES, stored_in
from recorder.journal.errors import JournalError, JournalNewer
from recorder.journal.finding import Finding, Kind, RecordFault
from recorder.journal.reader import Reader
from recorder.journal.replay import Replay, Way
from recorder.journal.verify_entries import Chain, entries, read
from recorder.journal.verify_link import Link
from recorder.journal.verify_outbox import Outbox

__all__ = ["Finding", "Kind", "RecordFault", "Replay", "Way", "verify"]


def verify(path: Path, replay: Replay, opened: Reader | None = None) -> Finding:
    """Check the database at `path`, or as it stands for `opened`, which reads it and stays open.

    Raises `JournalError` when it can't be opened as one at all, and `JournalNewer` for one that a newer version wrote,
    as long as nothing in it was changed that this version knows.
    """
    with closing(_Expected()) as expected, nullcontext(opened) if opened else Reader.open(path) as journal:
        try:
            newer = journal.newer_steps()
            made = [] if newer else [RecordFault(what, None, wrong) for what, wrong in journal.changed()]
            otherwise = {fault.table for fault in made}
            if "table journal" in otherwise:
                return Finding(0, GENESIS, 0, tuple(made))
            chain = Chain()
            outbox, link = Outbox(journal, "table outbox" not in otherwise), Link()
            for row, entry in entries(journal, chain.faults):
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
            for (found,) in read(journal, "PRAGMA integrity_check(10)", "file", faults):
                if found != "ok":
                    faults.append(RecordFault("file", None, str(found), Kind.UNREADABLE))
        except sqlite3.Error as error:
            raise JournalError(
                f"there is no room to verify {path}: {error}; make some where SQLITE_TMPDIR says"
            ) from error
    if newer and not faults:
        raise JournalNewer(f"{path} was written by a newer version ({newer}); verify it with that version")
    return Finding(chain.entries, chain.head, rows, (*made, *faults))


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
        self._db.execute("INSERT OR REPLACE INTO expected VALUES (?, ?, ?)", (stored_in(record), record.id, row))

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


def _table_faults(journal: Reader, table: str, expected: _Expected) -> Iterator[RecordFault]:
    try:
        for row in journal.each(table):
            wanted = expected.take(table, row["id"])
            if wanted is None:
                yield RecordFault(table, row["id"], "no entry of the journal explains this row", Kind.ADDED)
            elif differing := [name for name, value in row.items() if wanted.get(name) != value]:
                name = differing[0]
                yield RecordFault(table, row["id"], f"{name} is {row[name]!r}, the journal says {wanted.get(name)!r}")
    except JournalError as error:
        yield RecordFault(table, None, str(error), Kind.UNREADABLE)
        return
    for id in expected.left(table):
        yield RecordFault(table, id, "the row is missing", Kind.MISSING)
