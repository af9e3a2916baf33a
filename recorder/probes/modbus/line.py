"""A Modbus line, RTU or TCP, with devices on it: requests and answers. The door to pymodbus.

It only ever reads, and knows no register's meaning. pymodbus logs each of its exceptions as well; its log is silenced,
for what matters is raised.
"""

import logging
import select
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.modbus.registers import KINDS

LONGEST = 2 * 260
"""Bytes; what is longer than two of the longest frames (Modbus/TCP) and still no answer never becomes one."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came after a request."""

    data: bytes
    """The registers' bytes in network order; one byte: the code of an exception; none: nothing came."""
    trouble: str = ""
    """Where what came is no answer to the request: what is wrong with it; `data` then is all that came."""


class Line:
    """An open line, serial or TCP, with devices on it. It can read registers and nothing else."""

    def __init__(self, port: str, baud: int, parity: str, stop_bits: int, timeout_s: float) -> None:
        """Raises `DriverLost`, and `DriverUnavailable` where pymodbus is missing."""
        try:
            from pymodbus import FramerType
            from pymodbus.client import ModbusTcpClient
        except ImportError as error:
            raise DriverUnavailable("pymodbus is missing; in the clone: pip install -e '.[modbus]'") from error
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        host, number, rtu = endpoint(port)
        self._rtu = rtu or not host
        """Whether frames are those of a serial line: without a transaction's number, with a checksum."""
        self._came = b""
        common: dict[str, Any] = {"timeout": timeout_s, "retries": 0, "trace_packet": self._traced}
        self._serial = not host
        if host:
            framer = FramerType.RTU if rtu else FramerType.SOCKET
            self._client: Any = ModbusTcpClient(host, port=number, framer=framer, **common)
        else:
            self._client = _serial_client()(port, baudrate=baud, parity=parity, stopbits=stop_bits, **common)
        if not self._client.connect():
            if host:
                raise DriverLost("unreachable", f"nobody takes a connection at {host} port {number}")
            if not Path(port).exists():
                raise DriverLost("unplugged", f"there is no {port}")
            raise DriverLost("port refused", f"{port} is no serial port, or not for us, or another program has it")
        if host:
            self._client.socket.setblocking(False)

    def __enter__(self) -> "Line":
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()

    def read(self, device: int, kind: str, address: int, count: int) -> Answer:
        """Ask `device` for `count` registers of `kind` from `address` on. Raises `DriverLost`."""
        from pymodbus.exceptions import ConnectionException, ModbusException

        ask = self._client.read_input_registers if kind == "input" else self._client.read_holding_registers
        self._came = b""
        try:
            answer = ask(address, count=count, device_id=device)
        except (ConnectionException, OSError) as error:
            raise DriverLost("unplugged", str(error)) from error
        except (ModbusException, _TooLong, IndexError, ValueError):
            return Answer(self._came, self._trouble(device, KINDS[kind]) if self._came else "")
        if answer.function_code & 0x7F != KINDS[kind]:
            return Answer(self._came, "of another request")
        if answer.isError():
            return Answer(bytes([answer.exception_code]))
        if len(answer.registers) != count:
            return Answer(self._came, "of another length")
        return Answer(b"".join(word.to_bytes(2) for word in answer.registers))

    def unasked(self) -> bytes:
        """What has come without a request, at most 4096 bytes; raises `DriverLost` where the line is gone."""
        port = self._client.socket
        try:
            if self._serial:
                return bytes(port.read(min(port.in_waiting, 4096)))
            data: bytes = port.recv(4096)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise DriverLost("unplugged", str(error)) from error
        if not data:
            raise DriverLost("unplugged", "the other end has closed the connection")
        return data

    def _traced(self, sending: bool, data: bytes) -> bytes:
        """pymodbus shows all that has come since the request each time that more comes."""
        if not sending:
            self._came = data
            if len(data) > LONGEST:
                raise _TooLong
        return data

    def _trouble(self, device: int, function: int) -> str:
        """Why these bytes are no answer of `device` to this request."""
        data = self._came
        if len(data) > LONGEST:
            return "too long"
        if not self._rtu:
            if data[2:4] != b"\0\0"[: len(data[2:4])]:
                return "not of the protocol"
            whole = len(data) >= 8 and len(data) >= 6 + int.from_bytes(data[4:6])
            return "of another request" if whole else "cut short"
        if len(data) >= 5 and self._client.framer.check_CRC(data[:-2], int.from_bytes(data[-2:])):
            return "of another request"
        if data[0] != device or (len(data) > 1 and data[1] & 0x7F != function):
            return "not of the protocol"
        size = 5 + (data[2] if data[1] == function else 0) if len(data) > 2 else 5
        return "wrong checksum" if len(data) >= size else "cut short"


def _serial_client() -> Any:
    """pymodbus' client, which asks a serial port again and again whether something has come; this one waits for it."""
    from pymodbus.client import ModbusSerialClient
    from pymodbus.exceptions import ConnectionException

    class WaitingClient(ModbusSerialClient):
        def recv(self, size: int | None) -> bytes:
            port: Any = self.socket
            try:
                if select.select([port], [], [], self.comm_params.timeout_connect)[0]:
                    return bytes(port.read(port.in_waiting))
            except OSError as error:
                raise ConnectionException(str(error)) from error
            return b""

    return WaitingClient


class _TooLong(Exception):
    """More has come than an answer can have."""


def endpoint(port: str) -> tuple[str, int, bool]:
    """Host and port of "tcp://host:port" or "rtu+tcp://host:port", and whether it is the latter, RTU frames over TCP.

    ("", 0, False) for a device path. Raises `ValueError` for anything else.
    """
    if port.startswith("/"):
        return "", 0, False
    parts = urlsplit(port)
    if parts.scheme not in ("tcp", "rtu+tcp") or not parts.hostname or parts.path.strip("/"):
        raise ValueError(
            f'port is {port!r}; write a device such as "/dev/ttyUSB0", "tcp://host:502" for Modbus TCP, or '
            '"rtu+tcp://host:4001" for RTU through a serial server'
        )
    try:
        number = parts.port
    except ValueError as error:
        raise ValueError(f"port is {port!r}: {error}") from error
    if number is None and parts.scheme != "tcp":
        raise ValueError(
            f'port is {port!r}; a serial server has no usual port, so write it, as in "rtu+tcp://host:4001"'
        )
    return parts.hostname, number or 502, parts.scheme != "tcp"
