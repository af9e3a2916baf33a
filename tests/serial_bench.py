"""A serial driver on a pseudo terminal, with a simulated board at the far end and a clock in the test's hand."""

import time

from recorder.clock import ManualClock
from recorder.core.events import Event
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware
from recorder.probes.probe import Probe
from recorder.probes.serial.port import SerialSettings
from recorder.supervisor import Post, Supervisor
from tests.waiting import until


class Bench:
    """A driver, kept running as the daemon keeps it, with a board at the far end and a clock in the test's hand."""

    def __init__(self, channels: tuple[str, ...] = ("needle", "vat", "cabinet"), **settings: object) -> None:
        self.board = SimulatedFirmware(Kitchen())
        self.clock = ManualClock(0)
        self.probe = Probe(
            SerialSettings("serial", self.board.port, channels, **settings),  # type: ignore[arg-type]
            self.clock,
        )
        self.events: list[Event] = []
        self.keeper = Supervisor((Post(self.probe),), self.events.append)

    def start(self) -> "Bench":
        self.keeper.start()
        self.plugged_in()
        return self

    def plugged_in(self) -> None:
        until(self.probe.listening.is_set, "the port is open")

    def send(self, *parts: bytes) -> list[Event]:
        """Send these bytes; the events that they make."""
        before = self.probe.bytes_read + len(b"".join(parts))
        for part in parts:
            assert self.board.send(part)
        until(lambda: self.probe.bytes_read >= before, "all bytes are read")
        return self.taken()

    def play(self, seconds: float) -> list[Event]:
        """Let the board speak for so long; the events of it."""
        for _ in range(round(seconds * 2)):
            self.clock.advance(500)
            goal = self.probe.ended - self.board.sent
            self.board.advance(500)
            until(lambda goal=goal: self.probe.ended - self.board.sent >= goal, "the driver has read all lines")  # type: ignore[misc]
        return self.taken()

    def idle(self, seconds: float) -> list[Event]:
        """Time passes and nobody says anything; what the driver makes of it."""
        self.clock.advance(round(seconds * 1000))
        time.sleep(0.15)
        return self.taken()

    def taken(self) -> list[Event]:
        taken, self.events[:] = list(self.events), []
        return taken

    def close(self) -> None:
        self.keeper.stop()
        self.board.close()
