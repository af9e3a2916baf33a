"""The composition root: the only place that builds the rooms of one station and joins them.

drivers -> inbox -> station.step -> journal (one commit) -> cue
                                       '-> outbox -> MQTT
"""

import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.metadata import version

from recorder import snapshot, systemd
from recorder.clock import Clock, ClockWatch, SystemClock
from recorder.config import Settings
from recorder.core.alerts import DISK_NEARLY_FULL, is_open
from recorder.core.batch import Stage
from recorder.core.effects import Cue, Effect
from recorder.core.events import (
    RULES,
    Event,
    LinkDown,
    LinkUp,
    ProcedureLoaded,
    RecordsSetAside,
    Signed,
    Started,
    Stopped,
)
from recorder.core.station import State
from recorder.journal import quarantine, seal
from recorder.journal.anchors import Sign
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from recorder.journal.reader import Reader
from recorder.loop import Loop, Watch, nobody, restored
from recorder.notices.answers import Reception
from recorder.notices.outbox import Messages
from recorder.notices.settings import MqttSettings
from recorder.notices.uplink import Uplink
from recorder.reports.signing import why_not
from recorder.reports.zones import here
from recorder.space import Reserve, SpaceWatch
from recorder.supervisor import Supervisor

log = logging.getLogger(__name__)

TURN_S = 0.25
"""How long the loop waits for an event before it looks after the outbox, the clock and the watchdog."""

SENDING_S = 0.004
"""The same while messages go out one after another, as after a week without the broker."""

DRIVERS_S = 0.6
"""How long a stop waits for the drivers, all in all; one that hangs is left behind. All in all under 2 s."""

ROOT = "kitchen"
"""What topics begin with where no broker is configured, as where none is named."""

UPKEEP_MS = 24 * 3_600_000
"""SQLite's write-ahead log is emptied so often, when nothing happens and no batch is open."""

SNAPSHOT_EVERY = 5_000
"""Entries after which the next snapshot is written, when nothing happens: a start reads no more than about so many."""


PATIENCE_S = 120
"""How long so many entries may take to read at a start."""


class App:
    """One station, built and ready to run."""

    def __init__(
        self,
        settings: Settings,
        journal: Journal,
        clock: Clock,
        give: Callable[[Cue], None],
        watch: Watch = nobody,
        on_failure: Callable[[str], None] = lambda reason: None,
        damages: Mapping[str, str] = {},
        reserve: Reserve | None = None,
    ) -> None:
        """`give` gives a cue, `watch` sees events on disk, `on_failure` says at once that nothing is recorded any more.

        `damages` is what was wrong with the records that were set aside just now, by the name that they have there.
        `reserve` is room on the disk that is held back.
        """
        self.settings = settings
        self.clock = clock
        self.journal = journal
        self._state_file = snapshot.beside(settings.database)
        start = snapshot.start(self._state_file, journal)
        self._snapshot_seq = start.seq
        self._messages = messages(settings, journal)
        self.loop = Loop(journal, clock, give, self._messages, self._tell, restored(journal, start, _patience))
        sign = seal.load(settings.device_key).sign if settings.device_key else None
        self.uplink = self._uplink(settings.mqtt, sign) if settings.mqtt else None
        self._watch = watch
        self._on_failure = on_failure
        unreported = quarantine.unreported(journal, settings.database)
        self._quarantined = [(file, damages.get(file, "")) for file in unreported]
        self._clock_watch = ClockWatch(clock)
        self._space = SpaceWatch(settings.database, settings.least_free_mb, reserve)
        self._reception = Reception(lambda: self.loop.state.world, self._signable)
        self._sending = False
        self._upkept_ms = clock.now_ms()

    def _uplink(self, mqtt: MqttSettings, sign: Sign | None) -> Uplink:
        channels = [name for probe in self.settings.probes for name in probe.names()]
        return Uplink(mqtt, self.journal, self.settings.database, channels, sign, self._link, self._answer)

    def open(self) -> None:
        """Begin to look for the broker, and record the start and the procedure in force."""
        if self.uplink:  # first, so that it hears if nothing can be recorded
            self.uplink.start()
        stamp, settings = self.clock.stamp(), self.settings
        newest, boot_id = self.journal.newest(), self.loop.state.world.boot_id
        unseen = boot_id is not None and newest is not None and newest.stamp.boot_id != boot_id
        self.loop.handle(
            Started(
                stamp.at_ms,
                stamp.boot_id,
                stamp.wall_known,
                version("batch-recorder"),
                settings.station,
                settings.vats,
                RULES,
                gap_known=self.clock.gap_known and not unseen,  # another boot than the last start's wrote, as `sign`
                cabinets=settings.cabinets,
                root=settings.mqtt.root if settings.mqtt else ROOT,
            )
        )
        world = self.loop.state.world
        if (world.procedure, world.others) != (settings.procedure, settings.products):
            self.loop.handle(ProcedureLoaded(stamp.at_ms, settings.procedure, settings.products))
        for file, damage in self._quarantined:
            self.loop.handle(RecordsSetAside(stamp.at_ms, file, damage))

    def turn(self, longest_s: float = TURN_S) -> bool:
        """One event or what is due, then the outbox and the clock; False when no event came."""
        busy = self.loop.turn(min(longest_s, SENDING_S) if self._sending else longest_s)
        if self.uplink:
            self._sending = self.uplink.beat(self.loop.state.world, self.clock.now_ms())
        if stepped := self._clock_watch.look():
            self.loop.handle(stepped)
        if changed := self._space.look(is_open(self.loop.state.world, DISK_NEARLY_FULL), self.clock.now_ms()):
            self.loop.handle(changed)
        if not busy:
            self._rest()
        return busy

    def _rest(self) -> None:
        """What is done while nothing happens."""
        state, now_ms = self.loop.state, self.clock.now_ms()
        idle = all(batch.stage is Stage.CLOSED for batch in state.world.batches)
        if now_ms - self._upkept_ms >= UPKEEP_MS and idle:
            self._upkept_ms = now_ms
            self.journal.truncate_log()
        if state.seq - self._snapshot_seq >= SNAPSHOT_EVERY:
            self._snapshot_seq = state.seq
            newest = self.journal.newest()
            try:
                if newest and newest.seq == state.seq:
                    snapshot.save(self._state_file, snapshot.Snapshot(state, newest.hash))
            except OSError as error:
                log.warning("the next start will take longer: %s can't be written: %s", self._state_file, error)

    def run(self, supervisor: Supervisor, stop: threading.Event, begun: Callable[[], None] = lambda: None) -> None:
        """Record until `stop`; systemd's watchdog is fed only while this loop turns and every worker lives.

        `begun` is called once the start is on record.
        """
        with self._announcing():
            self.open()
        begun()
        supervisor.start()
        systemd.notify("READY=1\nSTATUS=Recording.")
        every_s, fed_s = systemd.watchdog_s(), 0.0
        try:
            with self._announcing():
                while not stop.is_set():
                    self.turn()
                    supervisor.watch()
                    if every_s and time.monotonic() - fed_s >= every_s and supervisor.alive():
                        systemd.notify("WATCHDOG=1")
                        fed_s = time.monotonic()
        finally:
            systemd.notify("STOPPING=1")
            supervisor.stop(DRIVERS_S)
        with self._announcing():
            self.close()

    def close(self) -> None:
        """Record what is still in the inbox, and the stop; say goodbye to the broker."""
        while self.loop.turn(0):
            pass
        self.loop.handle(Stopped(self.clock.now_ms()))
        if self.uplink:
            self.uplink.close(self.clock.now_ms)
        self.journal.close()

    def tell_end(self, error: Exception, longest_s: float) -> None:
        """Once it has failed: tell the broker that nothing is recorded any more, as far as it is reached."""
        if self.uplink:
            world, now = self.loop.state.world, self.clock.stamp()
            self.uplink.fail(self._messages, world, str(error), now, longest_s)

    @contextmanager
    def _announcing(self) -> Iterator[None]:
        """Whatever ends recording but a stop is announced at once, before the drivers are stopped."""
        try:
            yield
        except Exception as error:
            self._on_failure(str(error))
            raise

    def _link(self, up: bool, reason: str) -> None:
        at_ms = self.clock.now_ms()
        self.loop.inbox.put(LinkUp(at_ms) if up else LinkDown(at_ms, reason))

    def _tell(self, event: Event, state: State, effects: Sequence[Effect]) -> None:
        """Once an event is on disk: what changed of how the station stands goes out."""
        self._watch(event, state, effects)
        if self.uplink:
            self.uplink.update(event, state.world, state.at_ms)

    def _answer(self, what: str, payload: bytes) -> None:
        """From a phone, in another thread."""
        if event := self._reception.event(what, payload, self.clock.now_ms()):
            self.loop.inbox.put(event)

    def _signable(self, event: Signed) -> str | None:
        """Why this signature can't be taken, or None. In a phone's thread, so by a reader of its own."""
        try:
            return why_not(self.settings.database, self.settings.station, event, here())
        except JournalError as error:
            return str(error)


def _patience(seq: int) -> None:
    """After so many entries: systemd waits as long as reading them takes, and is shown how far it is."""
    if seq % SNAPSHOT_EVERY == 0:
        systemd.notify(f"EXTEND_TIMEOUT_USEC={PATIENCE_S * 1_000_000}\nSTATUS=Reading the records: entry {seq}.")


def open_journal(settings: Settings) -> Journal:
    """The station's journal, ready to append; raises `JournalError`."""
    journal = Journal.open(settings.database)
    try:
        if journal.rules() > RULES:
            raise JournalError(f"{settings.database} was written by a newer version; install that one")
        journal.outbox.read_through()  # what can't be read is found now, and not by each start that reaches the broker
    except BaseException:
        journal.close()
        raise
    return journal


def messages(settings: Settings, journal: Reader | None = None) -> Messages:
    """Who makes the messages of this station's entries, those that come after what is in `journal`."""
    made = Messages(settings.mqtt.root if settings.mqtt else ROOT, settings.station, settings.publish)
    if journal:
        made.begin(journal.first(), journal.rules())
    return made


def clock_after(journal: Reader) -> SystemClock:
    """The board's clocks, on the time line of these records; raises `JournalError`."""
    newest = journal.newest()
    return SystemClock(newest.stamp if newest else None)
