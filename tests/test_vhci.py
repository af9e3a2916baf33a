"""Through bleak, BlueZ and the kernel itself, with a virtual controller in place of the radio.

It needs root, the module hci_vhci, bluetoothd, and no other adapter. It was written where none of these is, and has
never been run; tests/test_ble.py tries the same through bleak against a stand-in for BlueZ.
"""

import os
from pathlib import Path

import pytest

from recorder.clock import ManualClock
from recorder.core.events import Event, Reading
from recorder.demo.devices.ble_thermometers import ADDRESSES, SimulatedThermometers
from recorder.demo.devices.serial_board import Kitchen
from recorder.probes.ble.probe import BleSettings, in_loop
from recorder.probes.probe import Probe
from recorder.supervisor import Post, Supervisor
from tests.waiting import until

VHCI, ADAPTERS = Path("/dev/vhci"), Path("/sys/class/bluetooth")


def missing() -> str:
    """What is not as it must be; "" if all is."""
    if not os.access(VHCI, os.R_OK | os.W_OK):
        return f"{VHCI} is not there for us: modprobe hci_vhci, as root"
    if ADAPTERS.is_dir() and any(ADAPTERS.iterdir()):
        return "there is another Bluetooth adapter, and bleak would take it"
    if not Path("/run/dbus/system_bus_socket").exists():
        return "there is no system bus: apt install bluez, and start bluetoothd"
    return ""


@pytest.mark.hardware
@pytest.mark.skipif(bool(missing()), reason=f"bleak over the kernel is not tried: {missing()}")
def test_a_probe_is_read_over_the_kernels_own_controller() -> None:
    from bumble.controller import Controller
    from bumble.transport import open_transport

    probes = SimulatedThermometers(Kitchen(), ("needle",))
    transport = in_loop(open_transport("vhci")).result(5)
    Controller("kernel", transport.source, transport.sink, probes.link)
    events: list[Event] = []
    clock = ManualClock(0)
    probe = Probe(BleSettings("ble", ADDRESSES["needle"]), clock)
    keeper = Supervisor((Post(probe),), events.append)
    keeper.start()
    until(probe.listening.is_set, "it is connected", 30.0)
    clock.advance(500)
    probes.advance(500)
    until(lambda: any(isinstance(event, Reading) for event in events), "it is heard")
    keeper.stop()
    in_loop(transport.close()).result(5)
    probes.close()
