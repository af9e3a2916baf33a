"""Simulated Modbus transmitters: pymodbus' own server, on a pty or over TCP; its registers have what a `Kitchen` feels.

The driver at the near end is the real one. For the demo and the tests; the story itself is `Kitchen`'s.
"""

import asyncio
import logging
import math
import socket
import struct
import tempfile
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from recorder.core.limits import in_unit
from recorder.demo.devices.modbus_ends import PtyEnd, TcpEnd
from recorder.demo.devices.serial_board import SLOW_MS, Kitchen, Simulation
from recorder.driver import DriverUnavailable
from recorder.probes.modbus.probe import ModbusSettings
from recorder.probes.modbus.registers import KINDS, Register

REGISTERS = (
    Register("needle", 1, 0, type="int32", scale=0.01, unit="C", faults=(0x7FFF_FFFF,)),
    Register("vat", 1, 2, scale=0.01, unit="C"),
    Register("cabinet", 1, 3, scale=0.01, unit="C"),
)
"""What is wired where no one says otherwise: a transmitter of three inputs."""

HOLD_S = 0.1
"""A request that comes when nothing new is measured waits this long for it: in lock-step the clock, by which the driver
polls, moves just before the story does."""

PATIENCE_S = 5.0


class SimulatedTransmitters(Simulation):
    """Devices on one line. Its port keeps its name, through unplugging and plugging in again."""

    def __init__(
        self, kitchen: Kitchen, registers: tuple[Register, ...] = REGISTERS, tcp: bool = False, rtu: bool = False
    ) -> None:
        """On a pty, or with `tcp` on a port of this machine; with `rtu` too, in RTU frames there."""
        super().__init__(kitchen)
        self.registers = registers
        self.spoil: Callable[[bytes], bytes] = bytes
        """What becomes of each answer on its way: nothing."""
        self.asked: Counter[int] = Counter()
        """Requests that came, by their function code."""
        self._tcp, self._rtu = tcp, rtu or not tcp
        self.slow_s = 0.0
        """Each answer takes this longer, as through a slow gateway."""
        self._folder = tempfile.TemporaryDirectory(prefix="simulated-modbus-")
        self.port = (
            f"{'rtu+' if rtu else ''}tcp://127.0.0.1:{_free_port()}" if tcp else str(Path(self._folder.name) / "port")
        )
        self._sent, self._owed = 0, set[Register]()
        self._fresh = set(registers)
        """Measured, and nobody has asked for it yet."""
        self._read = {"needle": kitchen.needle_c, "vat": kitchen.oil_c, "cabinet": kitchen.cabinet_c}
        self._lock = threading.Lock()
        self._news = asyncio.Event()
        self._line: PtyEnd | TcpEnd | None = None
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="simulated transmitters", daemon=True)
        self._thread.start()
        self.plug_in()

    @property
    def sent(self) -> int:
        """Registers that were sent to somebody, or are new and about to be asked for by who has the port open."""
        with self._lock:
            return self._sent

    def settings(self, **changes: Any) -> ModbusSettings:
        """How to reach it, and `changes` to that."""
        return replace(ModbusSettings("modbus", self.port, self.registers, baud=115_200, timeout_s=2.0), **changes)

    def plug_in(self) -> None:
        """The line is there; does nothing while it is plugged in."""
        if not self._line:
            self._line = self._in_loop(self._listening())

    def unplug(self) -> None:
        """The line is gone; does nothing while it is gone."""
        if self._line:
            line, self._line = self._line, None
            self._in_loop(line.shutdown())
            with self._lock:
                self._sent -= len(self._owed)
                self._owed.clear()

    def measure(self, channel: str, temp_c: float) -> None:
        """This channel measures exactly this, until the story goes on."""
        with self._lock:
            self._read[channel] = temp_c
            self._fresh |= {register for register in self.registers if register.channel == channel}
        self._loop.call_soon_threadsafe(self._news.set)

    def send(self, data: bytes) -> None:
        """Say these bytes to all who have the port open, unasked."""
        self._loop.call_soon_threadsafe(self._say, data)

    def said(self) -> None:
        """Wait until all that `send` was given is on the line."""
        self._in_loop(asyncio.sleep(0))

    def close(self) -> None:
        """Unplug for good."""
        self.unplug()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(PATIENCE_S)
        self._loop.run_until_complete(_ended())
        self._loop.close()
        self._folder.cleanup()

    def _step(self) -> None:
        with self._lock:
            self._measure()
        self._loop.call_soon_threadsafe(self._news.set)

    def _measure(self) -> None:
        """New values of all channels, in the order and with the noise of the simulated board."""
        self._read["needle"] = self._noisy(self.kitchen.needle_c)
        if self._age_ms % SLOW_MS == 0:
            self._read["vat"] = self._noisy(self.kitchen.oil_c)
            self._read["cabinet"] = self._noisy(self.kitchen.cabinet_c)
        self._fresh = set(self.registers)
        heard = {register for register in self.registers if self._heard(register.device)}
        if self._line and self._line.heard():
            self._sent += len(heard - self._owed)
            self._owed |= heard

    def _noisy(self, temp_c: float) -> float:
        return round(temp_c + self.kitchen.noise(), 2)

    def _heard(self, device: int) -> bool:
        """Whether this device is there and answers."""
        channels = {register.channel for register in self.registers if register.device == device}
        return bool(channels) and not channels & self.quiet

    async def _listening(self) -> PtyEnd | TcpEnd:
        try:
            from pymodbus import FramerType
            from pymodbus.server import ModbusSerialServer, ModbusTcpServer
            from pymodbus.simulator import DataType, SimData, SimDevice
        except ImportError as error:
            raise DriverUnavailable("pymodbus is missing; in the clone: pip install -e '.[modbus]'") from error

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        bits, words = [SimData(0, datatype=DataType.BITS)], [SimData(0, count=0x10000, datatype=DataType.REGISTERS)]
        devices = []
        for number in sorted({register.device for register in self.registers}):
            memory = (bits, bits, words, words)
            devices.append(SimDevice(number, memory, action=self._answering(number)))
        traced: dict[str, Any] = {"trace_packet": self._traced}
        if not self._tcp:
            return PtyEnd(ModbusSerialServer(devices, framer=FramerType.RTU, port=self.port, **traced), Path(self.port))
        port = int(self.port.rpartition(":")[2])
        framer = FramerType.RTU if self._rtu else FramerType.SOCKET
        server = ModbusTcpServer(devices, framer=framer, address=("127.0.0.1", port), **traced)
        await server.serve_forever(background=True)
        return TcpEnd(server)

    def _answering(self, device: int) -> Any:
        async def answer(function: int, start: int, address: int, count: int, memory: list[int], _: Any) -> Any:
            """Put what is measured into the device's memory, just before it is read."""
            asked = {
                each
                for each in self.registers
                if each.device == device and KINDS[each.kind] == function and address <= each.address < address + count
            }
            if self.slow_s:
                await asyncio.sleep(self.slow_s)
            self._news.clear()
            if not asked & self._fresh:
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._news.wait(), HOLD_S)
            with self._lock:
                self._fresh -= asked
                if self._heard(device):
                    self._sent += len(asked - self._owed)
                    self._owed -= asked
                for register in asked:
                    words = self._words(register)
                    if not words:
                        return 4
                    memory[register.address - start : register.address - start + len(words)] = words
            return None

        return answer

    def _words(self, register: Register) -> list[int]:
        """What the register has now; none where the needle has a fault and the register can't tell."""
        value = (in_unit(self._read[register.channel], register.unit) - register.offset) / register.scale
        raw: float = value if register.type == "float32" else round(value)
        if register.channel == "needle" and self.kitchen.fault:
            if register.faults:
                raw = register.faults[0]
            elif register.type == "float32":
                raw = math.nan
            else:
                return []
        if register.type == "float32":
            data = struct.pack(">f", raw)
        else:
            bits = 16 * register.words
            data = (int(raw) % (1 << bits)).to_bytes(bits // 8)
        words = [int.from_bytes(data[at : at + 2]) for at in range(0, len(data), 2)]
        if register.byte_order == "little":
            words = [word >> 8 | (word & 0xFF) << 8 for word in words]
        return words if register.word_order == "big" else words[::-1]

    def _traced(self, sending: bool, data: bytes) -> bytes:
        """pymodbus shows what goes over the wire: a device that is quiet, or is none, says nothing."""
        unit, function = (0, 1) if self._rtu else (6, 7)
        if not sending:
            self.asked[data[function] if len(data) > function else -1] += 1
            return data
        return self.spoil(data) if self._heard(data[unit]) else b""

    def _say(self, data: bytes) -> None:
        if self._line:
            self._line.write(data)

    def _in_loop(self, work: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(PATIENCE_S)


async def _ended() -> None:
    """Whatever still waits for something learns that it will not come."""
    rest = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in rest:
        task.cancel()
    await asyncio.gather(*rest, return_exceptions=True)
    await asyncio.sleep(0)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
