"""The outbox: what each entry has to tell, as CloudEvents, and the sender that keeps at it until the broker has it.

At least once: a message is marked sent only after the broker's acknowledgement, so one may come twice; receivers drop
doubles by `source` and `id`. Rows wait in the journal, not in memory. Judges nothing and knows no MQTT library.
"""

import json
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from typing import Any, Protocol

from recorder.clock import Stamp
from recorder.core.editions import NEWEST, OWN_TIME
from recorder.core.effects import Alert, Effect, Notice, Record
from recorder.core.events import Event, Started
from recorder.journal.anchors import source
from recorder.journal.chain import Entry
from recorder.journal.codec import plain
from recorder.journal.messages import Message, Possible, Unsent
from recorder.journal.outbox_store import OutboxStore
from recorder.notices.log_limit import LogLimit

PUBLISH = ("alerts", "records", "all")
"""What goes out: alerts; rows of the trade's tables as well; every entry of the journal as well."""

IN_FLIGHT = 200
"""Messages given away and not acknowledged yet, at most; paho has 20 of them on the wire at a time.

All acknowledgements that came since the last step are noted in one commit, so a slow disk costs little.
"""

FIRST_WAIT_MS = 1_000
LONGEST_WAIT_MS = 60_000

TOPICS = {"alert": "alerts", "record": "records", "entry": "journal"}
"""Last part of the topic, by the first word of the CloudEvents type."""


class Publisher(Protocol):
    """A way to the broker."""

    def connection(self) -> int:
        """0 while the broker is not reached, else a number that no earlier connection had.

        What an earlier connection was given and did not acknowledge is forgotten, and has to be given again.
        """
        ...

    def publish(self, message: Message) -> int | None:
        """Give one message to the broker; a token for its acknowledgement, or None if it was not taken."""
        ...

    def acknowledged(self) -> list[tuple[int, bool]]:
        """Tokens that came back since the last call, and whether the broker took the message."""
        ...


class Messages:
    """Makes the messages of entries; one for each journal, fed in order."""

    def __init__(self, root: str, station: str, publish: str, edition: int = NEWEST) -> None:
        """`edition` is that of the version whose messages are made again; see `core.editions`."""
        self._edition = edition
        self._root, self._station = root, station
        self._all = PUBLISH[: PUBLISH.index(publish) + 1]
        self._origin = ""
        """Hash of the journal's first entry."""
        self._own_time = False
        """Whether a row's own `at_ms` goes out: under rules 3, and in some editions of 3, the entry's stood there."""

    def begin(self, first: Entry | None, rules: int = 1) -> None:
        """Go on after a journal with this first entry; where there is none, the first to come is it.

        `rules` are those that its last recorder started with.
        """
        self._origin = first.hash if first else ""
        self._judged_by(rules)

    def _judged_by(self, rules: int) -> None:
        self._own_time = rules >= 3 and self._edition >= OWN_TIME

    def __call__(self, entry: Entry, event: Event, effects: Sequence[Effect]) -> Iterator[Message]:
        """The messages of the entry, each made when it is asked for."""
        return (each.make() for each in self.possible(entry, event, effects))

    def possible(self, entry: Entry, event: Event, effects: Sequence[Effect]) -> Iterator[Possible]:
        """All messages of the entry, none of them made yet."""
        self._origin = self._origin or entry.hash
        if isinstance(event, Started):
            self._judged_by(event.rules)
        for place, effect in enumerate(effects):
            match effect:
                case Notice(alert=alert, change=change):
                    yield self._possible(entry, f"{place}", f"alert.{change}", partial(_alert, alert), True)
                case Record() if "records" in self._all:
                    yield self._possible(entry, f"{place}", "record", partial(_row, effect))
        if "all" in self._all:
            yield self._possible(entry, "entry", "entry", partial(_said, entry))

    def unrecorded(self, first: Entry, newest: Entry, alert: Alert, now: Stamp) -> Message:
        """What can't be recorded any more, as one more message of the newest entry."""
        self._origin = first.hash
        return self._message(newest, "unrecorded", "alert.raised", _alert(alert), now.wall_ms)

    def _possible(
        self, entry: Entry, place: str, kind: str, data: Callable[[], dict[str, Any]], must: bool = False
    ) -> Possible:
        return Possible(_id(entry, place), must, lambda: self._message(entry, place, kind, data()))

    def _message(
        self, entry: Entry, place: str, kind: str, data: dict[str, Any], wall_ms: int | None = None
    ) -> Message:
        stamp = entry.stamp
        about = {
            "entry": entry.seq,
            "entry_hash": entry.hash,
            "at_ms": stamp.at_ms,
            "wall_known": stamp.wall_known,
        }
        body = {
            "specversion": "1.0",
            "id": _id(entry, place),
            "source": source(self._station, self._origin),
            "type": kind,
            "time": datetime.fromtimestamp((stamp.wall_ms if wall_ms is None else wall_ms) / 1000, UTC).isoformat(
                timespec="milliseconds"
            ),
            "datacontenttype": "application/json",
            "data": {"station": self._station, **data, **about, **(data if self._own_time else {})},
        }
        topic = f"{self._root}/{self._station}/{TOPICS[kind.split('.')[0]]}"
        return Message(topic, json.dumps(body, ensure_ascii=False, separators=(",", ":")))


def _alert(alert: Alert) -> dict[str, Any]:
    """The alert's fields; what nobody has done about it yet is left out."""
    done = ("acknowledged_ms", "acknowledged_by", "seen_ms", "seen_by")
    return {name: value for name, value in plain(alert).items() if value is not None or name not in done}


def _row(record: Record) -> dict[str, Any]:
    return {"table": record.table, "id": record.id, **dict(record.row)}


def _said(entry: Entry) -> dict[str, Any]:
    return {"kind": entry.kind, "previous": entry.previous, "body": json.loads(entry.body)}


def _id(entry: Entry, place: str) -> str:
    """Of the message that is in this place among those of the entry."""
    return f"{entry.seq}-{place}"


class Outbox:
    """Sends what waits, in order, whenever it is given a turn.

    A message that the broker refuses is set aside, so that it holds up no other, and tried again ever more seldom.
    """

    def __init__(self, store: OutboxStore, publisher: Publisher) -> None:
        self._store = store
        self._publisher = publisher
        self.sent = 0
        """Messages that the broker has taken since this began."""
        self._log = LogLimit()
        self._connection = 0
        self._flying: dict[int, int] = {}
        self._newest = 0
        self._refused: deque[int] = deque()
        self._tried_again: set[int] = set()
        self._wait_ms = 0
        self._not_before_ms = 0

    def step(self, now_ms: int) -> bool:
        """Note what the broker has, and give it more; returns at once. Raises `JournalError`.

        True where more is under way, so that the next step should come soon.
        """
        moved = self._land(now_ms)
        if (connection := self._publisher.connection()) != self._connection:
            self._connection = connection
            self._flying.clear()
            self._refused.clear()
            self._tried_again.clear()
            self._newest = self._wait_ms = self._not_before_ms = 0
        return (self._give_more(now_ms) or moved) if connection else False

    def _give_more(self, now_ms: int) -> bool:
        given = False
        while self._refused and now_ms >= self._not_before_ms and len(self._flying) < IN_FLIGHT:
            if not self._give(*self._store.unsent(self._refused[0] - 1, 1)):
                return given
            self._tried_again.add(self._refused.popleft())
            given = True
        if len(self._flying) < IN_FLIGHT:
            for row in self._store.unsent(self._newest, IN_FLIGHT - len(self._flying)):
                if not self._give(row):
                    return given
                self._newest = row.id
                given = True
        return given

    def empty(self) -> bool:
        """Whether nothing waits."""
        return not self._flying and not self._store.unsent(0, 1)

    def _give(self, row: Unsent) -> bool:
        token = self._publisher.publish(row.message)
        if token is not None:
            self._flying[token] = row.id
        return token is not None

    def _land(self, now_ms: int) -> bool:
        results = [
            (self._flying.pop(token), taken) for token, taken in self._publisher.acknowledged() if token in self._flying
        ]
        if landed := [row for row, taken in results if taken]:
            self._store.mark_sent(landed, now_ms)
            self.sent += len(landed)
        if self._tried_again.intersection(landed):
            self._wait_ms = self._not_before_ms = 0
        self._tried_again.difference_update(row for row, _ in results)
        refused = [row for row, taken in results if not taken]
        self._refused += refused
        if refused and now_ms >= self._not_before_ms:
            self._log.warn("refusal", f"the broker refuses message {refused[0]}; it is kept and tried again")
            self._wait_ms = min(max(2 * self._wait_ms, FIRST_WAIT_MS), LONGEST_WAIT_MS)
            self._not_before_ms = now_ms + self._wait_ms
        return bool(results)
