"""What `recorder/driver.py` promises, asked of every driver: start, stop, stop again, vanish, return, fall silent.

A rig is one driver with its device in the test's hands. Another driver joins by a rig of its own in `RIGS`.
"""

import threading
import time
from collections.abc import Callable, Iterator
from queue import SimpleQueue
from typing import Protocol

import pytest

from recorder.clock import ManualClock
from recorder.core.events import Event, ProbeBack, ProbeLost, Reading
from recorder.driver import DRIVERS, Driver, DriverLost, load
from recorder.probes.probe import Probe
from recorder.probes.script import Script
from recorder.probes.serial_probe import SerialSettings
from recorder.probes.simulated import Kitchen, SimulatedFirmware, framed

SOON_S = 2.0
"""A driver that is asked to stop, or loses its device, ends within this."""


class Rig(Protocol):
    """One driver and its device."""

    driver: Driver

    def speak(self) -> None:
        """The device says something that becomes at least one event."""
        ...

    def vanish(self) -> None:
        """The device goes."""
        ...

    def come_back(self) -> None:
        """The device is there again."""
        ...

    def fall_silent(self) -> Event | None:
        """The device stays but has said nothing for long; the event that the driver owes, if it watches for that."""
        ...

    def close(self) -> None: ...


class SerialRig:
    """The serial driver at a simulated board."""

    def __init__(self) -> None:
        self.board = SimulatedFirmware(Kitchen())
        self.clock = ManualClock(0)
        self.probe = Probe(SerialSettings("serial", self.board.port), self.clock)
        self.driver: Driver = self.probe
        self._number = 0

    def speak(self) -> None:
        assert self.probe.listening.wait(SOON_S)
        self._number += 1
        self.clock.advance(1000)
        assert self.board.send(framed("needle", self._number, "71.25C" if self._number % 2 else "61.25C"))

    def vanish(self) -> None:
        self.board.unplug()

    def come_back(self) -> None:
        self.board.plug_in()

    def fall_silent(self) -> Event | None:
        assert self.probe.listening.wait(SOON_S)
        self.clock.advance(10_000)
        return ProbeLost(self.clock.now_ms(), "needle", "silent")

    def close(self) -> None:
        self.board.close()


class ScriptRig:
    """The script, written while it is played."""

    def __init__(self) -> None:
        self._lines: SimpleQueue[Event | DriverLost] = SimpleQueue()
        self.driver: Driver = Script(self._play())
        self._at_ms = 0

    def _play(self) -> Iterator[Event | DriverLost | float]:
        while True:
            yield 0.01 if self._lines.empty() else self._lines.get()

    def speak(self) -> None:
        self._at_ms += 1000
        self._lines.put(Reading(self._at_ms, "needle", 71.25))

    def vanish(self) -> None:
        self._lines.put(DriverLost("the script says so"))

    def come_back(self) -> None:
        pass

    def fall_silent(self) -> Event | None:
        return None

    def close(self) -> None:
        pass


RIGS: dict[str, Callable[[], Rig]] = {"serial": SerialRig, "script": ScriptRig}


@pytest.fixture(params=RIGS)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    made = RIGS[request.param]()
    yield made
    made.close()


class Run:
    """One run of a driver in a thread."""

    def __init__(self, driver: Driver) -> None:
        self.events: SimpleQueue[Event] = SimpleQueue()
        self.lost: DriverLost | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(driver,))
        self._thread.start()

    def _run(self, driver: Driver) -> None:
        try:
            driver.run(self.events.put, self._stop)
        except DriverLost as error:
            self.lost = error

    def event(self) -> Event:
        """The next event; fails when none comes."""
        return self.events.get(timeout=SOON_S)

    def stop(self) -> None:
        """Ask it to stop; fails when it does not."""
        self._stop.set()
        self.ended()

    def ended(self) -> None:
        """It ends; fails when it does not."""
        self._thread.join(SOON_S)
        assert not self._thread.is_alive()


def test_it_has_a_name_and_costs_nothing_before_it_runs(rig: Rig) -> None:
    before = threading.active_count()
    assert rig.driver.name
    assert threading.active_count() == before


def test_it_emits_what_it_receives_when_it_receives_it(rig: Rig) -> None:
    run = Run(rig.driver)
    for _ in range(3):
        rig.speak()
        assert isinstance(run.event(), Reading)
    run.stop()
    assert run.lost is None


def test_it_stops_soon_and_may_be_asked_twice(rig: Rig) -> None:
    run = Run(rig.driver)
    rig.speak()
    run.event()
    began_s = time.monotonic()
    run.stop()
    run.stop()
    assert time.monotonic() - began_s < 1.0
    assert run.lost is None


def test_it_returns_at_once_when_it_was_stopped_before_it_ran(rig: Rig) -> None:
    stop = threading.Event()
    stop.set()
    rig.driver.run(lambda event: pytest.fail(f"{event} after the stop"), stop)


def test_it_runs_again_after_a_stop(rig: Rig) -> None:
    for _ in range(2):
        run = Run(rig.driver)
        rig.speak()
        assert isinstance(run.event(), Reading)
        run.stop()


def test_it_is_lost_when_its_device_vanishes_and_works_when_that_is_back(rig: Rig) -> None:
    run = Run(rig.driver)
    rig.speak()
    run.event()
    rig.vanish()
    run.ended()
    assert isinstance(run.lost, DriverLost)
    assert str(run.lost)
    rig.come_back()
    again = Run(rig.driver)
    rig.speak()
    got = again.event()
    if isinstance(got, ProbeBack):
        got = again.event()
    assert isinstance(got, Reading)
    again.stop()


def test_silence_is_told_once_and_does_not_end_it(rig: Rig) -> None:
    run = Run(rig.driver)
    rig.speak()
    run.event()
    owed = rig.fall_silent()
    if owed:
        assert run.event() == owed
    time.sleep(0.2)
    assert run.events.empty()
    run.stop()
    assert run.lost is None


@pytest.mark.parametrize("name", DRIVERS)
def test_every_driver_of_the_table_is_there(name: str) -> None:
    assert callable(load(name).run)


def test_a_script_is_played_once_in_order_and_then_waits() -> None:
    events = [Reading(at_ms, "vat1", 170.0) for at_ms in range(3)]
    driver = Script([events[0], 0.01, events[1], DriverLost("over"), events[2]])
    run = Run(driver)
    run.ended()
    assert [run.event(), run.event()] == events[:2]
    again = Run(driver)
    assert again.event() == events[2]
    again.stop()
