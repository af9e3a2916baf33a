"""Bytes from a serial port to temperatures and faults. Pure: no port, no clock.

Two forms: the line protocol of firmware_notes/line-protocol.md, and the plain form of one number a line. A line counts
only when its end has come; whatever is wrong with it is counted by kind, and it never becomes a temperature.
"""

import binascii
import re
from collections import Counter
from dataclasses import dataclass

from recorder.core.rules import to_c

LOWEST_C, HIGHEST_C = -40.0, 400.0
"""What a probe at a fryer can read at all."""

JUMP_C = 60.0
"""A temperature this far from the channel's last one counts only when the next one is near it.

The steepest true step is a thin needle (1 s) that goes from air into oil, 55 °C in half a second; it costs one sample.
"""

LONGEST_LINE = 80
"""Bytes; a longer line is thrown away up to its end."""

SEQUENCE = 65_535
"""Sequence numbers go 1 to this and begin again at 1; 0 is only said by a board that has just started."""

RESTARTED_AFTER = 5
"""So many numbers in a row that are too low but follow each other mean a board that started again unseen."""

FAULTS = {"open": "open circuit", "short": "short circuit", "fault": "probe fault"}
"""Fault words on the wire -> in records."""

_FRAMED = re.compile(rb"(needle|cabinet|vat[1-9]?) (\d{1,5}) (?:([+-]?\d{1,4}\.\d{1,2})([CF])|([a-z]+)) ([0-9A-F]{4})")
_PLAIN = re.compile(rb"[ \t]*([+-]?\d{1,4}(?:\.\d{1,4})?)[ \t]*([CFcf])?[ \t]*")


@dataclass(frozen=True, slots=True)
class Sample:
    """One temperature."""

    channel: str
    temp_c: float


@dataclass(frozen=True, slots=True)
class Fault:
    """A channel that says that it has no temperature."""

    channel: str
    reason: str


class Lines:
    """Puts lines together from bytes, however they are cut up, and has `read` make something of each."""

    def __init__(self) -> None:
        self.good = 0
        self.bad: Counter[str] = Counter()
        """Bad lines by kind."""
        self.missed = 0
        """Lines that the sequence numbers say were sent and did not come."""
        self._part = bytearray()
        self._overlong = False
        self._last_c: dict[str, float] = {}
        self._doubted_c: dict[str, float] = {}

    def feed(self, data: bytes) -> list[Sample | Fault]:
        """What the lines that end in `data` say."""
        found: list[Sample | Fault] = []
        for byte in data:
            if byte not in b"\r\n":
                self._overlong = self._overlong or len(self._part) >= LONGEST_LINE
                if not self._overlong:
                    self._part.append(byte)
                continue
            line, overlong = bytes(self._part), self._overlong
            self._part.clear()
            self._overlong = False
            if overlong:
                self.bad["too long"] += 1
            elif line:
                self._take(line, found)
        return found

    def reopened(self) -> None:
        """The port was opened again: the rest of a line is not to come, and the board may count from anywhere."""
        self._part.clear()
        self._overlong = False

    @property
    def lines(self) -> int:
        """Lines that have ended, good and bad."""
        return self.good + self.bad.total()

    def read(self, line: bytes) -> Sample | Fault | str:
        """What one line says, or the kind of its badness."""
        raise NotImplementedError

    def judged(self, channel: str, value: float, unit: str) -> Sample | str:
        """The sample of `value` in `unit` ("C" or "F"), or why it is absurd."""
        temp_c = to_c(value, unit)
        if not LOWEST_C <= temp_c <= HIGHEST_C:
            return "out of range"
        doubted_c = self._doubted_c.pop(channel, temp_c)
        last_c = self._last_c.setdefault(channel, temp_c)
        if abs(temp_c - last_c) >= JUMP_C and (doubted_c == temp_c or abs(temp_c - doubted_c) >= JUMP_C):
            self._doubted_c[channel] = temp_c
            return "jump"
        self._last_c[channel] = temp_c
        return Sample(channel, temp_c)

    def _take(self, line: bytes, found: list[Sample | Fault]) -> None:
        made = self.read(line)
        if isinstance(made, str):
            self.bad[made] += 1
        else:
            self.good += 1
            found.append(made)
