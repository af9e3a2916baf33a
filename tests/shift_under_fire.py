"""One life of a recorder in a shift, until it is killed or the shift is over. The parent is tests/kills.py or cuts.py.

    python -m tests.shift_under_fire LIFE.json

It takes the next events of the story that are not in its own journal yet. What it shows the outside (cues, messages
given to the broker, acknowledgements) it writes down in the witness before it goes on. It may die by its own hand
at the nth passage of a named point. The product has no hooks for that: SQLite is asked to tell its statements, Python
the files that it opens and renames, and the way to the broker and the cue are wrapped.
"""

import json
import os
import signal
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import recorder.app
from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import load_procedure
from recorder.core.effects import Cue
from recorder.journal.codec import encode
from recorder.journal.messages import Message
from recorder.journal.reader import Reader
from recorder.notices.outbox import Outbox, Publisher
from recorder.notices.settings import MqttSettings
from tests.kitchen import settings_for

COMMITTING = {
    "BEGIN": "event taken, commit not begun",
    "INSERT INTO journal": "commit begun, nothing written",
    "INSERT OR REPLACE": "entry written, before a row",
    "INSERT INTO outbox": "entry written, before a message",
    "COMMIT": "all written, before COMMIT",
}
"""Points by the beginning of the statement before which they stand, for an entry."""

MARKING = {
    "BEGIN": "acknowledged, before it is marked",
    "UPDATE outbox": "marking begun, nothing marked",
    "COMMIT": "marked, before COMMIT",
}
"""The same where messages are marked as sent."""

COMMITTED, CUED = "committed, before the cue", "after the cue"
SENDING, GIVEN, SENT = "before the send", "given to paho", "on the wire, not acknowledged"
MARKED, EMPTYING = "after the mark", "before the log is emptied"
KEEPING, PLACING = "before the state is kept", "state written, before it is in place"

SOON = (*MARKING.values(), SENDING, GIVEN, SENT, MARKED)
"""Points that need the broker."""

POINTS = (*COMMITTING.values(), COMMITTED, CUED, *SOON, EMPTYING, KEEPING, PLACING)

BESIDES = ("started", "procedure loaded", "link up", "link down", "stopped", "clock set", "tick")
"""Kinds that come from a recorder's own life and not from the shift."""

EMPTYING_EVERY = 40
"""Events after which SQLite's log is emptied, as by upkeep."""

SNAPSHOT_EVERY = 30
"""Entries after which the state is kept anew."""

WIRE_S = 0.005
"""How long paho's thread has to put a message on the wire."""


@dataclass(frozen=True, slots=True)
class Life:
    """What one life is told."""

    folder: str
    """Holds records.db and witness.log."""
    story: str
    """A database of records, whose events are played."""
    begin: int
    """The first event of it."""
    events: int
    """How many of them are the shift."""
    port: int
    """The broker's, on this machine."""
    station: str
    publish: str = "alerts"
    pace_s: float = 0.0
    point: str = ""
    """Where to die; nowhere if it is empty."""
    passage: int = 1
    """At which passage of the point."""


class Fate:
    """Knows where this life ends, and keeps the witness."""

    def __init__(self, life: Life) -> None:
        self._point, self._left = life.point, life.passage
        self._witness = os.open(Path(life.folder) / "witness.log", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        self.marking = False

    def note(self, *words: object) -> None:
        """This is seen outside from now on."""
        os.write(self._witness, f"{' '.join(map(str, words))}\n".encode())

    def passes(self, point: str, after_s: float = 0.0) -> None:
        if point == self._point:
            self._left -= 1
            if self._left == 0:
                time.sleep(after_s)
                os.kill(os.getpid(), signal.SIGKILL)

    def statement(self, sql: str) -> None:
        """SQLite is about to run this."""
        if sql.startswith("PRAGMA wal_checkpoint"):
            self.passes(EMPTYING)
        for begin, point in (MARKING if self.marking else COMMITTING).items():
            if sql.startswith(begin):
                self.passes(point)

    def audit(self, event: str, arguments: tuple[object, ...]) -> None:
        """Python is about to do this."""
        if event == "open" and str(arguments[0]).endswith(".state.part"):
            self.passes(KEEPING)
        elif event == "os.rename":
            self.passes(PLACING)


class Watched:
    """The way to the broker, with its points."""

    def __init__(self, publisher: Publisher, fate: Fate) -> None:
        self._publisher, self._fate = publisher, fate
        self._ids: dict[int, str] = {}

    def connection(self) -> int:
        if self._fate.marking:
            self._fate.marking = False
            self._fate.passes(MARKED)
        return self._publisher.connection()

    def publish(self, message: Message) -> int | None:
        self._fate.passes(SENDING)
        id = json.loads(message.body)["id"]
        self._fate.note("given", id)
        token = self._publisher.publish(message)
        if token is not None:
            self._ids[token] = id
            self._fate.passes(GIVEN)
            self._fate.passes(SENT, WIRE_S)
        return token

    def acknowledged(self) -> list[tuple[int, bool]]:
        found = self._publisher.acknowledged()
        taken = [self._ids.pop(token) for token, is_taken in found if is_taken and token in self._ids]
        if taken:
            self._fate.note("taken", *taken)
            self._fate.marking = True
        return found


def live(life: Life) -> None:
    """To the end of the shift, or to the death that was told."""
    story_journal = Reader.open(Path(life.story))
    story = [event for _, event in story_journal.entries(life.begin) if encode(event)[0] not in BESIDES][: life.events]
    story_journal.close()
    settings = settings_for(
        Path(life.folder) / "records.db",
        station=life.station,
        procedure=load_procedure(None),
        mqtt=MqttSettings(life.station, port=life.port, protocol="3.1.1"),
        publish=life.publish,
    )
    fate, recorder.app.SNAPSHOT_EVERY = Fate(life), SNAPSHOT_EVERY
    sys.addaudithook(fate.audit)
    journal = open_journal(settings)
    done = sum(entry.kind not in BESIDES for entry, _ in journal.entries())
    newest = journal.newest()
    clock = ManualClock(story[0].at_ms, boot_id="one boot")
    clock.advance(newest.stamp.at_ms - clock.at_ms if newest else 0)

    def give(cue: Cue) -> None:
        entry = journal.newest()
        assert entry
        fate.passes(COMMITTED)
        fate.note("cued", entry.seq, entry.kind)
        fate.passes(CUED)

    app = App(settings, journal, clock, give)
    assert app.uplink
    app.uplink.outbox = outbox = Outbox(journal.outbox, Watched(app.uplink.publisher, fate))
    journal._connection.set_trace_callback(fate.statement)
    app.open()
    end_s = time.monotonic() + 5
    while life.point in SOON and not app.uplink.publisher.connected() and time.monotonic() < end_s:
        app.turn(0.001)
    for number, event in enumerate(story[done:], done):
        clock.advance(max(event.at_ms - clock.at_ms, 0))
        app.loop.handle(event)
        while app.turn(0):
            pass
        if number % EMPTYING_EVERY == EMPTYING_EVERY - 1:
            journal.truncate_log()
        time.sleep(life.pace_s)
    end_s = time.monotonic() + 20
    while not outbox.empty() and time.monotonic() < end_s:
        app.turn(0.005)
    app.close()


def run(life: Life) -> list[str]:
    """The command line that lives this life."""
    return [sys.executable, "-m", "tests.shift_under_fire", json.dumps(asdict(life))]


if __name__ == "__main__":
    live(Life(**json.loads(sys.argv[1])))
