"""Drivers are started again for ever; their end is an event, whatever it was."""

import logging
import threading
import time
from queue import SimpleQueue

import pytest

from recorder import supervisor
from recorder.clock import ManualClock
from recorder.core.events import EarLost, Event, ProbeLost, Tick
from recorder.driver import DriverLost, Put
from recorder.probes.probe import Probe
from recorder.probes.serial.port import SerialSettings
from recorder.supervisor import Post, Supervisor


class Flaky:
    """Ends in a different way each time it runs, then stays."""

    name = "flaky"

    def __init__(self) -> None:
        self.runs = 0

    def run(self, put: Put, stop: threading.Event) -> None:
        self.runs += 1
        put(Tick(self.runs))
        if self.runs == 1:
            raise DriverLost("unplugged")
        if self.runs == 2:
            raise ValueError("a bug")
        if self.runs == 3:
            return
        stop.wait()


def test_a_driver_is_kept_running_however_it_ends(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.01)
    inbox: SimpleQueue[Event] = SimpleQueue()
    keeper = Supervisor((Post(Flaky(), lambda reason: (EarLost(0, reason),)),), inbox.put)
    with caplog.at_level(logging.WARNING):
        keeper.start()
        got = [inbox.get(timeout=30) for _ in range(7)]
    assert keeper.alive()
    keeper.stop()
    assert not keeper.alive()
    assert got == [
        Tick(1),
        EarLost(0, "unplugged"),
        Tick(2),
        EarLost(0, "ValueError: a bug"),
        Tick(3),
        EarLost(0, "ended by itself"),
        Tick(4),
    ]
    assert "flaky: unplugged; trying again" in caplog.text


class Hangs:
    """Looks at its stop no more after its first event, as if it hung in a system call, until it is let go."""

    name = "hangs"

    def __init__(self) -> None:
        self.runs = 0
        self.hung = threading.Event()
        self.let_go = threading.Event()

    def run(self, put: Put, stop: threading.Event) -> None:
        self.runs += 1
        put(Tick(self.runs))
        if self.runs == 1:
            self.hung.set()
            self.let_go.wait()
        while not stop.is_set():
            time.sleep(0.001)


class Waits:
    """Does nothing but wait for its stop."""

    name = "waits"

    def run(self, put: Put, stop: threading.Event) -> None:
        stop.wait()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.01)
    monkeypatch.setattr(supervisor, "HANGS_S", 0.1)


@pytest.mark.usefixtures("quick")
def test_a_driver_that_hangs_is_told_once_and_begun_anew_when_it_wakes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "HANGS_S", 60.0)
    driver, inbox = Hangs(), SimpleQueue[Event]()
    post = Post(driver, hangs=lambda: (EarLost(0, "it hangs"),))
    keeper = Supervisor((post, Post(Waits())), inbox.put)
    keeper.start()
    assert driver.hung.wait(5)
    assert inbox.get(timeout=30) == Tick(1)
    keeper.watch()
    assert inbox.empty(), "it has not hung for long enough"
    monkeypatch.setattr(supervisor, "HANGS_S", 0.1)
    time.sleep(0.15)
    for _ in range(3):
        keeper.watch()
    assert inbox.get(timeout=30) == EarLost(0, "it hangs")
    assert inbox.empty()
    driver.let_go.set()
    assert inbox.get(timeout=30) == Tick(2)
    keeper.watch()
    assert keeper.alive() and inbox.empty()
    keeper.stop()


@pytest.mark.usefixtures("quick")
def test_a_hang_is_worth_a_restart_only_after_the_program_has_run_for_long(monkeypatch: pytest.MonkeyPatch) -> None:
    driver = Hangs()
    keeper = Supervisor((Post(driver),), lambda event: None)
    keeper.start()
    assert driver.hung.wait(5)
    time.sleep(0.15)
    keeper.watch()
    assert keeper.alive(), "a device that hangs at once may not have the station restarted for ever"
    monkeypatch.setattr(supervisor, "RESTART_S", 0.0)
    assert not keeper.alive()
    driver.let_go.set()
    end_s = time.monotonic() + 30
    while not keeper.alive():
        keeper.watch()
        assert time.monotonic() < end_s
    keeper.stop()


@pytest.mark.usefixtures("quick")
def test_an_absent_device_starves_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its driver rests between its tries for longer than one may hang."""
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 2.5)
    monkeypatch.setattr(supervisor, "HANGS_S", 0.7)
    monkeypatch.setattr(supervisor, "RESTART_S", 0.0)
    probe = Probe(SerialSettings("serial", "/nowhere/port"), ManualClock(0))
    got: list[Event] = []
    keeper = Supervisor((Post(probe, hangs=lambda: (EarLost(0, "it hangs"),)),), got.append)
    keeper.start()
    end_s = time.monotonic() + 1.5
    while time.monotonic() < end_s:
        keeper.watch()
        assert keeper.alive()
        time.sleep(0.01)
    keeper.stop()
    assert got == [ProbeLost(0, "needle", "unplugged")]


@pytest.mark.usefixtures("quick")
def test_a_stop_leaves_what_hangs_behind() -> None:
    """All of them together get the time that it is given, and not each: half of that sum is far more than is needed."""
    drivers = [Hangs() for _ in range(50)]
    keeper = Supervisor(tuple(map(Post, drivers)), lambda event: None)
    keeper.start()
    assert all(driver.hung.wait(5) for driver in drivers)
    began_s = time.monotonic()
    keeper.stop(0.2)
    assert 0.2 <= time.monotonic() - began_s < 50 * 0.2 / 2
    for driver in drivers:
        driver.let_go.set()
