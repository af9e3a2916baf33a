"""Shifts that are killed with SIGKILL and started again until they are over, and what must hold after each kill.

Every life is forked from a server that has imported all and has no threads, so that a life costs no start of Python.
"""

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

from recorder.demo.broker import LocalBroker
from recorder.demo.subscriber import Subscriber
from recorder.notices.outbox import PUBLISH
from recorder.verification.examine import examine
from tests import shift_under_fire
from tests.shift_under_fire import COMMITTED, CUED, EMPTYING, KEEPING, PLACING, POINTS, SOON, Life
from tests.witness import Witness, all_arrived, messages, starts_as_it_was

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


@dataclass(frozen=True, slots=True)
class Killed:
    """One kill, after which everything held."""

    point: str
    cued: int
    """Entries that had been cued until then, each found in the journal."""
    waiting: int
    """Messages that were on disk and not marked as sent."""
    started: bool
    """Whether its start was on disk; not where it died before that was committed."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift that is over."""

    kills: tuple[Killed, ...]
    entries: int
    messages: int
    """Different messages that arrived at the subscriber: all that the journal has."""
    starts: int
    """Starts that are on record: of each life that did not die before."""
    announced: int
    """Those of them whose alert arrived."""
    doubles: int


class Story:
    """Where the lives are forked, and the broker that they speak to."""

    def __init__(self, story: Path) -> None:
        self._story = story
        with closing(sqlite3.connect(story)) as connection:
            self._entries = connection.execute("SELECT count(*) FROM journal").fetchone()[0]
        self._fork = multiprocessing.get_context("forkserver")
        self._fork.set_forkserver_preload([__name__, "pytest", "paho.mqtt.client"])
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
        raised = {each["data"]["entry"] for each in phone.messages.values() if each["type"] == "alert.raised"}
        begun = starts(folder / "records.db")
        return Shift(tuple(kills), finding.entries, len(phone.messages), len(begun), len(begun & raised), phone.doubles)

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
        before = 0
        for point in points:
            if point == RANDOM:
                over = self.live(replace(life, pace_s=0.002), chance.uniform(0, LONGEST_S))
            else:
                over = self.live(fatal(life, point, chance), WHOLE_S)
            if over:
                return
            cued, waiting = held(Path(life.folder), phone)
            now = len(starts(Path(life.folder) / "records.db"))
            assert before <= now <= before + 1
            yield Killed(point, cued, waiting, now > before)
            before = now
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


def starts(records: Path) -> set[int]:
    """The numbers of the entries by which lives began."""
    if not records.exists():
        return set()
    with closing(sqlite3.connect(records)) as connection:
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'journal'").fetchone():
            return set()
        return {seq for (seq,) in connection.execute("SELECT seq FROM journal WHERE kind = 'started'")}


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
        assert arrived <= messages(connection).keys(), "the subscriber has a message that no entry made"
        waiting = connection.execute("SELECT count(*) FROM outbox WHERE sent_ms IS NULL").fetchone()[0]
    assert examine(records).faults == ()
    starts_as_it_was(records)
    return len(witness.cued), waiting
