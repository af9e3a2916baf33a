"""What a device driver promises, and the table of the drivers there are.

A driver must
  - emit what it receives, when it receives it: it does not cache, fill gaps or derive;
  - turn a device's own fault (open circuit, short, silence of one channel) into an event, never into a number;
  - look at `stop` again and again, several times in `supervisor.HANGS_S`: that is its heartbeat;
  - return from `run` soon after `stop` is set, and raise `DriverLost` when the device goes.
A driver might open its device lazily and import its vendor library inside `run`, so that an absent device
costs nothing. Restarting, back-off and the watch over silence belong to `recorder/supervisor.py`.
"""

import importlib
import threading
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from recorder.core.events import Event
from recorder.errors import RecorderError

Put = Callable[[Event], None]
"""Hands an event to the station's one inbox; safe from any thread."""

DRIVERS = {
    "probe": "recorder.probes.probe:Probe",
    "arecord": "recorder.voice.ear:MicrophoneEar",
    "wav": "recorder.voice.ear:WavEar",
    "script": "recorder.probes.script:Script",
}
"""Driver name -> "module:Class"."""

PROBES = {
    "serial": "recorder.probes.serial_probe:SerialSettings",
    "ble": "recorder.probes.ble_probe:BleSettings",
    "modbus": "recorder.probes.modbus_probe:ModbusSettings",
    "mqtt": "recorder.probes.mqtt_probe:MqttProbeSettings",
    "replay": "recorder.probes.recording:ReplaySettings",
}
"""Kind of probe, as the configuration writes it -> "module:Class" of its settings, of which `Probe` is made."""


class DriverUnavailable(RecorderError):
    """The driver cannot be built at all: a library or a setting is missing. The text says the remedy."""

    reason = "driver unavailable"
    """In records."""


class DriverLost(RecorderError):
    """The device went away; the supervisor tries again later."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(f"{reason}: {detail}" if detail else reason)
        self.reason = reason
        """In records: "unplugged", "port refused", ..."""


class Driver(Protocol):
    """One device, run in one thread."""

    name: str
    """For logs and records: "serial /dev/ttyACM0"."""

    def run(self, put: Put, stop: threading.Event) -> None:
        """Emit events until `stop` is set; raise `DriverLost` when the device goes."""
        ...


def load(name: str, table: Mapping[str, str] = DRIVERS) -> Any:
    """The class that `name` stands for in `table`; raises `DriverUnavailable` naming the ones there are."""
    if name not in table:
        raise DriverUnavailable(f"no driver is called {name!r}; there are {', '.join(sorted(table))}")
    module, _, attribute = table[name].partition(":")
    return getattr(importlib.import_module(module), attribute)
