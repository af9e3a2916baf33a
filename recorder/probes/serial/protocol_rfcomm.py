"""The serial port of a classic Bluetooth probe as one more URL: rfcomm://ADDRESS/CHANNEL. No radio library.

pyserial finds this module by its name (`serial.protocol_handler_packages`) and takes its `Serial` for a port; what is
here is what `recorder/probes/serial/port.py` asks of one. The kernel does the rest: the probe must be paired once.
"""

import errno
import re
import select
import socket
from types import TracebackType

from recorder.driver import DriverUnavailable

CONNECT_S = 10.0
"""Longest for the connection; the kernel itself gives up on a probe that does not answer after some 5 s (M)."""

FORM = re.compile(r"rfcomm://((?:[0-9A-F]{2}:){5}[0-9A-F]{2})/([1-9]|[12][0-9]|30)", re.IGNORECASE)
"""An address, and one of the 30 channels that RFCOMM has."""

AWAY = (errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ETIMEDOUT)
"""No probe of this address answers; any other failure means that there is one, but not for us."""

ONCE = 4096
"""Bytes that are taken at a time."""


class Serial:
    """A port, open while within `with`."""

    def __init__(self, port: None, baud: int, timeout: float, exclusive: bool) -> None:
        """As pyserial calls it. There is no baud over the air, and RFCOMM lets nobody share a channel."""
        self.port = ""
        self._timeout_s = timeout
        self._came = b""
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """Raises `DriverUnavailable` for a malformed URL or a Python without Bluetooth, `OSError` if it fails."""
        parts = FORM.fullmatch(self.port)
        if parts is None:
            raise DriverUnavailable(f"{self.port} is no port; write it like rfcomm://00:11:22:33:44:55/1")
        try:
            self._socket = connected(parts[1], int(parts[2]))
        except OSError as error:
            code = errno.ENODEV if error.errno in AWAY or isinstance(error, TimeoutError) else error.errno
            raise OSError(code, f"{self.port}: {error}") from error

    def read(self, size: int) -> bytes:
        """Up to `size` bytes; those that are there, or b"" when none has come in time. `OSError` once it hung up."""
        if self._socket is None:
            raise OSError(errno.EBADF, f"{self.port} is closed")
        if not self._came and size and select.select([self._socket], [], [], self._timeout_s)[0]:
            self._came = self._socket.recv(ONCE)
            if not self._came:
                raise OSError(errno.ENODEV, f"{self.port} hung up")
        data, self._came = self._came[:size], self._came[size:]
        return data

    @property
    def in_waiting(self) -> int:
        """Bytes that have been taken and not been read."""
        return len(self._came)

    def close(self) -> None:
        """Hang up; does nothing once it is."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def __enter__(self) -> "Serial":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def connected(address: str, channel: int) -> socket.socket:
    """A socket with the probe at its far end; raises `DriverUnavailable` where Python was built without Bluetooth."""
    try:
        made = socket.socket(socket.AF_BLUETOOTH, socket.SOCK_STREAM, socket.BTPROTO_RFCOMM)
    except AttributeError as error:
        raise DriverUnavailable(
            "this Python was built without Bluetooth sockets; make the environment with the system's own python3"
        ) from error
    try:
        made.settimeout(CONNECT_S)
        made.connect((address, channel))
    except BaseException:
        made.close()
        raise
    return made
