"""The composition root: the only place that builds the rooms of one station and joins them.

drivers -> inbox -> station.step -> journal (one commit) -> cue
                                       '-> outbox -> MQTT
"""

import logging
import queue
import shutil
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from importlib.metadata import version
from typing import Any

from recorder import systemd
from recorder.clock import Clock, ClockWatch, SystemClock
from recorder.config import Settings
from recorder.core import probing
from recorder.core.effects import Cue, Tone
from recorder.core.events import (
    NEEDLE,
    RULES,
    EarLost,
    Event,
    Heard,
    Intent,
    LinkDown,
    LinkUp,
    ProcedureLoaded,
    Reading,
    Signed,
    Started,
    Stopped,
)
from recorder.core.meanings import SCRATCH
from recorder.core.station import State
from recorder.core.world import ProbeCheck, Verdict
from recorder.driver import DriverUnavailable, load
from recorder.journal.journal import Journal, JournalError
from recorder.loop import Loop
from recorder.notices import answers, states
from recorder.notices.answers import Gate
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.outbox import Messages, Outbox
from recorder.supervisor import Post, Supervisor
from recorder.voice import ear
from recorder.voice.microphone import Microphone
from recorder.voice.speaker import Speaker

log = logging.getLogger(__name__)

HEALTH_MS = 60_000
"""While nothing but readings come, health is looked at this often."""

TURN_S = 0.25
"""How long the loop waits for an event before it looks after the outbox, the clock and the watchdog."""

GOODBYE_S = 1.0
"""How long a stop waits for the broker to take the last messages; they are on disk in any case."""

FAREWELL_S = 5.0
"""How long a stop waits for the loudspeaker."""


class App:
    """One station, built and ready to run."""

    def __init__(
        self,
        settings: Settings,
        journal: Journal,
        clock: Clock,
        give: Callable[[Cue], None],
        watch: Callable[[Event, State], None] = lambda event, state: None,
    ) -> None:
        self.settings = settings
        self.clock = clock
        self.journal = journal
        self.loop = Loop(journal, clock, give, self._tell)
        self.publisher = MqttPublisher(settings.mqtt, self._link, self._answer) if settings.mqtt else None
        self.outbox = Outbox(journal, self.publisher) if self.publisher else None
        self._watch = watch
        self._clock_watch = ClockWatch(clock)
        self._gate = Gate()
        self._told: dict[str, dict[str, Any]] = {}
        """The newest of each retained state."""
        self._checks = self._kept_checks()
        self._health_ms = 0

    def open(self) -> None:
        """Record the start and the procedure in force, and begin to look for the broker."""
        stamp, settings = self.clock.stamp(), self.settings
        self.loop.handle(
            Started(
                stamp.at_ms,
                stamp.boot_id,
                stamp.wall_known,
                version("batch-recorder"),
                settings.station,
                settings.vats,
                RULES,
            )
        )
        if self.loop.state.world.procedure != settings.procedure:
            self.loop.handle(ProcedureLoaded(stamp.at_ms, settings.procedure))
        if self.publisher:
            self.publisher.start()

    def turn(self, longest_s: float = TURN_S) -> bool:
        """One event or what is due, then the outbox and the clock; False when no event came."""
        busy = self.loop.turn(longest_s)
        if self.outbox:
            self.outbox.step(self.clock.now_ms())
        if stepped := self._clock_watch.look():
            self.loop.handle(stepped)
        return busy

    def run(self, supervisor: Supervisor, stop: threading.Event) -> None:
        """Record until `stop`; systemd's watchdog is fed only while this loop turns and every worker lives."""
        self.open()
        supervisor.start()
        systemd.notify("READY=1")
        every_s, fed_s = systemd.watchdog_s(), 0.0
        try:
            while not stop.is_set():
                self.turn()
                if every_s and time.monotonic() - fed_s >= every_s and supervisor.alive():
                    systemd.notify("WATCHDOG=1")
                    fed_s = time.monotonic()
        finally:
            systemd.notify("STOPPING=1")
            supervisor.stop()
        self.close()

    def close(self) -> None:
        """Record what is still in the inbox, and the stop; say goodbye to the broker."""
        while self.loop.turn(0):
            pass
        self.loop.handle(Stopped(self.clock.now_ms()))
        if self.outbox and self.publisher:
            end_s = time.monotonic() + GOODBYE_S
            while self.publisher.connected() and not self.outbox.empty() and time.monotonic() < end_s:
                self.outbox.step(self.clock.now_ms())
                time.sleep(0.01)
            self.publisher.close()
        self.journal.close()

    def _link(self, up: bool, reason: str) -> None:
        at_ms = self.clock.now_ms()
        self.loop.inbox.put(LinkUp(at_ms) if up else LinkDown(at_ms, reason))

    def _tell(self, event: Event, state: State) -> None:
        """Once an event is on disk: the newest reading, and what else changed of how the station stands."""
        self._watch(event, state)
        if self.publisher is None:
            return
        if isinstance(event, Reading):
            reading = {"at_ms": event.at_ms, "temp_c": event.temp_c, "settled": event.settled}
            self.publisher.latest(f"reading/{event.channel}", reading)
        world = state.world
        if isinstance(event, Heard) and event.intent.meaning == SCRATCH:
            self._checks = self._kept_checks()
        self._checks |= states.read_checks(world)
        for id in sorted(self._checks)[: -states.CHECKS]:
            del self._checks[id]
        self._latest("open", states.open_alerts(world), state.at_ms)
        self._latest("batches", states.batches(world), state.at_ms)
        self._latest("checks", states.last_checks(self._checks), state.at_ms)
        if state.at_ms - self._health_ms >= HEALTH_MS or not isinstance(event, Reading):
            self._health_ms = state.at_ms
            channels = [name for probe in self.settings.probes for name in probe.names()]
            free_mb = shutil.disk_usage(self.settings.database.parent).free // 1_000_000
            unsent = self.journal.count_unsent()
            health = states.health(world, channels, version("batch-recorder"), unsent, free_mb // 100 * 100)
            self._latest("health", health, state.at_ms)

    def _kept_checks(self) -> dict[int, dict[str, Any]]:
        return {row["id"]: states.kept_check(row) for row in self.journal.last_checks(states.CHECKS)}

    def _latest(self, name: str, value: dict[str, Any], at_ms: int) -> None:
        if self.publisher and self._told.get(name) != value:
            self._told[name] = value
            self.publisher.latest(name, {"at_ms": at_ms, **value})

    def _answer(self, what: str, payload: bytes) -> None:
        """From a phone, in another thread."""
        now_ms = self.clock.now_ms()
        try:
            event = answers.parse(what, payload, now_ms)
        except ValueError as error:
            log.warning("a message on %s is refused: %s", what, error)
            return
        if self._gate.open(now_ms):
            self.loop.inbox.put(event)
        else:
            log.warning("a message on %s is refused: too many of them", what)


def open_journal(settings: Settings) -> Journal:
    """The station's journal, ready to append; raises `JournalError`."""
    root = settings.mqtt.root if settings.mqtt else "kitchen"
    messages = Messages(root, settings.station, settings.publish)
    journal = Journal.open(settings.database, messages)
    messages.begin(journal.first())
    return journal


def posts(settings: Settings, clock: Clock, deaf: Callable[[], bool]) -> tuple[Post, ...]:
    """A driver for every device in `settings`; raises `DriverUnavailable`."""
    made = [Post(load(probe.driver)(probe, clock)) for probe in settings.probes]
    if settings.voice:
        recogniser = ear.build(settings.phrases, settings.voice)
        source = Microphone(settings.voice.device)
        switch = ear.foot_switch(settings.voice)
        driver = load("arecord")(source, recogniser, settings.phrases, settings.voice, clock, deaf, switch)
        made.append(Post(driver, lambda reason: (EarLost(clock.now_ms(), reason),)))
    return tuple(made)


def check_probe(
    settings: Settings,
    how: str,
    give: Callable[[Cue], None],
    watch: Callable[[Event, State], None],
    stop: threading.Event,
) -> ProbeCheck | None:
    """Check the needle in a bath as if the cook had said so, and record it; None when `stop` came first.

    The port is opened before the records are: where another recorder has it, nothing is written. What has to be told
    waits in the records until the recorder runs. Raises `DriverUnavailable`, `DriverLost` and `JournalError`.
    """
    ports = [probe for probe in settings.probes if NEEDLE in probe.names() or not probe.names()]
    if not ports:
        raise DriverUnavailable(f"no [[probe]] has the channel {NEEDLE!r}; name it in channels")
    clock = SystemClock(None)
    driver = load(ports[0].driver)(ports[0], clock)
    readings: queue.SimpleQueue[Event] = queue.SimpleQueue()
    halt = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(driver.run, readings.put, halt)
        try:
            while not driver.listening.is_set():
                if running.done():
                    running.result()
                time.sleep(0.01)
            return _checked(settings, how, give, watch, lambda: stop.is_set() or running.done(), readings)
        finally:
            halt.set()
            running.result()


def _checked(
    settings: Settings,
    how: str,
    give: Callable[[Cue], None],
    watch: Callable[[Event, State], None],
    stopped: Callable[[], bool],
    readings: "queue.SimpleQueue[Event]",
) -> ProbeCheck | None:
    journal = open_journal(settings)
    newest = journal.newest()
    clock = SystemClock(newest.stamp if newest else None)
    app = App(replace(settings, mqtt=None), journal, clock, give, watch)
    app.loop.inbox = readings
    app.open()
    app.loop.handle(Heard(clock.now_ms(), how, Intent(how), "none", "command line"))
    asked = app.loop.state.world.probe_check
    while asked and not stopped() and probing.waiting(app.loop.state.world):
        app.turn(0.1)
    app.close()
    check = app.loop.state.world.probe_check
    return check if asked and check and check.verdict is not Verdict.OPEN else None


def sign(settings: Settings, event: Signed, give: Callable[[Cue], None]) -> None:
    """Put `event` into the records while no recorder runs; raises `JournalBusy` while one does, and `JournalError`."""
    journal = open_journal(settings)
    newest = journal.newest()
    clock = SystemClock(newest.stamp if newest else None)
    Loop(journal, clock, give).handle(replace(event, at_ms=clock.now_ms()))
    journal.close()


def run(settings: Settings, stop: threading.Event) -> None:
    """Record with the real devices of `settings` until `stop`.

    Raises `DriverUnavailable`, and `JournalError` after it has said aloud that nothing is recorded.
    """
    speaker = Speaker(settings.speaker) if settings.speaker else None
    try:
        journal = open_journal(settings)
        newest = journal.newest()
        clock = SystemClock(newest.stamp if newest else None)
        app = App(settings, journal, clock, speaker.give if speaker else lambda cue: None)
        drivers = posts(settings, clock, speaker.talking if speaker else lambda: False)
        app.run(Supervisor(drivers, app.loop.inbox.put), stop)
    except JournalError:
        if speaker:
            speaker.give(Cue(Tone.ALERT, "Nothing is recorded any more. Tell the manager."))
        raise
    finally:
        if speaker:
            speaker.close(FAREWELL_S)
