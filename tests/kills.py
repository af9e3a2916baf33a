"""Shifts that are killed with SIGKILL and started again until they are over, and what must hold after each kill.

Every life is forked from a server that has imported all and has no threads, so that a life costs no start of Python.
"""

import json
import multiprocessing
import random
import socket
import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path

from recorder.commands.records import examine
from recorder.core.station import State
from recorder.journal.journal import Journal
from recorder.kept import beside, start
from recorder.loop import restored
from recorder.notices.broker import LocalBroker
from recorder.notices.outbox import PUBLISH
from recorder.notices.subscriber import Subscriber
from tests import shift_under_fire
from tests.shift_under_fire import COMMITTED, CUED, EMPTYING, KEEPING, PLACING, POINTS, SOON, Life
from tests.waiting import until

RANDOM = "a random moment"

EVENTS = 250
"""A shift: so many events of the story."""

RARE = {
    "entry written, before a row": 5,
    "entry written, before a message": 1,
    COMMITTED: 4,
    CUED: 4,
    EMPTYING: 1,
    KEEPING: 1,
    PLACING: 1,
}
"""Points that a life passes seldom, and the last passage at which it may die there."""

LONGEST_S = 0.5
"""A life that dies at a random moment does so within this; opening takes some 0.1 s of it."""

WHOLE_S = 60.0
"""A life that runs to the end of a shift is over within this."""

ASKED = ("status", "time left", "last reading")
"""Commands that ask and change nothing have no row of their own."""


@dataclass(frozen=True, slots=True)
class Killed:
    """One kill, after which everything held."""

    point: str
    cued: int
    """Entries that had been cued until then, each found in the journal."""
    waiting: int
    """Messages that were on disk and not marked as sent."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift that is over."""

    kills: tuple[Killed, ...]
    entries: int
    messages: int
    """Different messages that arrived at the subscriber: all that the journal has."""
    alerts: int
    """Alerts among them."""
    doubles: int


class Story:
    """Where the lives are forked, and the broker that they speak to."""

    def __init__(self, story: Path) -> None:
        self._story = story
        with closing(sqlite3.connect(story)) as connection:
            self._entries = connection.execute("SELECT count(*) FROM journal").fetchone()[0]
        self._fork = multiprocessing.get_context("forkserver")
        self._fork.set_forkserver_preload(["__main__", shift_under_fire.__name__, "paho.mqtt.client"])
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]

    def life(self, folder: Path, chance: random.Random, events: int = EVENTS) -> Life:
        """A life in a shift that is new in `folder`."""
        folder.mkdir()
        begin, publish = chance.randrange(self._entries - 2 * events), chance.choice(PUBLISH)
        return Life(str(folder), str(self._story), begin, events, self.port, f"station-{folder.name}", publish)

    def shift(self, folder: Path, points: Sequence[str], chance: random.Random) -> Shift:
        """Plays a shift in `folder`; kills at `points` in turn for as long as it lasts, then lets it end."""
        life = self.life(folder, chance)
        with subscribed(life) as phone:
            kills = list(self._kills(life, points, chance, phone))
            finding = examine(folder / "records.db")
            assert finding.faults == ()
            all_arrived(folder / "records.db", phone)
        alerts = sum(message["type"].startswith("alert.") for message in phone.messages.values())
        return Shift(tuple(kills), finding.entries, len(phone.messages), alerts, phone.doubles)

    def shifts(self, folder: Path, kills: int, chance: random.Random) -> Iterator[Shift]:
        """Shifts one after another, until there were so many kills; the points that had the fewest come first."""
        had, numbers = Counter[str](), count()
        while had.total() < kills:
            points = sorted((*POINTS, RANDOM, RANDOM, RANDOM), key=lambda point: (had[point], chance.random()))
            yield (shift := self.shift(folder / f"{next(numbers)}", points[: kills - had.total()], chance))
            had.update(kill.point for kill in shift.kills)

    def live(self, life: Life, longest_s: float) -> bool:
        """One life; it is killed from here after `longest_s`. True if it came to its end, False if it was killed."""
        process = self._fork.Process(target=shift_under_fire.live, args=(life,))
        process.start()
        process.join(longest_s)
        process.kill()
        process.join()
        assert process.exitcode in (0, -9), f"a life ended with {process.exitcode}"
        return process.exitcode == 0

    def resume(self, life: Life, folder: Path) -> int:
        """Starts again in `folder`, to the end of the shift; how many messages then arrived that had not before."""
        taken = frozenset(Witness((folder / "witness.log").read_text()).taken)
        with subscribed(life) as phone:
            assert self.live(replace(life, folder=str(folder)), WHOLE_S), "the shift does not come to its end"
            all_arrived(folder / "records.db", phone, taken)
        assert examine(folder / "records.db").faults == ()
        return len(phone.messages)

    def _kills(self, life: Life, points: Sequence[str], chance: random.Random, phone: Subscriber) -> Iterator[Killed]:
        for point in points:
            if point == RANDOM:
                over = self.live(replace(life, pace_s=0.002), chance.uniform(0, LONGEST_S))
            else:
                over = self.live(fatal(life, point, chance), WHOLE_S)
            if over:
                return
            yield Killed(point, *held(Path(life.folder), phone))
        assert self.live(life, WHOLE_S), "the shift does not come to its end"


def fatal(life: Life, point: str, chance: random.Random) -> Life:
    """The same life with a death at this point, so early that most get so far."""
    passages = RARE.get(point, 30)
    if point in SOON:
        passages = 1 if life.publish == "alerts" else 3
    return replace(life, point=point, passage=chance.randint(1, passages))


@contextmanager
def brokered(story: Path) -> Iterator[Story]:
    """A story with its broker running."""
    made = Story(story)
    broker = LocalBroker(made.port)
    broker.start()
    try:
        yield made
    finally:
        broker.stop()


@contextmanager
def subscribed(life: Life) -> Iterator[Subscriber]:
    """An outside subscriber to what this station says."""
    phone = Subscriber("127.0.0.1", life.port, f"kitchen/{life.station}/+")
    try:
        assert phone.ready(10)
        yield phone
    finally:
        phone.close()


def held(folder: Path, phone: Subscriber) -> tuple[int, int]:
    """Asserts what must hold after a kill; how many entries had been cued, and how many messages wait."""
    records, log = folder / "records.db", folder / "witness.log"
    witness = Witness(log.read_text() if log.exists() else "")
    if not records.exists():
        assert not witness.cued and not phone.messages
        return 0, 0
    arrived = set(phone.messages)
    with closing(sqlite3.connect(records)) as connection:
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'outbox'").fetchone():
            assert not witness.cued and not arrived
            return 0, 0
        witness.compare(connection)
        assert arrived <= _messages(connection).keys(), "the subscriber has a message that no entry made"
        waiting = connection.execute("SELECT count(*) FROM outbox WHERE sent_ms IS NULL").fetchone()[0]
    assert examine(records).faults == ()
    starts_as_it_was(records)
    return len(witness.cued), waiting


def starts_as_it_was(records: Path) -> bool:
    """Asserts that the state which is kept beside the database leads to the same station as the whole journal.

    Whether one was kept that can be used.
    """
    with closing(Journal.read(records)) as journal:
        kept = start(beside(records), journal)
        resumed = restored(kept, (event for _, event in journal.entries(kept.seq)))
        assert resumed == restored(State(), (event for _, event in journal.entries()))
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
        messages = _messages(connection)
        lost = self.given - {id for _, id in messages}
        assert not lost, f"the broker was given {lost}, of which no entry is there"
        unsent = {id for (_, id), is_sent in messages.items() if is_sent} - self.taken
        assert not unsent, f"{unsent} are marked as sent and were not acknowledged"


def all_arrived(records: Path, phone: Subscriber, before: frozenset[str] = frozenset()) -> None:
    """Asserts that every message of the journal is at the subscriber, or its id is in `before`, and none is invented.

    The last life's goodbye may still be on its way.
    """
    with closing(sqlite3.connect(records)) as connection:
        messages = _messages(connection)
    sent = {key for key, is_sent in messages.items() if is_sent and key[1] not in before}
    until(lambda: sent <= phone.messages.keys(), "every message has arrived")
    assert set(phone.messages) <= messages.keys(), "the subscriber has a message that no entry made"
    with closing(sqlite3.connect(records)) as connection:
        newest = connection.execute("SELECT seq FROM journal ORDER BY seq DESC LIMIT 1").fetchone()[0]
    late = [id for (_, id), is_sent in messages.items() if not is_sent and int(id.split("-")[0]) < newest]
    assert not late, f"{late} were never sent"


def _messages(connection: sqlite3.Connection) -> dict[tuple[str, str], bool]:
    """The messages of the journal by `source` and `id`, and whether each is marked as sent."""
    rows = connection.execute("SELECT body, sent_ms IS NOT NULL FROM outbox").fetchall()
    bodies = [(json.loads(body), bool(is_sent)) for body, is_sent in rows]
    return {(body["source"], body["id"]): is_sent for body, is_sent in bodies}
