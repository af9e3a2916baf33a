"""Simulated firmware: a program at the other end of a pseudo terminal that speaks the line protocol.

The driver at the near end is the real one. What the probes measure is a thermal story: a needle with a first-order lag,
oil that sags on a load and recovers, a holding cabinet that swings a little; with noise from a seed. The numbers of the
story are invented; lags and noise are of the size of a thin needle's.

    python -m recorder.demo.devices.serial_board      prints the port and speaks in real time
"""

import math
import os
import random
import select
import sys
import tempfile
import time
import tty
from abc import ABC, abstractmethod
from pathlib import Path

from recorder.probes.serial.frames import SEQUENCE, checksum

AIR_C = 34.0
OIL_C = 170.0
CABINET_C = 66.0
LOAD_C = 20.0
"""How far a full load of cold pieces pulls the oil down, before the burner makes up for it."""
FOOD_LAG_S = 2.0
AIR_LAG_S = 9.0
OIL_LAG_S = 40.0
LOAD_LAG_S = 120.0
NOISE_C = 0.08

STEP_MS = 500
"""The needle speaks this often."""
SLOW_MS = 5_000
"""The vat and the cabinet speak this often."""


class Kitchen:
    """What the probes would feel. Temperatures in °C, time in ms since it began."""

    def __init__(self, seed: int = 1) -> None:
        self.needle_c = AIR_C
        self.oil_c = OIL_C
        self.cabinet_c = CABINET_C
        self.fault: str | None = None
        """The needle's fault word, while it has one."""
        self._piece_c: float | None = None
        self._oil_set_c = OIL_C
        self._load_c = 0.0
        self._random = random.Random(seed)

    def insert(self, piece_c: float) -> None:
        """The needle goes into a piece whose cold spot is at `piece_c`."""
        self._piece_c = piece_c

    def withdraw(self) -> None:
        """The needle is in the air of the kitchen."""
        self._piece_c = None

    def pull_connector(self) -> None:
        """The needle's plug is out: an open circuit."""
        self.fault = "open"

    def short_circuit(self) -> None:
        """The needle's wires touch."""
        self.fault = "short"

    def put_back(self) -> None:
        """The needle is whole and plugged in."""
        self.fault = None

    def load_vat(self) -> None:
        """Cold pieces go into the oil: it sags and recovers."""
        self._load_c = LOAD_C

    def set_oil(self, oil_c: float) -> None:
        """The oil is at `oil_c` and is kept there."""
        self.oil_c = self._oil_set_c = oil_c

    def pass_time(self, ms: int) -> None:
        """Everything goes on by `ms` towards where it is drawn."""
        seconds = ms / 1000
        goal_c, lag_s = (AIR_C, AIR_LAG_S) if self._piece_c is None else (self._piece_c, FOOD_LAG_S)
        self.needle_c += (goal_c - self.needle_c) * (1 - math.exp(-seconds / lag_s))
        self.oil_c += (self._oil_set_c - self._load_c - self.oil_c) * (1 - math.exp(-seconds / OIL_LAG_S))
        self._load_c *= math.exp(-seconds / LOAD_LAG_S)
        self.cabinet_c += (CABINET_C - self.cabinet_c) * (1 - math.exp(-seconds / 60)) + self._random.gauss(0, 0.03)

    def noise(self) -> float:
        """What the amplifier adds to one measurement."""
        return self._random.gauss(0, NOISE_C)


class Simulation(ABC):
    """A device that measures a kitchen, and goes through its story step by step."""

    step_ms = STEP_MS
    """It goes on in steps of this: `advance` by less has no effect yet."""

    def __init__(self, kitchen: Kitchen) -> None:
        self.kitchen = kitchen
        self.quiet: set[str] = set()
        """Channels that say nothing though they are there, as by a broken firmware."""
        self._age_ms = 0
        self._left_ms = 0

    def advance(self, ms: int) -> None:
        """Let `ms` pass in the story, in steps of `step_ms`, and say what is measured; a rest waits its turn."""
        self._left_ms += ms
        while self._left_ms >= self.step_ms:
            self._left_ms -= self.step_ms
            self._age_ms += self.step_ms
            self.kitchen.pass_time(self.step_ms)
            self._step()

    @abstractmethod
    def _step(self) -> None:
        """The device does what it does in one step."""


class SimulatedFirmware(Simulation):
    """A board on a pty. Its port keeps one path, through unplugging and plugging in again."""

    def __init__(self, kitchen: Kitchen) -> None:
        super().__init__(kitchen)
        self.sent = 0
        """Lines that reached somebody's port. What is said while nobody has the port open goes nowhere."""
        self._folder = tempfile.TemporaryDirectory(prefix="simulated-probe-")
        self.port = str(Path(self._folder.name) / "port")
        self._sequence: dict[str, int] = {}
        self._board: int | None = None
        self.plug_in()

    def plug_in(self) -> None:
        """The board is there and starts to count its lines from 0; does nothing while it is plugged in."""
        if self._board is not None:
            return
        self._board, far = os.openpty()
        os.set_blocking(self._board, False)
        tty.setraw(far)
        Path(self.port).symlink_to(os.ttyname(far))
        os.close(far)
        self._sequence.clear()

    def unplug(self) -> None:
        """The board is gone in the middle of whatever it said; does nothing while it is gone."""
        if self._board is not None:
            Path(self.port).unlink()
            os.close(self._board)
            self._board = None

    def send(self, data: bytes) -> bool:
        """Send these bytes as they are; False when nobody has the port open or has read for long."""
        if self._board is None or alone(self._board):
            return False
        try:
            taken = os.write(self._board, data)
        except BlockingIOError:
            return False
        self.sent += data[:taken].count(b"\n")
        return taken == len(data)

    def close(self) -> None:
        """Unplug for good."""
        self.unplug()
        self._folder.cleanup()

    def _step(self) -> None:
        self._say("needle", self.kitchen.needle_c, self.kitchen.fault)
        if self._age_ms % SLOW_MS == 0:
            self._say("vat", self.kitchen.oil_c)
            self._say("cabinet", self.kitchen.cabinet_c)

    def _say(self, channel: str, temp_c: float, fault: str | None = None) -> None:
        value = f"{temp_c + self.kitchen.noise():.2f}C"
        if channel not in self.quiet:
            number = self._sequence.get(channel, 0)
            self._sequence[channel] = number + 1 if number < SEQUENCE else 1
            self.send(framed(channel, number, fault or value))


def alone(board: int) -> bool:
    """Whether nobody has the port open; the board's end of the pty then is hung up."""
    poll = select.poll()
    poll.register(board, select.POLLIN)
    return any(happened & select.POLLHUP for _, happened in poll.poll(0))


def framed(channel: str, number: int, word: str) -> bytes:
    """A line of the protocol with its checksum and end; `word` is a value with its unit or a fault word."""
    said = f"{channel} {number} {word}".encode()
    return said + f" {checksum(said):04X}\n".encode()


def main() -> None:
    """Speak in real time: the needle is dipped into a hot piece every half minute."""
    kitchen = Kitchen()
    board = SimulatedFirmware(kitchen)
    sys.stdout.write(f"{board.port}\n")
    sys.stdout.flush()
    try:
        for step in range(sys.maxsize):
            if step % 60 == 10:
                kitchen.insert(84.0)
            elif step % 60 == 44:
                kitchen.withdraw()
            board.advance(STEP_MS)
            time.sleep(STEP_MS / 1000)
    except KeyboardInterrupt:
        pass
    finally:
        board.close()


if __name__ == "__main__":
    main()
