"""Probes on a serial port: the settings, and the port as a source of bytes. The only door to pyserial.

pyserial's SerialException is an OSError, and some calls on a port that went give the plain one.
"""

import errno
import termios
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from recorder.clock import Clock
from recorder.core.events import NEEDLE
from recorder.driver import DriverLost, DriverUnavailable
from recorder.misfits import Wrong, refuse
from recorder.probes.kinds import Detection, Offer, Search
from recorder.probes.probe import FASTEST_BAUD, LONGEST_S, named, outside, strange
from recorder.probes.serial.frames import FramedLines, Lines, PlainLines
from recorder.probes.source import READ_S, Chunk
from recorder.probes.thinning import PERIOD_MS

_ABSENT = (errno.ENOENT, errno.ENODEV, errno.ENXIO)
"""There is no such port; any other failure to open means that it is there, but not for us, or is no serial port."""

MUTE_S = 60.0
"""A port that gives nothing for so long is opened again, or later where `silence_s` is long."""


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """One port and what is on it."""

    driver: str
    """Its name in `kinds.PROBES`: "serial"."""
    port: str
    """A device path, best by /dev/serial/by-id, or any URL that pyserial takes, and rfcomm://ADDRESS/CHANNEL."""
    channels: tuple[str, ...] = (NEEDLE,)
    """What is wired: "needle", "cabinet", "cabinet1" to "cabinet9", "vat" (that is "vat1"), "vat2" to "vat9". Lines of
    others are not used.

    A plain board has one. Empty: whatever a framed board speaks of; the needle of a plain one.
    """
    form: str = "framed"
    """ "framed" for the line protocol, "plain" for one number a line."""
    unit: str = ""
    """Of plain lines, which have to name it: "C" or "F" as the board prints, or "letter" where each line has its own.

    Lines of the protocol have their own.
    """
    baud: int = 115_200
    silence_s: float = 10.0
    """A channel that says nothing for this long is lost."""
    period_s: float = PERIOD_MS / 1000
    """A channel that stays level is recorded this often."""

    def __post_init__(self) -> None:
        refuse(self._wrong())

    def _wrong(self) -> Iterator[Wrong]:
        yield from strange("channels", self.channels)
        if self.form not in ("framed", "plain"):
            yield "form", f'is {self.form!r}; write "framed" or "plain"'
        if self.form == "plain" and len(self.channels) > 1:
            yield "channels", 'has several, and a plain board has one; write only that, such as channels = ["needle"]'
        if self.form == "plain" and not self.unit:
            yield (
                "unit",
                'is missing, and a plain number does not say it; write unit = "F" or "C" (in a URL: &unit=F),'
                ' or "letter" where each line ends in C or F',
            )
        if self.unit not in ("", "C", "F", "letter"):
            yield "unit", f'is {self.unit!r}; write "C" or "F", or "letter" where each line has its own'
        yield from outside(self, baud=FASTEST_BAUD, silence_s=LONGEST_S, period_s=LONGEST_S)

    @classmethod
    def detect(cls, search: Search) -> Detection:
        """The ports that are plugged in. Nothing says what is at their other end."""
        return Detection(
            "Serial ports",
            lambda: [
                Offer(cls("serial", port), (f"What it says: batch-recorder probe {port}",)) for port in attached()
            ],
        )

    def title(self) -> str:
        """For logs."""
        return f"serial {self.port}"

    def url(self) -> str:
        """As a probe's URL."""
        if self.form == "plain":
            return f"{self.port}?form=plain&unit={self.unit}&channels={self.names()[0]}"
        return self.port

    def names(self) -> tuple[str, ...]:
        """The channels, as events name them."""
        return tuple(map(named, self.channels)) or ((NEEDLE,) if self.form == "plain" else ())

    def reader(self) -> Lines:
        """A fresh reader of this port's lines."""
        return PlainLines(self.names()[0], self.unit) if self.form == "plain" else FramedLines()

    def faster(self) -> str:
        """What to do where it measures too seldom."""
        return "Have the board send its line 2 to 10 times a second (in our firmware: the period in settings.py)."

    def source(self, clock: Clock) -> "SerialPort":
        """The port, not yet opened."""
        return SerialPort(self.port, self.baud, max(MUTE_S, 2 * self.silence_s))


BY_ID = Path("/dev/serial/by-id")
"""The names of ports that stay the same wherever they are plugged in."""


def attached(by_id: Path = BY_ID) -> list[str]:
    """The serial ports that are plugged in: by their lasting names, or else by the kernel's. Nothing is opened."""
    lasting = sorted(by_id.iterdir()) if by_id.is_dir() else []
    known = {str(path.resolve()) for path in lasting}
    try:
        from serial.tools.list_ports import comports
    except ImportError as error:
        raise DriverUnavailable("pyserial is missing; pip install pyserial") from error
    rest = [port.device for port in comports() if port.device not in known and not port.device.startswith("/dev/ttyS")]
    return [*map(str, lasting), *sorted(rest)]


class SerialPort:
    """A source: the bytes of one port."""

    def __init__(self, port: str, baud: int, mute_s: float) -> None:
        """After `mute_s` without a byte it is opened again: half of a connection may be all that is left of it."""
        self._port, self._baud, self._mute_s = port, baud, mute_s

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """As `Source` promises; lost for "unplugged", "mute" or, where it is there but not for us, "port refused"."""
        opened = False
        try:
            with self._open() as port:
                opened = True
                yield None
                heard_s = time.monotonic()
                while not stop.is_set():
                    data = port.read(1)
                    if data:
                        heard_s = time.monotonic()
                    elif time.monotonic() - heard_s > self._mute_s:
                        raise DriverLost("mute", f"{self._port} has given nothing for {self._mute_s:.0f} s")
                    yield Chunk(data + port.read(port.in_waiting)) if data else None
        except (OSError, termios.error) as error:
            gone = opened or getattr(error, "errno", None) in _ABSENT
            raise DriverLost("unplugged" if gone else "port refused", self._why(error, opened)) from error

    def _why(self, error: Exception, opened: bool) -> str:
        """In words, where pyserial only gives numbers."""
        number = getattr(error, "errno", None)
        if not opened and number in _ABSENT:
            return f"there is no {self._port}; batch-recorder probes lists those that there are"
        if not opened and number in (errno.EAGAIN, errno.EBUSY):
            return f"another program has {self._port} open"
        if not opened and number == errno.EACCES:
            return f"{self._port} may not be opened by this user; add it to the group dialout"
        return str(error)

    def _open(self) -> Any:
        try:
            import serial
        except ImportError as error:
            raise DriverUnavailable("pyserial is missing; pip install pyserial") from error
        if __package__ not in serial.protocol_handler_packages:
            serial.protocol_handler_packages.append(__package__)  # rfcomm://
        try:
            return serial.serial_for_url(self._port, self._baud, timeout=READ_S, exclusive=True)
        except ValueError as error:
            raise DriverUnavailable(f"{self._port} is no port, or {self._baud} no baud: {error}") from error
