"""Driver: thermocouple probes on a serial port. The only door to pyserial.

It reports what arrives: readings, faults, silence, the port's going and coming. It decides nothing. pyserial's
SerialException is an OSError, and some calls on a port that went give the plain one.
"""

import errno
import termios
import threading
from dataclasses import dataclass
from typing import Any

from recorder.clock import Clock
from recorder.core.events import CABINET, NEEDLE, ProbeBack, ProbeLost, vat_channel
from recorder.driver import DriverLost, DriverUnavailable, Put
from recorder.probes.frames import Fault, FramedLines, Lines, PlainLines, Sample
from recorder.probes.thinning import PERIOD_MS, Thinning

READ_S = 0.05
"""How long one read waits for the first byte."""

_ABSENT = (errno.ENOENT, errno.ENODEV, errno.ENXIO)
"""There is no such port; any other failure to open means that it is there, but not for us, or is no serial port."""


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """One port and what is on it."""

    driver: str
    """Its name in `recorder/driver.py`'s table: "serial"."""
    port: str
    """A device path, best by /dev/serial/by-id, or any URL that pyserial takes."""
    channels: tuple[str, ...] = (NEEDLE,)
    """What is wired: "needle", "cabinet", "vat" (the same as "vat1"), "vat2" to "vat9"; lines of others are not used.

    A plain board has exactly one. Empty: whatever a framed board speaks of.
    """
    form: str = "framed"
    """ "framed" for the line protocol, "plain" for one number a line."""
    unit: str = "C"
    """Of plain numbers without a letter."""
    baud: int = 115_200
    silence_s: float = 10.0
    """A channel that says nothing for this long is lost."""
    period_s: float = PERIOD_MS / 1000
    """A channel that stays level is recorded this often."""

    def __post_init__(self) -> None:
        known = (NEEDLE, CABINET, "vat", *map(vat_channel, range(1, 10)))
        if wrong := [name for name in self.channels if name not in known]:
            raise ValueError(f"channel {wrong[0]!r} is none of {', '.join(known)}")
        if self.form not in ("framed", "plain"):
            raise ValueError(f'form is {self.form!r}; write "framed" or "plain"')
        if self.form == "plain" and len(self.channels) != 1:
            raise ValueError('a plain board has exactly one channel; name it, such as channels = ["needle"]')
        if self.unit not in ("C", "F"):
            raise ValueError(f'unit is {self.unit!r}; write "C" or "F"')
        if self.baud <= 0 or self.silence_s <= 0 or self.period_s <= 0:
            raise ValueError("baud, silence_s and period_s must be more than 0")

    def names(self) -> tuple[str, ...]:
        """The channels, as events name them."""
        return tuple("vat1" if name == "vat" else name for name in self.channels)

    def reader(self) -> Lines:
        """A fresh reader of this port's lines."""
        return PlainLines(self.names()[0], self.unit) if self.form == "plain" else FramedLines()


class SerialProbe:
    """Reads one port until it is stopped; keeps what its channels are like from one run to the next."""

    def __init__(self, settings: SerialSettings, clock: Clock) -> None:
        self.name = f"serial {settings.port}"
        self.lines = settings.reader()
        """Counts good and bad lines over all runs; other threads may look at the counts."""
        self.bytes_read = 0
        self.ended = 0
        """Lines that have ended and whose events are put, over all runs."""
        self.listening = threading.Event()
        """Set while the port is open."""
        self._settings = settings
        self._clock = clock
        self._thinning: dict[str, Thinning] = {}
        self._heard_ms: dict[str, int] = {}
        self._lost: set[str] = set()
        for channel in settings.names():
            self._meet(channel)

    def run(self, put: Put, stop: threading.Event) -> None:
        """Emit `Reading`, `ProbeLost` and `ProbeBack` until `stop`; raises `DriverLost` when the port goes."""
        try:
            with self._open() as port:
                self._begin()
                while not stop.is_set():
                    data = port.read(1)
                    if data:
                        data += port.read(port.in_waiting)
                    self._take(data, put)
        except (OSError, termios.error) as error:
            gone = self.listening.is_set() or getattr(error, "errno", None) in _ABSENT
            reason = "unplugged" if gone else "port refused"
            self.listening.clear()
            for channel in self._thinning:
                self._lose(channel, reason, self._clock.now_ms(), put)
            raise DriverLost(f"{reason}: {error}") from error
        finally:
            self.listening.clear()

    def _open(self) -> Any:
        try:
            import serial
        except ImportError as error:
            raise DriverUnavailable("pyserial is missing; pip install pyserial") from error
        try:
            return serial.serial_for_url(self._settings.port, self._settings.baud, timeout=READ_S, exclusive=True)
        except ValueError as error:
            raise DriverUnavailable(
                f"{self._settings.port} is no port, or {self._settings.baud} no baud: {error}"
            ) from error

    def _begin(self) -> None:
        """The port is open: nothing is known of what was before."""
        self.lines.reopened()
        for channel, thinning in self._thinning.items():
            thinning.interrupted()
            self._heard_ms[channel] = self._clock.now_ms()
        self.listening.set()

    def _take(self, data: bytes, put: Put) -> None:
        at_ms = self._clock.now_ms()
        before = self.lines.lines
        for found in self.lines.feed(data):
            if found.channel not in self._thinning:
                if self._settings.channels:
                    continue
                self._meet(found.channel)
            self._heard_ms[found.channel] = at_ms
            match found:
                case Fault(channel=channel, reason=reason):
                    self._lose(channel, reason, at_ms, put)
                case Sample(channel=channel, temp_c=temp_c):
                    if channel in self._lost:
                        self._lost.remove(channel)
                        put(ProbeBack(at_ms, channel))
                    if reading := self._thinning[channel].feed(at_ms, temp_c):
                        put(reading)
        for channel, heard_ms in self._heard_ms.items():
            if at_ms - heard_ms >= self._settings.silence_s * 1000:
                self._lose(channel, "silent", at_ms, put)
        self.bytes_read += len(data)
        self.ended += self.lines.lines - before

    def _meet(self, channel: str) -> None:
        self._thinning[channel] = Thinning(channel, round(self._settings.period_s * 1000))

    def _lose(self, channel: str, reason: str, at_ms: int, put: Put) -> None:
        """The channel is lost for the first reason that is known, and told once until it is back."""
        if channel not in self._lost:
            self._lost.add(channel)
            self._thinning[channel].interrupted()
            put(ProbeLost(at_ms, channel, reason))
