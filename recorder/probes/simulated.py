"""Simulated firmware: a program at the other end of a pseudo terminal that speaks the line protocol.

The driver at the near end is the real one. What the probes measure is a thermal story: a needle with a first-order lag,
oil that sags on a load and recovers, a holding cabinet that swings a little; with noise from a seed.

    python -m recorder.probes.simulated      prints the port and speaks in real time
"""

import math
import os
import random
import sys
import tempfile
import time
import tty
from pathlib import Path

from recorder.probes.frames import SEQUENCE, checksum

AIR_C = 34.0
FOOD_LAG_S = 2.0
AIR_LAG_S = 9.0
NOISE_C = 0.08
SLOW_MS = 5_000
"""The vat and the cabinet speak this often; the needle speaks with every step."""


class Kitchen:
    """What the probes would feel. Temperatures in °C, time in ms since it began."""

    def __init__(self, seed: int = 1) -> None:
        self.needle_c = AIR_C
        self.oil_c = 170.0
        self.cabinet_c = 66.0
        self.open_circuit = False
        self._piece_c: float | None = None
        self._oil_set_c = 170.0
        self._load_c = 0.0
        self._random = random.Random(seed)

    def insert(self, piece_c: float) -> None:
        """The needle goes into a piece whose cold spot is at `piece_c`."""
        self._piece_c = piece_c

    def withdraw(self) -> None:
        self._piece_c = None

    def pull_connector(self) -> None:
        self.open_circuit = True

    def put_back(self) -> None:
        self.open_circuit = False

    def load_vat(self) -> None:
        """Cold pieces go into the oil: it sags and recovers."""
        self._load_c = 20.0

    def set_oil(self, oil_c: float) -> None:
        """The oil is at `oil_c` and is kept there."""
        self.oil_c = self._oil_set_c = oil_c

    def pass_time(self, ms: int) -> None:
        seconds = ms / 1000
        goal_c, lag_s = (AIR_C, AIR_LAG_S) if self._piece_c is None else (self._piece_c, FOOD_LAG_S)
        self.needle_c += (goal_c - self.needle_c) * (1 - math.exp(-seconds / lag_s))
        self.oil_c += (self._oil_set_c - self._load_c - self.oil_c) * (1 - math.exp(-seconds / 40))
        self._load_c *= math.exp(-seconds / 120)
        self.cabinet_c += (66.0 - self.cabinet_c) * (1 - math.exp(-seconds / 60)) + self._random.gauss(0, 0.05)

    def noise(self) -> float:
        return self._random.gauss(0, NOISE_C)


class SimulatedFirmware:
    """A board on a pty. Its port keeps one path, through unplugging and plugging in again."""

    def __init__(self, kitchen: Kitchen) -> None:
        self.kitchen = kitchen
        self.sent = 0
        """Lines sent since the board began."""
        self._folder = tempfile.TemporaryDirectory(prefix="simulated-probe-")
        self.port = str(Path(self._folder.name) / "port")
        self._sequence: dict[str, int] = {}
        self._age_ms = 0
        self._board: int | None = None
        self.plug_in()

    def plug_in(self) -> None:
        """The board is there and starts to count its lines from 0."""
        self._board, far = os.openpty()
        tty.setraw(far)
        link = Path(self.port)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(far))
        self._far = far
        self._sequence.clear()

    def unplug(self) -> None:
        """The board is gone in the middle of whatever it said."""
        if self._board is not None:
            os.close(self._board)
            os.close(self._far)
            Path(self.port).unlink()
            self._board = None

    def advance(self, ms: int) -> None:
        """Let `ms` pass in the story, and say what the probes measure at its end."""
        self.kitchen.pass_time(ms)
        before, self._age_ms = self._age_ms, self._age_ms + ms
        kitchen = self.kitchen
        self._say("needle", None if kitchen.open_circuit else kitchen.needle_c)
        if before // SLOW_MS != self._age_ms // SLOW_MS:
            self._say("vat", kitchen.oil_c)
            self._say("cabinet", kitchen.cabinet_c)

    def close(self) -> None:
        self.unplug()
        self._folder.cleanup()

    def send(self, line: bytes) -> None:
        """Send these bytes as they are."""
        if self._board is not None:
            os.write(self._board, line)
            self.sent += line.count(b"\n")

    def _say(self, channel: str, temp_c: float | None) -> None:
        number = self._sequence.get(channel, 0)
        self._sequence[channel] = number + 1 if number < SEQUENCE else 1
        word = "open" if temp_c is None else f"{temp_c + self.kitchen.noise():.2f}C"
        self.send(framed(channel, number, word))


def framed(channel: str, number: int, word: str) -> bytes:
    """A line of the protocol with its checksum and end."""
    said = f"{channel} {number} {word}".encode()
    return said + f" {checksum(said):04X}\n".encode()


def main() -> None:
    """Speak in real time: the needle is dipped into a hot piece every half minute."""
    kitchen = Kitchen()
    board = SimulatedFirmware(kitchen)
    sys.stdout.write(f"{board.port}\n")
    sys.stdout.flush()
    try:
        for second in range(sys.maxsize):
            if second % 30 == 10:
                kitchen.insert(84.0)
            elif second % 30 == 25:
                kitchen.withdraw()
            board.advance(1000)
            time.sleep(1)
    except KeyboardInterrupt:
        board.close()


if __name__ == "__main__":
    main()
