"""The simulated devices that the story can be played with, each at the other end of a real driver."""

from collections.abc import Callable
from typing import Protocol

from recorder.demo.devices.ble_thermometers import SimulatedThermometers
from recorder.demo.devices.micropython_board import MicropythonBoard
from recorder.demo.devices.modbus_transmitters import SimulatedTransmitters
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware
from recorder.probes.probe import ProbeSettings
from recorder.probes.serial.port import SerialSettings

CHANNELS = ("needle", "vat", "cabinet")


class Board(Protocol):
    """A device that measures a kitchen."""

    kitchen: Kitchen
    step_ms: int
    """It measures this often."""

    @property
    def sent(self) -> int:
        """Messages that the drivers have got or are about to get."""
        ...

    def advance(self, ms: int) -> None:
        """Let `ms` pass in the story."""
        ...

    def close(self) -> None:
        """Gone for good."""
        ...


Made = tuple[Board, tuple[ProbeSettings, ...]]


def serial() -> Made:
    """A board that speaks the line protocol, on a pty."""
    board = SimulatedFirmware(Kitchen())
    return board, (SerialSettings("serial", board.port, CHANNELS),)


def micropython() -> Made:
    """A board that runs the reference firmware of firmware_notes/."""
    board = MicropythonBoard(Kitchen())
    return board, (SerialSettings("serial", board.port, CHANNELS),)


def modbus() -> Made:
    """A transmitter of three inputs on a serial Modbus line. Needs the extra [modbus]."""
    board = SimulatedTransmitters(Kitchen())
    return board, (board.settings(),)


def ble() -> Made:
    """Bluetooth probes on a virtual link. Needs the extra [ble-sim]."""
    probes = SimulatedThermometers(Kitchen())
    return probes, probes.settings()


BOARDS: dict[str, Callable[[], Made]] = {
    "serial": serial,
    "ble-sim": ble,
    "modbus-sim": modbus,
    "micropython": micropython,
}
"""Name, as `demo --probe` takes it -> the device and how it is read."""
