"""The kinds of probes, and how the probes of a kind are found."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from recorder.plugins import Kinds
from recorder.probes.probe import ProbeSettings

PROBES = Kinds(
    "driver",
    "batch_recorder.probes",
    {
        "serial": "recorder.probes.serial.port:SerialSettings",
        "ble": "recorder.probes.ble.probe:BleSettings",
        "modbus": "recorder.probes.modbus.probe:ModbusSettings",
        "mqtt": "recorder.probes.mqtt.settings:MqttProbeSettings",
        "replay": "recorder.probes.recording:ReplaySettings",
        "simulated": "recorder.probes.simulated:SimulatedSettings",
    },
    ("title", "url", "names", "reader", "faster", "source", "detect"),
)
"""Kind of probe, as the configuration writes it -> its settings, of which `Probe` is made.

A kind is a dataclass that has what `ProbeSettings` promises. Its first field is `driver`, its second the address.
"""


@dataclass(frozen=True, slots=True)
class Search:
    """How far `detect` may go. What it does not allow is not looked for."""

    radio_s: float = 0.0
    """Listen for so long to radios."""
    bus: str = ""
    """A line whose devices are asked one after the other, named as in the settings; nothing else is opened."""
    addresses: range = range(1, 17)
    """Their addresses."""
    baud: int = 9_600
    timeout_s: float = 0.2
    """How long a device may take to answer."""


@dataclass(frozen=True, slots=True)
class Offer:
    """A probe that was found."""

    settings: ProbeSettings
    """How it would be configured."""
    remarks: tuple[str, ...] = ()
    """What is known of it, one line each. A device's own words may be among them, with any character."""
    to_fill: Mapping[str, str] = field(default_factory=dict)
    """Settings that no device says -> a hint; a person has to fill them in."""


@dataclass(frozen=True, slots=True)
class Detection:
    """A place where probes of one kind are looked for."""

    place: str
    """For the screen: "Serial ports"."""
    look: Callable[[], list[Offer]]
    """What is there; raises `DriverLost`, `DriverUnavailable` or `ValueError`."""
