"""The journal: one commit per event, with the rows and messages that it caused. It judges nothing."""

from collections.abc import Iterable
from pathlib import Path

from recorder.clock import Stamp
from recorder.core.effects import Record
from recorder.core.events import Event
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import encode
from recorder.journal.columns import stored_in
from recorder.journal.errors import JournalError
from recorder.journal.messages import Message
from recorder.journal.outbox_store import OutboxStore
from recorder.journal.reader import Reader, as_row
from recorder.journal.transactions import Transactions


class Journal(Reader):
    """The one writer of a database of records, which it also reads. Make one with `open`."""

    def __init__(self, transactions: Transactions) -> None:
        """Raises `JournalError` where the newest entry can't be read."""
        super().__init__(transactions.connection)
        self._transactions = transactions
        self.outbox = OutboxStore(transactions)
        """The messages that wait."""
        self._last = self.newest()

    @classmethod
    def open(cls, path: Path) -> "Journal":
        """The journal at `path`, made if it is missing; raises `JournalError`.

        A file that is damaged or another program's is left as it was.
        """
        transactions = Transactions.open(path)
        try:
            return cls(transactions)
        except BaseException:
            transactions.close()
            raise

    def seal(self, stamp: Stamp, event: Event) -> Entry:
        """The next entry, with its number and hash, for `commit`. It writes nothing; raises `JournalError`."""
        seq, previous = (self._last.seq + 1, self._last.hash) if self._last else (1, GENESIS)
        with self._transactions.final():
            return linked(seq, stamp, *encode(event), previous)

    def commit(self, entry: Entry, rows: Iterable[Record] = (), messages: Iterable[Message] = ()) -> None:
        """Write `entry`, the rows that it changed and its messages, all in one commit; raises `JournalError`.

        `entry` is the one that `seal` gave last. `rows` and `messages` may be made while they are written: what fails
        then fails the commit.
        """
        with self._transactions.commit():
            if entry.previous != (self._last.hash if self._last else GENESIS):
                raise JournalError(f"entry {entry.seq} does not follow the last one; seal it again")
            run = self._transactions.connection.execute
            run("INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", as_row(entry))
            for record in rows:
                row = {"id": record.id, **dict(record.row)}
                names, marks = ", ".join(row), ", ".join("?" * len(row))
                run(f"INSERT OR REPLACE INTO {stored_in(record)} ({names}) VALUES ({marks})", tuple(row.values()))
            self.outbox.put(entry.seq, messages)
        self._last = entry

    def truncate_log(self) -> None:
        """Move SQLite's write-ahead log into the database and empty it; raises `JournalError`.

        Where a reader is in the way some of it stays, until the next time.
        """
        self._transactions.truncate_log()

    def close(self) -> None:
        """Close the database, and let another process write it."""
        self._transactions.close()
