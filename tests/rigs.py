"""A rig for each driver: the driver, with its device in the test's hands, for tests/test_drivers.py to ask."""

import json
import socket
import tempfile
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from queue import SimpleQueue
from typing import Protocol

from recorder.clock import ManualClock
from recorder.core.events import Event, ProbeLost, Reading
from recorder.demo.broker import LocalBroker
from recorder.demo.devices.ble_thermometers import CLOCK, SimulatedThermometers, measurement, temperature
from recorder.demo.devices.modbus_transmitters import REGISTERS, SimulatedTransmitters
from recorder.demo.devices.script import Script
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware, framed
from recorder.driver import Driver, DriverLost
from recorder.notices.client import bare
from recorder.probes.mqtt.settings import MqttProbeSettings
from recorder.probes.probe import Probe, ProbeSettings
from recorder.probes.recording import ReplaySettings
from recorder.probes.serial.port import SerialSettings
from recorder.probes.source import Charge, Found
from tests import waiting

SOON_S = waiting.PATIENCE_S
"""A driver that is asked to stop, or loses its device, ends within this; what it was told it knows within this."""


until = partial(waiting.until, patience_s=SOON_S)


class Rig(Protocol):
    """One driver and its device."""

    driver: Driver

    def speak(self) -> None:
        """The device says something that becomes at least one event."""
        ...

    def vanish(self) -> None:
        """The device goes."""
        ...

    def come_back(self) -> None:
        """The device is there again."""
        ...

    def opened_anew(self) -> None:
        """The driver is run again."""
        ...

    def fall_silent(self) -> Event | None:
        """The device stays but has said nothing for long; the event that the driver owes, if it watches for that."""
        ...

    def close(self) -> None: ...


class ProbeRig(ABC):
    """A probe on the needle's channel, and its device."""

    numbered = False
    """Whether its messages say which came before which: by a number, a time."""
    units = "CF"
    """Those that its messages can be in."""

    def __init__(self, settings: ProbeSettings, clock: ManualClock) -> None:
        self.clock = clock
        self.found: list[Found] = []
        """All that the driver found in messages, before it is thinned."""
        self.probe = Probe(settings, clock, look=lambda at_ms, found: self.found.append(found))
        self.driver: Driver = self.probe
        self._number = 0
        self._begun = False
        """Whether anything was said since the device was opened."""

    @abstractmethod
    def send(self, value: float | None, unit: str = "C", number: int = 0) -> None:
        """The device says this, or that its circuit is open; `number` where it has one."""

    @abstractmethod
    def flood(self, messages: int) -> None:
        """The device says so many more than anybody asked for, all at once, and goes on as before."""

    @abstractmethod
    def vanish(self) -> None: ...

    @abstractmethod
    def come_back(self) -> None: ...

    @abstractmethod
    def close(self) -> None: ...

    def say(self, value: float | None, unit: str = "C", number: int | None = None) -> list[Found]:
        """`send` a second later, with the next number where none is given; what the driver found in it."""
        until(self.probe.listening.is_set, "the device is open")
        self._number = self._number + 1 if number is None else number
        self.clock.advance(1000)
        before, found = self.probe.ended, len(self.found)
        self.send(value, unit, self._number)
        until(lambda: self.probe.ended > before, "the message is read")
        return self.found[found:]

    def opened_anew(self) -> None:
        self._begun = False

    def speak(self) -> None:
        self.say(61.25 if self._number % 2 else 71.25)

    def fall_silent(self) -> Event | None:
        until(self.probe.listening.is_set, "the device is open")
        self.clock.advance(10_000)
        return ProbeLost(self.clock.now_ms(), "needle", "silent")


class SerialRig(ProbeRig):
    """A board that speaks the line protocol, on a pty."""

    numbered = True

    def __init__(self) -> None:
        self.board = SimulatedFirmware(Kitchen())
        super().__init__(self.settings(), ManualClock(0))

    def settings(self) -> SerialSettings:
        return SerialSettings("serial", self.board.port)

    def line(self, value: float | None, unit: str, number: int) -> bytes:
        return framed("needle", number, "open" if value is None else f"{value:.2f}{unit}")

    def send(self, value: float | None, unit: str = "C", number: int = 0) -> None:
        assert self.board.send(self.line(value, unit, number))

    def flood(self, messages: int) -> None:
        for at in range(messages):
            while not self.board.send(self.line(71.25, "C", self._number + 1 + at)):
                if not self.probe.listening.is_set():
                    return
                time.sleep(0.001)
        self._number += messages

    def vanish(self) -> None:
        self.board.unplug()

    def come_back(self) -> None:
        self.board.plug_in()

    def close(self) -> None:
        self.board.close()


class PlainRig(SerialRig):
    """A board that prints one number a line. It has no word for a fault but one that is out of range."""

    numbered = False

    def settings(self) -> SerialSettings:
        return SerialSettings("serial", self.board.port, form="plain", unit="C")

    def line(self, value: float | None, unit: str, number: int) -> bytes:
        return b"-127.00\r\n" if value is None else f"{value:.2f}{unit}\r\n".encode()

    def say(self, value: float | None, unit: str = "C", number: int | None = None) -> list[Found]:
        until(self.probe.listening.is_set, "the device is open")
        if not self._begun:
            self._begun = True
            before = self.probe.ended
            self.board.send(b"1.2\n")  # after opening, a line may be cut, and is thrown away
            until(lambda: self.probe.ended > before, "it is thrown away")
        return super().say(value, unit, number)


class ReplayRig(SerialRig):
    """A recording of such a board, written while it is played."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._file = (Path(self._folder.name) / "growing.jsonl").open("w", encoding="utf-8")
        self._write({"probe": {"driver": "serial", "port": "/dev/none"}})
        super().__init__()

    def settings(self) -> ReplaySettings:  # type: ignore[override]
        return ReplaySettings("replay", self._file.name)

    def send(self, value: float | None, unit: str = "C", number: int = 0) -> None:
        self._write({"ms": 0, "hex": self.line(value, unit, number).hex()})

    def flood(self, messages: int) -> None:
        lines = [self.line(71.25, "C", self._number + 1 + at) for at in range(messages)]
        self._write({"ms": 0, "hex": b"".join(lines).hex()})
        self._number += messages

    def vanish(self) -> None:
        self._write({"ms": 0, "gone": "unplugged"})

    def come_back(self) -> None:
        pass

    def close(self) -> None:
        super().close()
        self._file.close()
        self._folder.cleanup()

    def _write(self, entry: object) -> None:
        self._file.write(json.dumps(entry) + "\n")
        self._file.flush()


class ModbusRig(ProbeRig):
    """A transmitter with one input on a Modbus line, silent until it has something to say."""

    units = "C"

    def __init__(self, tcp: bool = False, rtu: bool = False) -> None:
        self.far = SimulatedTransmitters(Kitchen(), REGISTERS[:1], tcp, rtu)
        self.far.quiet.add("needle")
        super().__init__(self.far.settings(timeout_s=0.25), ManualClock(0))
        self._asked = 0

    def say(self, value: float | None, unit: str = "C", number: int | None = None) -> list[Found]:
        until(lambda: self._polls() > self._asked, "the poll on opening is over")
        return super().say(value, unit, number)

    def send(self, value: float | None, unit: str = "C", number: int = 0) -> None:
        self.far.kitchen.fault = "open" if value is None else None
        self.far.quiet.clear()
        self.far.measure("needle", value or 0.0)

    def flood(self, messages: int) -> None:
        """Of good answers that nobody asked for, and on RTU they do not even say so."""
        for _ in range(messages):
            self.far.send(bytes.fromhex("01 04 04 00 00 1B D5 30 DB"))
        self.far.said()  # a poll in the middle of it would take one of these for its answer, and there is but one poll

    def fall_silent(self) -> Event | None:
        self.far.quiet.add("needle")
        return super().fall_silent()

    def opened_anew(self) -> None:
        self._asked = self._polls()

    def vanish(self) -> None:
        self.far.unplug()

    def come_back(self) -> None:
        self.far.plug_in()

    def close(self) -> None:
        self.far.close()

    def _polls(self) -> int:
        return self.probe.reader.missed + self.probe.ended


class BleRig(ProbeRig):
    """A Health Thermometer on a virtual link; its clock was never set."""

    numbered = True
    channel = "needle"

    def __init__(self) -> None:
        self.board = SimulatedThermometers(Kitchen(), (self.channel,))
        (settings,) = self.board.settings()
        super().__init__(replace(settings, channel="needle"), ManualClock(0))
        self._openings = 0

    def say(self, value: float | None, unit: str = "C", number: int | None = None) -> list[Found]:
        if not self._begun:
            self._begun = True
            self._openings += 1
            until(lambda: self._charges() == self._openings, "the battery is read, as in each opening")
            if self.numbered:
                first = self._number + 1 if number is None else number
                for each in (first - 2, first - 1):  # they only set the clock; who knows how long they were kept
                    super().say(51.25, number=each)
                self._number = first - 1
        return [self._undated(each) for each in super().say(value, unit, number)]

    def _undated(self, found: Found) -> Found:
        return found if isinstance(found, Charge) else replace(found, taken=None)

    def message(self, value: float | None, unit: str, number: int) -> bytes:
        return measurement(value, CLOCK + timedelta(seconds=number), unit)

    def send(self, value: float | None, unit: str = "C", number: int = 0) -> None:
        self.board.send(self.channel, self.message(value, unit, number))

    def flood(self, messages: int) -> None:
        for at in range(messages):
            if not self.probe.listening.is_set():
                return
            self.send(71.25, "C", self._number + 1 + at)
        self._number += messages

    def vanish(self) -> None:
        self.board.unplug()

    def come_back(self) -> None:
        self.board.plug_in()

    def close(self) -> None:
        self.board.close()

    def _charges(self) -> int:
        return sum(isinstance(found, Charge) for found in self.found)


class EnvironmentRig(BleRig):
    """A probe by Environmental Sensing: °C, and nothing to tell one value from the next."""

    numbered = False
    units = "C"
    channel = "vat"

    def message(self, value: float | None, unit: str, number: int) -> bytes:
        return temperature(value if value is None or value < 327 else -273.0)  # 999 does not fit into it


class MqttRig(ProbeRig):
    """A sensor that publishes to a small broker on this machine."""

    units = "C"

    def __init__(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.broker = LocalBroker(free.getsockname()[1])
        self.come_back()
        settings = MqttProbeSettings(
            "mqtt",
            "sensors/needle",
            "needle",
            "C",
            path="t",
            host="127.0.0.1",
            port=self.broker.port,
            protocol="3.1.1",
            silence_s=10.0,
        )
        super().__init__(settings, ManualClock(0))

    def send(self, value: float | None, unit: str = "C", number: int = 0) -> None:
        self._sensor.publish("sensors/needle", json.dumps({"t": value}))

    def flood(self, messages: int) -> None:
        for _ in range(messages):
            self.send(71.25)
        self._number += messages

    def vanish(self) -> None:
        self._sensor.disconnect()
        self._sensor.loop_stop()
        self.broker.stop()

    def come_back(self) -> None:
        self.broker.start()
        self._sensor = bare("3.1.1")
        self._sensor.connect("127.0.0.1", self.broker.port)
        self._sensor.loop_start()

    def close(self) -> None:
        self.vanish()


class ScriptRig:
    """The script, written while it is played."""

    def __init__(self) -> None:
        self._lines: SimpleQueue[Event | DriverLost] = SimpleQueue()
        self.driver: Driver = Script(self._play())
        self._at_ms = 0

    def _play(self) -> Iterator[Event | DriverLost | float]:
        while True:
            yield 0.01 if self._lines.empty() else self._lines.get()

    def speak(self) -> None:
        self._at_ms += 1000
        self._lines.put(Reading(self._at_ms, "needle", 71.25))

    def vanish(self) -> None:
        self._lines.put(DriverLost("the script says so"))

    def come_back(self) -> None:
        pass

    def opened_anew(self) -> None:
        pass

    def fall_silent(self) -> Event | None:
        return None

    def close(self) -> None:
        pass


PROBES: dict[str, Callable[[], ProbeRig]] = {
    "serial": SerialRig,
    "serial, plain": PlainRig,
    "ble": BleRig,
    "ble, environment": EnvironmentRig,
    "replay": ReplayRig,
    "modbus": ModbusRig,
    "mqtt": MqttRig,
    "modbus, tcp": lambda: ModbusRig(True),
    "modbus, rtu over tcp": lambda: ModbusRig(True, True),
}
ALL: dict[str, Callable[[], Rig]] = {**PROBES, "script": ScriptRig}
