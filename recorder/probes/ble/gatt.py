"""What Bluetooth probes say: characteristics of the Bluetooth SIG to temperatures, faults and charges. Pure.

Layouts: the SIG's GATT Specification Supplement and Health Thermometer Service, read as published-values.md section 7
has them; (M) is from memory. A measurement's time stamp dates it (`device_clock.py`): what the probe kept from before
the connection is not taken for new. A probe that keeps measurements without a time stamp can't be told from one that
measures now; its memory must be switched off.
"""

from dataclasses import replace
from datetime import datetime, timedelta

from recorder.probes.plausible import Plausible
from recorder.probes.source import Charge, Chunk, Fault, Found, Reader, Taken

MEASUREMENT, INTERMEDIATE, TEMPERATURE, BATTERY = "2A1C", "2A1E", "2A6E", "2A19"
"""Temperature Measurement and Intermediate Temperature (M) of a thermometer, Temperature of environmental sensing,
and Battery Level (M)."""

SPECIAL = {
    0x007FFFFF: "no value",
    0x00800000: "not at this resolution",
    0x007FFFFE: "above its range",
    0x00800002: "below its range",
    0x00800001: "reserved value",
}
"""IEEE-11073 FLOATs that are no numbers -> in records."""

UNKNOWN = 0x8000
"""Environmental sensing: the value is not known (M)."""

FAHRENHEIT, STAMPED = 1, 2
"""Flags of a measurement; 4 says that the type of place follows, which nobody here asks for."""

GRAIN_MS = 1_000
"""Time stamps are whole seconds."""

RESTARTED_AFTER = 5
"""So many measurements in a row whose times are before the last one's, but follow each other, mean a probe whose clock
was set again; so many that are all the same, one whose clock stands."""


def float_11073(data: bytes) -> float | str:
    """The IEEE-11073 FLOAT in four bytes, the lowest first: a number, or in words why there is none.

    Only float error is rounded off: 36.4 comes out as 36.4. Raises `ValueError` for any other length.
    """
    if len(data) != 4:
        raise ValueError(f"a FLOAT has 4 bytes, not {len(data)}")
    word = int.from_bytes(data, "little")
    if word in SPECIAL:
        return SPECIAL[word]
    mantissa = int.from_bytes(data[:3], "little", signed=True)
    exponent = int.from_bytes(data[3:], "little", signed=True)
    return float(f"{mantissa}e{exponent}")


_MS = timedelta(milliseconds=1)


class GattReader(Reader):
    """A reader of one probe's characteristics; a chunk's `where` is the characteristic's number, such as "2A1C"."""

    def __init__(self, channel: str) -> None:
        super().__init__()
        self._channel = channel
        self._plausible = Plausible()
        self._last: tuple[datetime, bytes] | None = None
        self._strays: list[datetime] = []
        self._same = 0
        self._run = 0
        """Counts the times that the probe's clock was set, or may have been."""

    def read(self, chunk: Chunk) -> list[Found]:
        """What the value says, if it says anything."""
        match chunk.where:
            case "2A1C" | "2A1E":
                made = self._measurement(chunk.data)
            case "2A6E":
                made = self._temperature(chunk.data)
            case "2A19":
                made = self._charge(chunk.data)
            case _:
                made = "unknown characteristic"
        return self.counted(made)

    def reopened(self) -> None:
        """As `Reader` promises."""
        self._last = None
        self._strays.clear()
        self._run += 1

    def _measurement(self, data: bytes) -> Found | str:
        stamped = bool(data) and bool(data[0] & STAMPED)
        if len(data) < (12 if stamped else 5):
            return "cut short"
        stamp = _time(data[5:12]) if stamped else None
        if stamp and (trouble := self._late(stamp, data)):
            return trouble
        stands = self._same >= RESTARTED_AFTER
        taken = Taken((stamp - datetime.min) // _MS, self._run, GRAIN_MS) if stamp and not stands else None
        value = float_11073(data[1:5])
        if isinstance(value, str):
            return Fault(self._channel, value, taken)
        found = self._plausible.judge(self._channel, value, "F" if data[0] & FAHRENHEIT else "C")
        return replace(found, taken=taken)

    def _temperature(self, data: bytes) -> Found | str:
        if len(data) != 2:
            return "cut short" if len(data) < 2 else "too long"
        if int.from_bytes(data, "little") == UNKNOWN:
            return Fault(self._channel, SPECIAL[0x007FFFFF])
        return self._plausible.judge(self._channel, int.from_bytes(data, "little", signed=True) / 100, "C")

    def _charge(self, data: bytes) -> Found | str:
        return Charge(self._channel, data[0]) if len(data) == 1 and data[0] <= 100 else "no percentage"

    def _late(self, stamp: datetime, data: bytes) -> str | None:
        """Why a measurement of this time is none: it has come before, or a later one has."""
        if self._last and data == self._last[1]:
            self._same += 1
            return "twice" if self._same < RESTARTED_AFTER else None
        self._same = 0
        if self._last and stamp < self._last[0]:
            self._strays = [*self._strays, stamp] if self._strays and stamp >= self._strays[-1] else [stamp]
            if len(self._strays) < RESTARTED_AFTER:
                return "out of order"
            self._run += 1
        self._strays = []
        self._last = stamp, data
        return None


def _time(data: bytes) -> datetime | None:
    """The time of seven bytes; None where it is not known or is none."""
    try:
        return datetime(int.from_bytes(data[:2], "little"), *data[2:7])
    except ValueError:
        return None
