"""Temperatures on a Modbus line, RTU or TCP: the settings, and the line as a source of registers. The door to pymodbus.

It only ever reads. pymodbus logs each of its exceptions as well; its log is silenced, for what matters is raised.
"""

import logging
import select
import threading
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from recorder.clock import Clock
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.probe import named
from recorder.probes.registers import KINDS, Block, Register, RegisterReader, blocks
from recorder.probes.source import READ_S, Chunk
from recorder.probes.thinning import PERIOD_MS

FIRST_LOOK_S = 0.0005
"""The clock is looked at so soon after a poll, then after twice as long each time, up to `READ_S`.

So polls keep up with a clock that is moved by hand, and cost nothing while time passes by itself.
"""

QUIET_S = 0.005
"""Nobody is asked before the line has been quiet for so long; what somebody else says would look like the answer."""

LONGEST = 2 * 260
"""Bytes; what is longer than two of the longest frames (Modbus/TCP) and still no answer never becomes one."""


@dataclass(frozen=True, slots=True)
class ModbusSettings:
    """One line and the registers on it."""

    driver: str
    """Its name in `recorder/driver.py`'s table: "modbus"."""
    port: str
    """A device path, best by /dev/serial/by-id, for RTU; or "tcp://host" or "tcp://host:port" for TCP (port 502)."""
    register: tuple[Register, ...] = ()
    """One for each channel, at least one; a [[probe.register]] table each."""
    baud: int = 9_600
    """Of a serial line, as the next two; a TCP connection has none of them."""
    parity: str = "N"
    """ "N" for none, "E" for even, "O" for odd."""
    stop_bits: int = 1
    poll_s: float = 0.5
    """All registers are asked for this often."""
    timeout_s: float = 0.3
    """A device that has not answered after this long does not."""
    silence_s: float = 10.0
    """A channel that says nothing for this long is lost."""
    period_s: float = PERIOD_MS / 1000
    """A channel that stays level is recorded this often."""

    def __post_init__(self) -> None:
        if not self.register or not all(isinstance(each, Register) for each in self.register):
            raise ValueError("there is no register; write a [[probe.register]] for each channel")
        names = self.names()
        if twice := [name for name in names if names.count(name) > 1]:
            raise ValueError(f"channel {twice[0]!r} has more than one register")
        blocks(self.register)
        if self.parity not in ("N", "E", "O"):
            raise ValueError(f'parity is {self.parity!r}; write "N", "E" or "O"')
        if self.stop_bits not in (1, 2):
            raise ValueError(f"stop_bits is {self.stop_bits}; write 1 or 2")
        if min(self.baud, self.poll_s, self.timeout_s, self.period_s) <= 0:
            raise ValueError("baud, poll_s, timeout_s and period_s must be more than 0")
        if self.silence_s <= self.poll_s + self.timeout_s:
            raise ValueError("silence_s must be longer than poll_s and timeout_s together")
        endpoint(self.port)

    def title(self) -> str:
        """For logs."""
        return f"modbus {self.port}"

    def url(self) -> str:
        """As a probe's URL; it has room for one register, and has the first."""
        keys = {
            **_changed(self, "port", "register"),
            **{f"register.{k}": v for k, v in _changed(self.register[0]).items()},
        }
        return f"modbus:{self.port}?" + "&".join(f"{key}={value}" for key, value in keys.items())

    def names(self) -> tuple[str, ...]:
        """The channels, as events name them."""
        return tuple(named(register.channel) for register in self.register)

    def reader(self) -> RegisterReader:
        """A fresh reader of these registers."""
        return RegisterReader(replace(each, channel=named(each.channel)) for each in self.register)

    def source(self, clock: Clock) -> "ModbusLine":
        """The line, not yet opened."""
        return ModbusLine(self, clock)


class ModbusLine:
    """A source: what the registers of one line have, polled by the station's clock."""

    def __init__(self, settings: ModbusSettings, clock: Clock) -> None:
        self._settings, self._clock = settings, clock
        self._blocks = blocks(settings.register)

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """As `Source` promises; lost for "unplugged", "port refused" or "unreachable"."""
        set_up = self._settings
        poll_ms = max(round(set_up.poll_s * 1000), 1)
        with Line(set_up.port, set_up.baud, set_up.parity, set_up.stop_bits, set_up.timeout_s) as line:
            yield None
            due_ms, look_s = self._clock.now_ms(), FIRST_LOOK_S
            while not stop.is_set():
                if unasked := line.unasked():
                    yield Chunk(unasked, "unasked")
                    stop.wait(QUIET_S)
                    continue
                left_ms = due_ms - self._clock.now_ms()
                if left_ms > 0:
                    stop.wait(min(look_s, left_ms / 1000))
                    look_s = min(2 * look_s, READ_S)
                    yield None
                    continue
                due_ms += poll_ms * (-left_ms // poll_ms + 1)
                look_s = FIRST_LOOK_S
                yield from self._polled(line, stop)

    def _polled(self, line: "Line", stop: threading.Event) -> Iterator[Chunk]:
        """One round. A device that does not answer is left for this round.

        RTU answers do not say what they answer: its late one would look like that to the next request.
        """
        silent: set[int] = set()
        for block in self._blocks:
            if stop.is_set():
                return
            if block.device in silent:
                yield from _same(block, b"")
                continue
            answer = line.read(block.device, block.kind, block.address, block.count)
            if answer.trouble:
                silent.add(block.device)
                yield Chunk(answer.data, answer.trouble)
            elif len(answer.data) <= 1:
                if not answer.data:
                    silent.add(block.device)
                yield from _same(block, answer.data)
            else:
                for register in block.registers:
                    yield Chunk(block.part(register, answer.data), register.where)


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
            from pymodbus.client import ModbusTcpClient
        except ImportError as error:
            raise DriverUnavailable("pymodbus is missing; in the clone: pip install -e '.[modbus]'") from error
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        host, number = endpoint(port)
        self._came = b""
        common: dict[str, Any] = {"timeout": timeout_s, "retries": 0, "trace_packet": self._traced}
        self._serial = not host
        if host:
            self._client: Any = ModbusTcpClient(host, port=number, **common)
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
        if not self._serial:
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


def endpoint(port: str) -> tuple[str, int]:
    """Host and port of "tcp://host:port"; ("", 0) for a device path. Raises `ValueError` for anything else."""
    if port.startswith("/"):
        return "", 0
    parts = urlsplit(port)
    if parts.scheme != "tcp" or not parts.hostname or parts.path.strip("/"):
        raise ValueError(f'port is {port!r}; write a device such as "/dev/ttyUSB0", or "tcp://host:502"')
    try:
        return parts.hostname, parts.port or 502
    except ValueError as error:
        raise ValueError(f"port is {port!r}: {error}") from error


def _same(block: Block, data: bytes) -> Iterator[Chunk]:
    """The same for each register of the block."""
    return (Chunk(data, register.where) for register in block.registers)


def _changed(settings: Any, *but: str) -> dict[str, Any]:
    """The fields that are not as they are by default, other than the driver's name and `but`."""
    named = {
        field.name: getattr(settings, field.name) for field in fields(settings) if field.name not in ("driver", *but)
    }
    defaults = {field.name: field.default for field in fields(settings)}
    return {name: list(v) if isinstance(v, tuple) else v for name, v in named.items() if v != defaults[name]}
