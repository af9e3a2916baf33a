"""Drivers are started again for ever; their end is an event, whatever it was."""

import logging
import threading
from queue import SimpleQueue

import pytest

from recorder import supervisor
from recorder.core.events import EarLost, Event, Tick
from recorder.driver import DriverLost, DriverUnavailable, Put, load
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
        got = [inbox.get(timeout=5) for _ in range(7)]
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


def test_an_unknown_driver_is_named_with_the_ones_there_are() -> None:
    with pytest.raises(DriverUnavailable, match=r"'parrot'; there are .*probe"):
        load("parrot")
