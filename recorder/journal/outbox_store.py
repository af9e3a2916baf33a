"""The messages that wait on disk for the broker: written with their entry, marked once the broker has them.

They are rows of the journal's database, so an entry and its messages are one commit. Knows no broker.
"""

from collections.abc import Iterable

from recorder.journal.messages import Message, Unsent
from recorder.journal.reader import rows
from recorder.journal.transactions import Transactions

WAITING = "SELECT id, topic, body, retain FROM outbox WHERE sent_ms IS NULL"


class OutboxStore:
    """The outbox of a journal that is open for writing."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def put(self, seq: int, messages: Iterable[Message]) -> None:
        """Write the messages of entry `seq`, within the commit that writes it."""
        for message in messages:
            self._transactions.connection.execute(
                "INSERT INTO outbox (seq, topic, body, retain) VALUES (?, ?, ?, ?)",
                (seq, message.topic, message.body, int(message.retain)),
            )

    def count_unsent(self) -> int:
        """How many messages wait; raises `JournalError`."""
        sql = "SELECT count(*) FROM outbox WHERE sent_ms IS NULL"
        return int(next(rows(self._transactions.connection, sql))[0])

    def unsent(self, after: int = 0, most: int = 20) -> list[Unsent]:
        """The oldest messages after id `after` that wait to be sent, `most` at the most; raises `JournalError`."""
        found = rows(self._transactions.connection, f"{WAITING} AND id > ? ORDER BY id LIMIT ?", after, most)
        return [Unsent(id, Message(topic, body, bool(retain))) for id, topic, body, retain in found]

    def read_through(self) -> None:
        """Read every message that waits; raises `JournalError` where one can't be read."""
        for _ in rows(self._transactions.connection, WAITING):
            pass

    def mark_sent(self, ids: Iterable[int], at_ms: int) -> None:
        """Note that the broker has these messages, each once, in one commit; raises `JournalError`."""
        with self._transactions.commit():
            for each in ids:
                self._transactions.connection.execute(
                    "UPDATE outbox SET sent_ms = ? WHERE id = ? AND sent_ms IS NULL", (at_ms, each)
                )
