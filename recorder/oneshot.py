"""What a person at a keyboard has the station do once, while no recorder runs: check its probe, sign a day.

As `app.py`, which it borrows the building from; and like the daemon's, each step is an entry of the journal.
"""

import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from recorder import snapshot
from recorder.app import App, clock_after, messages, open_journal
from recorder.clock import Clock, SystemClock
from recorder.config import Settings
from recorder.core.batch import Verdict
from recorder.core.effects import Cue, Record
from recorder.core.events import NEEDLE, Event, Heard, Intent, Signed
from recorder.core.station import step
from recorder.core.world import ProbeCheck
from recorder.driver import DriverUnavailable
from recorder.journal.errors import JournalError
from recorder.journal.reader import Reader
from recorder.loop import Loop, Watch, restored
from recorder.probes import needle
from recorder.probes.probe import Probe


def check_probe(
    settings: Settings,
    how: str,
    give: Callable[[Cue], None],
    watch: Watch,
    stop: threading.Event,
) -> tuple[ProbeCheck | None, Probe]:
    """Check the needle in a bath as if the cook had said so, and record it; no check when `stop` came first.

    The probe comes with it, for what it knows of the needle.

    The port is opened before the records are: where another recorder has it, nothing is written. Messages
    wait in the records until the recorder runs. Raises `DriverUnavailable`, `DriverLost` and `JournalError`.
    """
    ports = [probe for probe in settings.probes if NEEDLE in probe.names() or not probe.names()]
    if problem := needle.missing(settings.probes):
        raise DriverUnavailable(problem)
    clock = _clock(settings.database)
    driver = Probe(ports[0], clock, lag_s=settings.needle_lag_s)
    readings: queue.SimpleQueue[Event] = queue.SimpleQueue()
    halt = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(driver.run, readings.put, halt)
        try:
            while not driver.listening.is_set():
                if running.done():
                    running.result()
                time.sleep(0.01)
            check = _checked(settings, clock, how, give, watch, lambda: stop.is_set() or running.done(), readings)
            return check, driver
        finally:
            halt.set()
            running.result()


def _clock(database: Path) -> SystemClock:
    """As `clock_after`, of records that are not opened yet; who opens the file reports what is wrong with it."""
    try:
        with Reader.open(database) as journal:
            return clock_after(journal)
    except JournalError:
        return SystemClock(None)


def _checked(
    settings: Settings,
    clock: Clock,
    how: str,
    give: Callable[[Cue], None],
    watch: Watch,
    stopped: Callable[[], bool],
    readings: "queue.SimpleQueue[Event]",
) -> ProbeCheck | None:
    app = App(replace(settings, mqtt=None), open_journal(settings), clock, give, watch)
    app.loop.inbox = readings
    app.open()
    app.loop.handle(Heard(clock.now_ms(), how, Intent(how), "none", "command line"))
    asked = app.loop.state.seq

    def check() -> ProbeCheck | None:
        found = app.loop.state.world.probe_check
        return found if found and found.id == asked else None

    while (found := check()) and found.verdict is Verdict.OPEN and not stopped():
        app.turn(0.1)
    app.close()
    found = check()
    return found if found and found.verdict is not Verdict.OPEN else None


def sign(settings: Settings, event: Signed, give: Callable[[Cue], None]) -> None:
    """Put `event` into the records while no recorder runs; raises `JournalBusy` while one does, and `JournalError`.

    One that the station refuses leaves no entry.
    """
    with open_journal(settings) as journal:
        clock = clock_after(journal)
        state = restored(journal, snapshot.start(snapshot.beside(settings.database), journal))
        event = replace(event, at_ms=clock.now_ms())
        _, effects = step(state, event)
        if any(isinstance(effect, Record) and effect.table == "signatures" for effect in effects):
            Loop(journal, clock, give, messages(settings, journal), state=state).handle(event)
        else:
            for cue in [effect for effect in effects if isinstance(effect, Cue)][-1:]:
                give(cue)
