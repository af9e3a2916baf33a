"""The reference firmware on MicroPython's PC port, and somebody who reads its port as the recorder does."""

import os
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from recorder.demo.devices.chips import Max31856
from recorder.demo.devices.micropython_board import NOTES, MicropythonBoard, interpreter
from recorder.demo.devices.serial_board import Kitchen
from recorder.driver import DriverUnavailable
from recorder.probes.serial.frames import FramedLines
from recorder.probes.source import Charge, Chunk, Fault, Found, Sample
from tests.listener import Listener

try:
    interpreter()
    ABSENT = ""
except DriverUnavailable as unavailable:
    ABSENT = str(unavailable)

on_micropython = pytest.mark.skipif(bool(ABSENT), reason=ABSENT)


class StillKitchen(Kitchen):
    """A kitchen whose amplifiers add nothing, so that what comes can be compared with what is."""

    def noise(self) -> float:
        return 0.0


class Desk:
    """A board, and somebody who reads its port as the recorder does."""

    def __init__(self, settings: Path | None = None) -> None:
        self.board = MicropythonBoard(StillKitchen(), settings)
        self.reader = FramedLines()
        self.raw: list[str] = []
        self._port = Listener(self.board)

    def play(self, seconds: float) -> list[Found]:
        """Let the board speak for so long; what its lines say."""
        found: list[Found] = []
        for _ in range(round(seconds * 4)):
            self.board.advance(250)
            said = self._port.heard()
            self.raw += said.decode().splitlines()
            found += self.reader.read(Chunk(said))
        return [each if isinstance(each, Charge) else replace(each, taken=None) for each in found]

    @property
    def measured(self) -> list[str]:
        """The lines with measurements, without their times."""
        return [re.sub(r" @\d+", "", line) for line in self.raw if not line.startswith("#")]

    def needle(self, seconds: float) -> list[Sample | str]:
        """The same of the needle: samples, and the reasons of faults."""
        mine = [each for each in self.play(seconds) if each.channel == "needle"]
        return [each.reason if isinstance(each, Fault) else each for each in mine if isinstance(each, Fault | Sample)]

    @property
    def chip(self) -> Max31856:
        """The needle's."""
        made = self.board.chips["needle"]
        assert isinstance(made, Max31856)
        return made

    def restart(self) -> None:
        self._port.close()
        self.board.unplug()
        self.board.plug_in()
        self._port = Listener(self.board)

    def close(self) -> None:
        self._port.close()
        self.board.close()


def wired(folder: Path, *channels: tuple[str, str, str, int, int], mains_hz: int = 60) -> Path:
    """A settings file with these channels."""
    text = (NOTES / "board" / "settings.py").read_text()
    made = folder / "settings.py"
    made.write_text(f"{text}\nMAINS_HZ = {mains_hz}\n" + (f"CHANNELS = {channels!r}\n" if channels else ""))
    return made


def micropython(script: str) -> str:
    """What a script prints that uses the firmware's files."""
    run = subprocess.run(
        [interpreter(), "-c", script],
        env={**os.environ, "MICROPYPATH": str(NOTES / "board")},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert run.returncode == 0, run.stderr
    return run.stdout
