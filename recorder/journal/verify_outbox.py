"""Whether the messages on disk are those that the entries made, and are marked as sent when that could be."""

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from recorder.core.effects import Effect, Record
from recorder.core.events import Event, Started
from recorder.journal.chain import Entry
from recorder.journal.errors import JournalError
from recorder.journal.finding import Kind, RecordFault
from recorder.journal.messages import Message, Possible
from recorder.journal.reader import Reader
from recorder.journal.replay import Replay, Way
from recorder.journal.verify_entries import read
from recorder.journal.verify_link import Link

ONCE = {"commands": ("outcome", "reply")}
"""Table -> columns of a row that stay as they were when it was made."""

SENT_SLACK_MS = 24 * 3_600_000
"""A broker that comes back is an entry, and what waited goes out then: nothing is sent a day after the newest one."""


class Outbox:
    """The messages on disk, compared entry by entry, so that no more than one entry's are in memory."""

    def __init__(self, journal: Reader, readable: bool) -> None:
        sql = "SELECT id, seq, topic, body, retain, sent_ms FROM outbox ORDER BY seq, id"
        self._journal, self._readable = journal, readable
        self._unread: list[RecordFault] = []
        self._rows = read(journal, sql, "outbox", self._unread) if readable else iter(())
        self._next = next(self._rows, None)
        self._wrong: list[RecordFault] = []
        self._missing: list[RecordFault] = []
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
                        stored[made.table] = self._stored(made.table, entry.seq)
                    row, values = stored[made.table], dict(made.row)
                    if row and any(row[name] != values.get(name) for name in ONCE[made.table]):
                        return False
            return True

        return [place for place in fit if agrees(place)] or fit

    def _stored(self, table: str, id: int) -> dict[str, Any] | None:
        """The row as it stands on disk; None where it can't be read."""
        try:
            return next(self._journal.each(table, id=id), None)
        except JournalError:
            return None

    def _compared(
        self, entry: Entry, rows: Sequence[tuple[Any, ...]], posts: Iterable[Possible]
    ) -> tuple[list[RecordFault], list[RecordFault]]:
        """What is wrong with the messages of `entry`, which could have made `posts`, and what is missing."""
        possible = {each.id: each for each in posts}
        seen, wrong = set(), []
        for number, at, topic, body, retain, _ in rows:
            id = _id(body)
            if at != entry.seq or id not in possible:
                wrong.append(RecordFault("outbox", number, "no entry of the journal explains this message", Kind.ADDED))
                continue
            if id in seen:
                wrong.append(RecordFault("outbox", number, "the message is there twice", Kind.ADDED))
            seen.add(id)
            if not _same(possible[id].make(), topic, body, retain):
                wrong.append(RecordFault("outbox", number, "the message is not what the journal says"))
        missing = [each for each in possible.values() if each.must and each.id not in seen]
        what = (f"the message {each.id} on {each.make().topic} is missing" for each in missing)
        return wrong, [RecordFault("outbox", None, each, Kind.MISSING) for each in what]

    def _one_root(self, entry: Entry, rows: Sequence[tuple[Any, ...]]) -> None:
        """The messages of one recorder go below one topic, and each is sent after it was made."""
        for number, _, topic, _, _, sent_ms in rows:
            root = str(topic).rsplit("/", 2)[0]
            self._root = self._root or root
            if root != self._root or not root or set(root) & set("+#\0"):
                what = f"it goes to {topic}, and the others since the same start below {self._root}"
                self._wrong.append(RecordFault("outbox", number, what))
            if sent_ms is not None and (type(sent_ms) is not int or sent_ms < entry.stamp.at_ms):
                self._wrong.append(
                    RecordFault("outbox", number, "it is marked as sent before it was made", Kind.MARKED)
                )
            if type(sent_ms) is int and (self._last_sent is None or sent_ms > self._last_sent[1]):
                self._last_sent = number, sent_ms

    def rest(self, link: Link) -> list[RecordFault]:
        """All faults, once there are no more entries."""
        for number, *_ in self._until(None):
            self._wrong.append(
                RecordFault("outbox", number, "no entry of the journal explains this message", Kind.ADDED)
            )
        if not self._readable:
            return []
        if self._last_sent and self._last_sent[1] > link.newest_ms + SENT_SLACK_MS:
            what = "it is marked as sent long after the newest entry"
            self._wrong.append(RecordFault("outbox", self._last_sent[0], what, Kind.MARKED))
        return [*self._wrong, *([] if self._unread else self._missing), *self._unread, *self._out_of_reach(link)]

    def _out_of_reach(self, link: Link) -> Iterator[RecordFault]:
        """Messages that are marked as sent while no broker was reached."""
        if not link.stretches():
            return
        sql = "SELECT id, sent_ms FROM outbox WHERE sent_ms IS NOT NULL ORDER BY id"
        for number, sent_ms in read(self._journal, sql, "outbox", self._unread):
            if link.down_at(sent_ms):
                yield RecordFault(
                    "outbox", number, "it is marked as sent at a time at which no broker was reached", Kind.MARKED
                )

    def _until(self, seq: int | None) -> Iterator[tuple[Any, ...]]:
        while self._next is not None and (seq is None or type(self._next[1]) is not int or self._next[1] <= seq):
            number = self._next[0]
            if number != self._number + 1:
                what = f"the message before it is missing: its number would be {self._number + 1}"
                self._wrong.append(RecordFault("outbox", number, what, Kind.GAP))
            self._number = number
            yield self._next
            self._next = next(self._rows, None)


def _same(message: Message, topic: str, body: str, retain: int) -> bool:
    """Whether a stored row is this message; what its topic begins with may not be in the journal."""
    return (message.body, int(message.retain)) == (body, retain) and topic.endswith(message.topic)


def _id(body: str) -> str:
    """The message's own id, or "" where the body is no message."""
    try:
        return str(json.loads(body)["id"])
    except (ValueError, TypeError, KeyError):
        return ""
