"""What was seen outside of a recorder that died, and what its records must then say."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from recorder.demo.subscriber import Subscriber
from recorder.journal.reader import Reader
from recorder.loop import restored
from recorder.snapshot import beside, start
from tests.waiting import until

ASKED = ("status", "time left", "last reading", "what next", "what can i say")
"""Commands that ask and change nothing have no row of their own."""


def starts_as_it_was(records: Path) -> bool:
    """Asserts that the state which is kept beside the database leads to the same station as the whole journal.

    Whether one was kept that can be used.
    """
    with Reader.open(records) as journal:
        kept = start(beside(records), journal)
        resumed = restored(journal, kept)
        assert resumed == restored(journal)
        return kept.seq > 0


class Witness:
    """What was seen outside, as the lives wrote it down before they went on."""

    def __init__(self, text: str) -> None:
        self.cued: dict[int, str] = {}
        """Kinds of the entries whose cue was given, by number."""
        self.given: set[str] = set()
        """Ids of the messages that were given to the broker, or were about to."""
        self.taken: set[str] = set()
        """Ids of those that it acknowledged."""
        for what, first, *rest in (line.split(" ") for line in text.splitlines()):
            match what:
                case "cued":
                    self.cued[int(first)] = " ".join(rest)
                case "given":
                    self.given.add(first)
                case "taken":
                    self.taken.update((first, *rest))

    def compare(self, connection: sqlite3.Connection) -> None:
        """Asserts that the database has what was seen: cued entries, commands' rows, messages; marked is taken."""
        kinds = dict(connection.execute("SELECT seq, kind FROM journal").fetchall())
        rows = {row[0] for row in connection.execute("SELECT id FROM commands")}
        rows |= {
            row[0]
            for asked in ASKED
            for row in connection.execute("SELECT seq FROM journal WHERE body LIKE ?", (f'%"{asked}"%',))
        }
        for seq, kind in self.cued.items():
            assert kinds.get(seq) == kind, f"entry {seq} was cued and is not there"
            assert kind != "heard" or seq in rows, f"the command of entry {seq} has no row"
        sent = messages(connection)
        lost = self.given - {id for _, id in sent}
        assert not lost, f"the broker was given {lost}, of which no entry is there"
        unsent = {id for (_, id), is_sent in sent.items() if is_sent} - self.taken
        assert not unsent, f"{unsent} are marked as sent and were not acknowledged"


def all_arrived(records: Path, phone: Subscriber, before: frozenset[str] = frozenset()) -> None:
    """Asserts that every message of the journal is at the subscriber, or its id is in `before`, and none is invented.

    The last life's goodbye may still be on its way.
    """
    with closing(sqlite3.connect(records)) as connection:
        made = messages(connection)
        newest = connection.execute("SELECT max(seq) FROM journal").fetchone()[0]
    sent = {key for key, is_sent in made.items() if is_sent and key[1] not in before}
    until(lambda: sent <= phone.messages.keys(), "every message has arrived")
    assert set(phone.messages) <= made.keys(), "the subscriber has a message that no entry made"
    late = [id for (_, id), is_sent in made.items() if not is_sent and int(id.split("-")[0]) < newest]
    assert not late, f"{late} were never sent"


def messages(connection: sqlite3.Connection) -> dict[tuple[str, str], bool]:
    """The messages of the journal by `source` and `id`, and whether each is marked as sent."""
    rows = connection.execute("SELECT body, sent_ms IS NOT NULL FROM outbox").fetchall()
    bodies = [(json.loads(body), bool(is_sent)) for body, is_sent in rows]
    return {(body["source"], body["id"]): is_sent for body, is_sent in bodies}
