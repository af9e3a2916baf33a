"""Temperatures on a Modbus line, RTU or TCP: the settings, and the line as a source of registers."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

from recorder.clock import Clock
from recorder.misfits import Wrong, refuse
from recorder.probes.kinds import Detection, Search
from recorder.probes.modbus.line import Line, endpoint
from recorder.probes.modbus.registers import Block, Register, RegisterReader, blocks
from recorder.probes.probe import CHANNELS, FASTEST_BAUD, LONGEST_S, named, outside, strange
from recorder.probes.source import READ_S, Chunk
from recorder.probes.thinning import PERIOD_MS

FIRST_LOOK_S = 0.0005
"""The clock is looked at so soon after a poll, then after twice as long each time, up to `READ_S`.

So polls keep up with a clock that is moved by hand, and cost nothing while time passes by itself.
"""

TIMEOUT_S = 0.3
"""A device on a line of its own answers within this."""

TIMES = ("poll_s", "timeout_s", "silence_s", "period_s")

QUIET_S = 0.005
"""Nobody is asked before the line has been quiet for so long; what somebody else says would look like the answer."""


@dataclass(frozen=True, slots=True)
class ModbusSettings:
    """One line and the registers on it."""

    driver: str
    """Its name in `kinds.PROBES`: "modbus"."""
    port: str
    """A device path, best by /dev/serial/by-id, for RTU; "tcp://host" or "tcp://host:port" for TCP (port 502).

    "rtu+tcp://host:port" for RTU frames over TCP, as serial servers and simple gateways pass them on.
    """
    register: tuple[Register, ...] = ()
    """One for each channel, at least one; a [[probe.register]] table each."""
    baud: int = 9_600
    """Of a serial line, as the next two; a TCP connection has none of them."""
    parity: str = "N"
    """ "N" for none, "E" for even, "O" for odd."""
    stop_bits: int = 1
    poll_s: float = 0.5
    """All registers are asked for this often."""
    timeout_s: float = TIMEOUT_S
    """A device that has not answered after this long does not. Gateways and radio bridges may need a second or more."""
    silence_s: float = 10.0
    """A channel that says nothing for this long is lost."""
    period_s: float = PERIOD_MS / 1000
    """A channel that stays level is recorded this often."""

    def __post_init__(self) -> None:
        refuse(self._wrong())

    def _wrong(self) -> Iterator[Wrong]:
        if not self.register or not all(isinstance(each, Register) for each in self.register):
            yield "register", "is missing; write a [[probe.register]] for each channel"
        else:
            yield from self._registers()
        if self.parity not in ("N", "E", "O"):
            yield "parity", f'is {self.parity!r}; write "N", "E" or "O"'
        if self.stop_bits not in (1, 2):
            yield "stop_bits", f"is {self.stop_bits}; write 1 or 2"
        yield from outside(self, baud=FASTEST_BAUD, **dict.fromkeys(TIMES, LONGEST_S))
        if self.silence_s <= self.poll_s + self.timeout_s:
            yield "silence_s", f"is {self.silence_s:g}; write more than poll_s and timeout_s together"
        try:
            endpoint(self.port)
        except ValueError as error:
            yield "port", str(error).removeprefix("port ")

    def _registers(self) -> Iterator[Wrong]:
        """What is wrong with the registers together."""
        for number, register in enumerate(self.register):
            yield from strange(f"register.{number}.channel", [register.channel])
        names = [named(each.channel) for each in self.register if each.channel in CHANNELS]
        if twice := [name for name in names if names.count(name) > 1]:
            yield "register", f"has two for the channel {twice[0]!r}; remove one of them, or correct its channel"
        try:
            blocks(self.register)
        except ValueError as error:
            yield "register", f": {error}; correct one address"

    @classmethod
    def detect(cls, search: Search) -> Detection | None:
        """The devices that answer on `search.bus`, all in one offer. They are only read."""
        from recorder.probes.modbus.scan import offers

        return Detection(f"Modbus at {search.bus}", lambda: offers(search)) if search.bus else None

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

    def faster(self) -> str:
        """What to do where it measures too seldom."""
        return "Write poll_s = 0.5, and set the transmitter to measure as often."

    def source(self, clock: Clock) -> "Polling":
        """The line, not yet opened."""
        return Polling(self, clock)


class Polling:
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
