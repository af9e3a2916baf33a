"""Bytes from a serial port to temperatures and faults. Pure: no port, no clock.

Two forms: the line protocol of firmware_notes/line-protocol.md, and the plain form of one number a line. A line counts
only when its end has come; whatever is wrong with it is counted by kind, and it never becomes a temperature.
"""

import binascii
import re
from abc import abstractmethod
from dataclasses import replace

from recorder.core.limits import to_c
from recorder.probes.plausible import HIGHEST_C, LOWEST_C, Plausible
from recorder.probes.serial.line_notes import KNOWN, NOTE, TIMES, VERSION, BoardTimes
from recorder.probes.source import Chunk, Doubt, Fault, Found, Reader, Sample
from recorder.thermal.converters import COLDEST_C, HOTTEST_C, Unfit, max31855k, max31856
from recorder.thermal.thermocouple import temp_c as hot_c

LONGEST_LINE = 80
"""Bytes; a longer line is thrown away up to its end."""

SEQUENCE = 65_535
"""Sequence numbers go 1 to this and begin again at 1; 0 is only said by a board that has just started."""

RESTARTED_AFTER = 5
"""So many numbers in a row that are too low but follow each other mean a board that started again unseen."""

LETTER_C, LETTER_AFTER = 5.0, 3
"""A plain board's new unit letter is believed with a temperature so near to the last one, or after so many lines."""

FAULTS = {"open": "open circuit", "short": "short circuit", "fault": "probe fault"}
"""Fault words on the wire -> in records."""

OUT_OF_RANGE = "voltage out of range"
"""In records: raw microvolts or a cold junction that no probe at a fryer can have."""

HOT_OUT_OF_RANGE = "hot junction out of range"
"""In records: a converter's frame that means what no probe at a fryer can read."""

_END = re.compile(rb"[\r\n]")
_FRAMED = re.compile(
    rb"(needle|cabinet[1-9]?|vat[1-9]?) (\d{1,5}) "
    rb"(?:([+-]?\d{1,4}\.\d{1,2})([CF])|([a-z]+)|([KJT])([+-]?\d{1,5}\.\d)uV([+-]?\d{1,3}\.\d{1,4})C"
    rb"|(Kw[0-9A-F]{8}|[KJT]r[0-9A-F]{32}))(?: @(\d{1,10}))? ([0-9A-F]{4})"
)
_PLAIN = re.compile(rb"[ \t]*([+-]?\d{1,4}(?:\.\d{1,4})?)[ \t]*([CFcf])?[ \t]*")


class Lines(Reader):
    """Puts lines together from bytes, however they are cut up, and has `line` make something of each."""

    def __init__(self) -> None:
        super().__init__()
        self._part = b""
        self._plausible = Plausible()

    def read(self, chunk: Chunk) -> list[Found]:
        """What the lines that end in `chunk` say."""
        found: list[Found] = []
        begin = 0
        for end in _END.finditer(chunk.data):
            self._append(chunk.data, begin, end.start())
            if len(self._part) > LONGEST_LINE:
                found += self.counted("too long")
            elif self._part:
                made = self.line(self._part)
                found += self.counted(made) if made is not None else []
            self._part, begin = b"", end.end()
        self._append(chunk.data, begin, len(chunk.data))
        return found

    def reopened(self) -> None:
        """The port was opened again: the rest of a line is not to come, and the board may count from anywhere."""
        self._part = b""

    def _append(self, data: bytes, begin: int, end: int) -> None:
        """Those of `data` to the line that has begun; of one that is too long no more is kept than shows it."""
        room = LONGEST_LINE + 1 - len(self._part)
        self._part += data[begin : min(end, begin + room)]

    @abstractmethod
    def line(self, line: bytes) -> Found | str | None:
        """What one line says, or the kind of its badness; None for one that is about the device itself."""


class FramedLines(Lines):
    """The line protocol: channel, sequence number, temperature, raw voltage, converter's frame or fault word, CRC."""

    def __init__(self) -> None:
        super().__init__()
        self._last: dict[str, int] = {}
        self._strays: dict[str, list[int]] = {}
        self._times = BoardTimes()

    def reopened(self) -> None:
        """As `Reader` promises."""
        super().reopened()
        self._last.clear()
        self._strays.clear()
        self._times.started()

    def line(self, line: bytes) -> Found | str | None:
        """As `Lines` promises."""
        if line.startswith(b"#"):
            return self._noted(line)
        parts = _FRAMED.fullmatch(line)
        if parts is None:
            return "not of the protocol"
        channel, number, value, unit, word, kind, microvolts, cold_c, frame, board_ms, crc = (
            part.decode() for part in parts.groups(b"")
        )
        if crc != f"{checksum(line[: parts.start(11) - 1]):04X}":
            return "wrong checksum"
        if board_ms and int(board_ms) >= TIMES:
            return "not of the protocol"
        if word and word not in FAULTS:
            return "unknown fault word"
        name = "vat1" if channel == "vat" else channel
        if not self._in_order(name, int(number)):
            return "out of order"
        if kind:
            found = self.converted(name, kind, float(microvolts), float(cold_c))
        elif frame:
            found = self.decoded(name, frame[0], frame[2:])
        else:
            found = Fault(name, FAULTS[word]) if word else self._plausible.judge(name, float(value), unit)
        return replace(found, taken=self._times.taken(int(board_ms))) if board_ms else found

    def converted(self, channel: str, kind: str, microvolts: float, cold_c: float) -> Sample | Fault | Doubt:
        """The sample of a raw voltage by ITS-90, why it is absurd, or the fault of one that is out of range."""
        try:
            temp_c = hot_c(kind, microvolts / 1_000, cold_c)
        except ValueError:
            return Fault(channel, OUT_OF_RANGE)
        if not (COLDEST_C <= cold_c <= HOTTEST_C and LOWEST_C <= temp_c <= HIGHEST_C):
            return Fault(channel, OUT_OF_RANGE)
        return self._plausible.judge(channel, temp_c, "C")

    def decoded(self, channel: str, kind: str, digits: str) -> Sample | Fault | Doubt:
        """The sample of a converter's whole frame, why it is absurd, or the faults that it names."""
        data = bytes.fromhex(digits)
        made = max31855k(int.from_bytes(data)) if len(data) == 4 else max31856(data, kind)
        if isinstance(made, Unfit):
            return Fault(channel, ", ".join(made.faults))
        if not LOWEST_C <= made.temp_c <= HIGHEST_C:
            return Fault(channel, HOT_OUT_OF_RANGE)
        return self._plausible.judge(channel, made.temp_c, "C")

    def _noted(self, line: bytes) -> str | None:
        """Keep what the board says of itself; the kind of badness where it can't be that."""
        parts = NOTE.fullmatch(line)
        if parts is None:
            return "not of the protocol"
        word, words, crc = (part.decode() for part in parts.groups())
        if crc != f"{checksum(line[:-5]):04X}":
            return "wrong checksum"
        if word == "protocol" and not words.startswith(VERSION):
            return "another protocol"
        self.notes += 1
        if word in KNOWN:
            self.about[word] = words
        return None

    def _in_order(self, channel: str, number: int) -> bool:
        """Whether `number` goes on from the last one of `channel`, or the board has started to count again."""
        last = self._last.get(channel, -1)
        started = last < 0 or (number == 0 and last > 0)
        ahead = 1 if started else (number - last) % SEQUENCE if number else 0
        if number > SEQUENCE:
            return False
        if not 0 < ahead <= SEQUENCE // 2:
            strays = self._strays.setdefault(channel, [])
            strays[:] = [*strays, number] if strays and number == strays[-1] + 1 else [number]
            if len(strays) < RESTARTED_AFTER:
                return False
            ahead, started = 1, True
        if started and last >= 0:
            self._times.started()
        self._strays.pop(channel, None)
        self.missed += ahead - 1
        self._last[channel] = number
        return True


class PlainLines(Lines):
    """One number a line, with or without a unit letter. There is no checksum.

    Once a letter has come, a line without one is cut or broken. Another letter than before is believed when its
    temperature goes on from the last one, or when it has come `LETTER_AFTER` times running.
    """

    def __init__(self, channel: str, unit: str) -> None:
        """`unit` of numbers without a letter: "C", "F", or "letter" where there may be none."""
        super().__init__()
        self._channel = channel
        self._unit = unit if unit in ("C", "F") else ""
        self._begun = False
        self._letter, self._others = "", 0
        self._last_c: float | None = None

    def reopened(self) -> None:
        """As `Reader` promises."""
        super().reopened()
        self._begun = False
        self._letter, self._others, self._last_c = "", 0, None

    def line(self, line: bytes) -> Found | str:
        """As `Lines` promises."""
        if not self._begun:
            self._begun = True
            return "first, maybe cut"
        parts = _PLAIN.fullmatch(line)
        if parts is None:
            return "not a number"
        value, letter = float(parts[1]), (parts[2] or b"").decode().upper()
        if not (letter or (self._unit and not self._letter)):
            return Doubt(self._channel, "no unit letter")
        unit = letter or self._unit
        if self._letter and letter != self._letter and not self._other(to_c(value, unit)):
            return Doubt(self._channel, "another unit letter")
        self._letter, self._others = letter, 0
        found = self._plausible.judge(self._channel, value, unit)
        if isinstance(found, Sample):
            self._last_c = found.temp_c
        return found

    def _other(self, temp_c: float) -> bool:
        """Whether a line with another letter than before is believed."""
        self._others += 1
        near = self._last_c is not None and abs(temp_c - self._last_c) <= LETTER_C
        return near or self._others >= LETTER_AFTER


def checksum(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, not reflected; 0x29B1 for b"123456789"."""
    return binascii.crc_hqx(data, 0xFFFF)
