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

LONGEST_LINE = 80
"""Bytes; a longer line is thrown away up to its end."""

SEQUENCE = 65_535
"""Sequence numbers go 1 to this and begin again at 1; 0 is only said by a board that has just started."""

RESTARTED_AFTER = 5
"""So many numbers in a row that are too low but follow each other mean a board that started again unseen."""

JUMP_C = 40.0
"""A plain number this far from the last one counts only when the next one is near it."""

FAULTS = {"open": "open circuit", "short": "short circuit", "fault": "probe fault"}
"""Fault words on the wire -> in records."""

_FRAMED = re.compile(rb"(needle|cabinet|vat[1-9]?) (\d{1,5}) (?:([+-]?\d{1,4}\.\d{1,2})([CF])|([a-z]+)) ([0-9A-F]{4})")
_PLAIN = re.compile(rb"\s*([+-]?\d{1,4}(?:\.\d{1,4})?)\s*([CFcf])?\s*")


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
        self._part = bytearray()
        self._overlong = False

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

    @property
    def lines(self) -> int:
        """Lines that have ended, good and bad."""
        return self.good + self.bad.total()

    def _take(self, line: bytes, found: list[Sample | Fault]) -> None:
        made = self.read(line)
        if isinstance(made, str):
            self.bad[made] += 1
        else:
            self.good += 1
            found += made

    def read(self, line: bytes) -> list[Sample | Fault] | str:
        """What one line says, or the kind of its badness."""
        raise NotImplementedError


class FramedLines(Lines):
    """The line protocol: channel, sequence number, temperature or fault word, CRC."""

    def __init__(self) -> None:
        super().__init__()
        self.missed = 0
        """Lines that the sequence numbers say were sent and did not come."""
        self._last: dict[bytes, int] = {}
        self._strays: dict[bytes, list[int]] = {}

    def read(self, line: bytes) -> list[Sample | Fault] | str:
        parts = _FRAMED.fullmatch(line)
        if parts is None:
            return "not a line of the protocol"
        channel, number, value, unit, word, crc = parts.groups()
        if crc != f"{checksum(line[: parts.start(6) - 1]):04X}".encode():
            return "wrong checksum"
        if word is not None and word.decode() not in FAULTS:
            return "unknown fault word"
        if not self._in_order(channel, int(number)):
            return "out of order"
        name = "vat1" if channel == b"vat" else channel.decode()
        if word is not None:
            return [Fault(name, FAULTS[word.decode()])]
        temp_c = to_c(float(value), unit.decode())
        return [Sample(name, temp_c)] if LOWEST_C <= temp_c <= HIGHEST_C else "not a temperature of a kitchen"

    def _in_order(self, channel: bytes, number: int) -> bool:
        if number > SEQUENCE:
            return False
        last = self._last.get(channel)
        ahead = 1 if last is None or number == 0 else (number - last) % SEQUENCE
        if not 0 < ahead <= SEQUENCE // 2:
            strays = self._strays.setdefault(channel, [])
            strays[:] = [*strays, number] if strays and number == strays[-1] + 1 else [number]
            if len(strays) < RESTARTED_AFTER:
                return False
            ahead = 1
        self._strays.pop(channel, None)
        self.missed += ahead - 1
        self._last[channel] = number
        return True


class PlainLines(Lines):
    """One number a line, with or without a unit letter. There is no checksum, so a jump must be seen twice."""

    def __init__(self, channel: str, unit: str) -> None:
        """`unit` ("C" or "F") of numbers without a letter."""
        super().__init__()
        self._channel, self._unit = channel, unit
        self._opened = False
        self._last_c: float | None = None
        self._doubted_c: float | None = None

    def read(self, line: bytes) -> list[Sample | Fault] | str:
        if not self._opened:
            self._opened = True
            return "first line, maybe cut"
        parts = _PLAIN.fullmatch(line)
        if parts is None:
            return "not a number"
        temp_c = to_c(float(parts[1]), (parts[2] or self._unit.encode()).decode().upper())
        if not LOWEST_C <= temp_c <= HIGHEST_C:
            return "not a temperature of a kitchen"
        near = [
            known for known in (self._last_c, self._doubted_c) if known is not None and abs(temp_c - known) < JUMP_C
        ]
        if self._last_c is not None and not near:
            self._doubted_c = temp_c
            return "jump"
        self._last_c, self._doubted_c = temp_c, None
        return [Sample(self._channel, temp_c)]


def checksum(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, not reflected; 0x29B1 for b"123456789"."""
    return binascii.crc_hqx(data, 0xFFFF)
