"""Stands in for BlueZ on a D-Bus of its own, so that bleak's real code for Linux runs where there is no controller.

It answers what bleak asks of an adapter, its devices and their characteristics, by BlueZ's own names
(org.bluez.Adapter, Device, GattService and GattCharacteristic, as BlueZ documents them), and no more.
"""

import asyncio
import subprocess
import threading
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

ADAPTER = "/org/bluez/hci0"
PROPERTIES, MANAGER = "org.freedesktop.DBus.Properties", "org.freedesktop.DBus.ObjectManager"
LONG = "0000{}-0000-1000-8000-00805f9b34fb"
SIGNATURES = {bool: "b", str: "s", int: "n", bytes: "ay", list: "as"}
PATHS = ("Adapter", "Device", "Service")
"""Properties that are paths of other objects."""


@dataclass
class Thermometer:
    """A device: its characteristics by their four digits, each with its BlueZ flags and its value when it is read."""

    address: str
    name: str
    service: str
    values: dict[str, tuple[list[str], bytes]]
    path: str = ""
    here: bool = True
    """Whether it makes itself known and can be connected to; while it is connected it does not make itself known."""
    answers: bool = True
    """Whether a connection comes about."""
    refuses: str = ""
    """With what words it refuses to tell or show anything, where it does."""
    notifying: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.path = f"{ADAPTER}/dev_{self.address.replace(':', '_')}"

    def characteristic(self, digits: str) -> str:
        """Its path."""
        return f"{self.path}/service0001/char{digits}"


class Bluez:
    """One adapter with devices, in a thread of its own."""

    def __init__(self, *devices: Thermometer) -> None:
        """Starts a D-Bus of its own at `address`; raises `OSError` where dbus-daemon is missing."""
        command = ["dbus-daemon", "--session", "--nofork", "--print-address=1", "--address=unix:tmpdir=/tmp"]
        self._daemon = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self._daemon.stdout
        self.address = self._daemon.stdout.readline().strip()
        self.devices = {device.path: device for device in devices}
        self.asked: list[str] = []
        """Members that were called."""
        self._looking = False
        self._objects: dict[str, dict[str, dict[str, Any]]] = {}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._in_loop(self._begin()).result(5)

    def tell(self, device: Thermometer, digits: str, value: bytes) -> None:
        """A notification or an indication, if it is asked for."""
        if digits in device.notifying:
            path = device.characteristic(digits)
            self._in_loop(self._change(path, "org.bluez.GattCharacteristic1", Value=value)).result(5)

    def hold(self, device: Thermometer) -> None:
        """Connected already, as BlueZ stays when the program that connected was killed."""
        self._in_loop(self._change(device.path, "org.bluez.Device1", Connected=True, ServicesResolved=True)).result(5)

    def rename(self, device: Thermometer, address: str, kind: str) -> None:
        """It has another address, of this kind, as BlueZ names kinds."""
        change = self._change(device.path, "org.bluez.Device1", Address=address, AddressType=kind)
        self._in_loop(change).result(5)

    def vanish(self, device: Thermometer) -> None:
        """Out of range."""
        device.here = False
        self._in_loop(self._disconnect(device)).result(5)

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._bus.disconnect)
        self._in_loop(self._bus.wait_for_disconnect()).result(5)  # type: ignore[no-untyped-call]
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()
        assert self._daemon.stdout
        self._daemon.stdout.close()
        self._daemon.terminate()
        self._daemon.wait(5)

    def _in_loop(self, work: Any) -> "Future[Any]":
        return asyncio.run_coroutine_threadsafe(work, self._loop)

    async def _begin(self) -> None:
        self._objects[ADAPTER] = {
            "org.bluez.Adapter1": {"Address": "00:00:00:00:00:01", "Powered": True, "Roles": ["central"]}
        }
        for device in self.devices.values():
            self._objects[device.path] = {
                "org.bluez.Device1": {
                    "Adapter": ADAPTER,
                    "Address": device.address,
                    "AddressType": "random",
                    "Alias": device.name,
                    "Name": device.name,
                    "Connected": False,
                    "Paired": False,
                    "ServicesResolved": False,
                    "UUIDs": [LONG.format(device.service.lower())],
                }
            }
            service = f"{device.path}/service0001"
            self._objects[service] = {
                "org.bluez.GattService1": {
                    "UUID": LONG.format(device.service.lower()),
                    "Device": device.path,
                    "Primary": True,
                }
            }
            for digits, (flags, value) in device.values.items():
                self._objects[device.characteristic(digits)] = {
                    "org.bluez.GattCharacteristic1": {
                        "UUID": LONG.format(digits.lower()),
                        "Service": service,
                        "Flags": flags,
                        "Value": value,
                        "Notifying": False,
                    }
                }
        self._bus = await MessageBus(bus_address=self.address).connect()
        self._bus.add_message_handler(self._called)
        await self._bus.request_name("org.bluez")

    def _called(self, message: Message) -> Message | bool:
        if message.message_type is not MessageType.METHOD_CALL or message.destination != "org.bluez":
            return False
        member, path = str(message.member), str(message.path)
        self.asked.append(member)
        device = next((each for each in self.devices.values() if path.startswith(each.path)), None)
        digits = path[-4:]
        match member:
            case "GetManagedObjects":
                told = {
                    where: {name: _variants(held) for name, held in each.items()}
                    for where, each in self._objects.items()
                }
                return Message.new_method_return(message, "a{oa{sa{sv}}}", [told])
            case "StartDiscovery":
                self._looking = True
                self._later(self._advertise())
            case "StopDiscovery":
                self._looking = False
            case "Connect" if device and device.here and device.answers:
                self._later(self._connect(device, message))
                return True
            case "Connect":
                return Message.new_error(message, "org.bluez.Error.Failed", "br-connection-page-timeout")
            case "Disconnect" if device:
                self._later(self._disconnect(device, message))
                return True
            case "StartNotify" | "ReadValue" if device and device.refuses:
                return Message.new_error(message, "org.bluez.Error.NotPermitted", device.refuses)
            case "StartNotify" if device:
                device.notifying.add(digits)
            case "StopNotify" if device:
                device.notifying.discard(digits)
            case "ReadValue" if device:
                return Message.new_method_return(message, "ay", [device.values[digits][1]])
        return Message.new_method_return(message)

    async def _advertise(self) -> None:
        while self._looking:
            for device in self.devices.values():
                if device.here and not self._objects[device.path]["org.bluez.Device1"]["Connected"]:
                    await self._change(device.path, "org.bluez.Device1", RSSI=-50)
            await asyncio.sleep(0.05)

    def _later(self, work: Any) -> None:
        self._loop.call_soon(lambda: self._loop.create_task(work))

    async def _connect(self, device: Thermometer, call: Message) -> None:
        """The call is answered when all is done, as BlueZ does."""
        await self._change(device.path, "org.bluez.Device1", Connected=True, ServicesResolved=True)
        await self._bus.send(Message.new_method_return(call))

    async def _disconnect(self, device: Thermometer, call: Message | None = None) -> None:
        device.notifying.clear()
        await self._change(device.path, "org.bluez.Device1", Connected=False, ServicesResolved=False)
        if call:
            await self._bus.send(Message.new_method_return(call))

    async def _change(self, path: str, interface: str, **values: Any) -> None:
        self._objects[path][interface].update(values)
        await self._bus.send(
            Message.new_signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, _variants(values), []])
        )


def _variants(values: dict[str, Any]) -> dict[str, Variant]:
    return {name: Variant("o" if name in PATHS else SIGNATURES[type(value)], value) for name, value in values.items()}
