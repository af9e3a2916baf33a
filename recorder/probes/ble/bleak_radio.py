"""The board's own Bluetooth. The only door to bleak."""

import asyncio
import sys
from collections.abc import Callable
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.ble.radio import SERVICES, Seen, private, refusal

if TYPE_CHECKING:
    from collections.abc import Iterator

HINTS = {"no Bluetooth": "; is there an adapter, does bluetoothd run, is its user in the group bluetooth?"}

ALL = "0000{}-0000-1000-8000-00805f9b34fb"
"""The long form of the SIG's four digits."""


class BleakRadio:
    """A radio. Each connection has a fresh client."""

    def __init__(self) -> None:
        self._found: dict[str, Any] = {}
        """Address -> the probe, from when it is found until it is connected to."""

    async def nearby(self, seconds: float) -> list[Seen]:
        """As `Radio` promises."""
        bleak = _bleak()
        with _told("no Bluetooth"):
            found = await bleak.BleakScanner.discover(seconds, return_adv=True)
        return [
            Seen(device.address, advertised.local_name or device.name or "", profile, _private(device))
            for device, advertised in found.values()
            for profile, service in SERVICES.items()
            if _long(service) in advertised.service_uuids
        ]

    async def held(self, address: str) -> bool:
        """As `Radio` promises; lost for "no Bluetooth"."""
        _bleak()
        with _told("no Bluetooth"):
            device = await _held(address)
        if device is not None:
            self._found[address] = device
        return device is not None

    async def seek(self, wanted: Callable[[str], bool], seconds: float) -> list[str]:
        """As `Radio` promises; lost for "no Bluetooth"."""
        bleak, here = _bleak(), asyncio.Event()
        found: dict[str, Any] = {}

        def seen(device: Any, _: Any) -> None:
            if wanted(device.address.upper()):
                found[device.address.upper()] = device
                here.set()

        with _told("no Bluetooth"):
            async with bleak.BleakScanner(seen):
                with suppress(TimeoutError):
                    await asyncio.wait_for(here.wait(), seconds)
        self._found |= found
        return list(found)

    async def connect(self, address: str, timeout_s: float) -> "BleakLink":
        """As `Radio` promises; lost for "not connected"."""
        bleak, lost = _bleak(), asyncio.Event()
        device = self._found.pop(address, None)
        if device is None:
            raise DriverLost("out of range", f"{address} was not found")
        client = bleak.BleakClient(device, lambda _: lost.set(), timeout=timeout_s)
        with _told("not connected"):
            await client.connect()
        return BleakLink(client, lost)


class BleakLink:
    """A connection."""

    def __init__(self, client: Any, lost: asyncio.Event) -> None:
        self.lost = lost
        self._client = client

    def has(self, characteristic: str) -> bool:
        """As `Link` promises."""
        return self._client.services.get_characteristic(_long(characteristic)) is not None

    def tells(self, characteristic: str) -> bool:
        """As `Link` promises."""
        found = self._client.services.get_characteristic(_long(characteristic))
        return found is not None and bool({"notify", "indicate"} & set(found.properties))

    async def subscribe(self, characteristic: str, heard: Callable[[bytes], None]) -> None:
        with _told("disconnected"):
            await self._client.start_notify(_long(characteristic), lambda _, data: heard(bytes(data)))

    async def read(self, characteristic: str) -> bytes:
        with _told("disconnected"):
            return bytes(await self._client.read_gatt_char(_long(characteristic)))

    def writes(self, characteristic: str) -> bool:
        """As `Link` promises."""
        found = self._client.services.get_characteristic(_long(characteristic))
        return found is not None and "write" in found.properties

    async def write(self, characteristic: str, data: bytes) -> None:
        with _told("disconnected"):
            await self._client.write_gatt_char(_long(characteristic), data, response=True)

    async def describe(self, characteristic: str, descriptor: str) -> bytes | None:
        handle = self._handle(characteristic, descriptor)
        if handle is None:
            return None
        with _told("disconnected"):
            return bytes(await self._client.read_gatt_descriptor(handle))

    async def redescribe(self, characteristic: str, descriptor: str, data: bytes) -> None:
        with _told("disconnected"):
            await self._client.write_gatt_descriptor(self._handle(characteristic, descriptor), data)

    def _handle(self, characteristic: str, descriptor: str) -> int | None:
        found = self._client.services.get_characteristic(_long(characteristic))
        held = found.get_descriptor(_long(descriptor)) if found is not None else None
        return held.handle if held is not None else None

    async def close(self) -> None:
        with _told("disconnected"):
            await self._client.disconnect()


async def _held(address: str) -> Any:
    """The probe, if BlueZ is connected to it already: one whose recorder was killed, which makes itself known no more.

    None anywhere else. bleak's scanner does not find it (its issues 315 and 367); its client takes such a connection
    over, but only by the path that BlueZ has for it.
    """
    if sys.platform != "linux":
        return None
    from bleak.backends.bluezdbus.manager import get_global_bluez_manager
    from bleak.backends.device import BLEDevice

    manager = await get_global_bluez_manager()
    adapter = manager.get_default_adapter()
    path = f"{adapter}/dev_{address.upper().replace(':', '_')}"
    known = {"path": path, "props": {"Adapter": adapter, "Alias": address}}
    return BLEDevice(address, None, known) if manager.is_connected(path) else None


def _private(device: Any) -> bool:
    """Whether BlueZ says that its address is a random one, and one that changes."""
    known = device.details.get("props", {}) if isinstance(device.details, dict) else {}
    return known.get("AddressType") == "random" and private(device.address)


def _bleak() -> Any:
    try:
        import bleak
    except ImportError as error:
        raise DriverUnavailable("bleak is missing; in the clone: pip install -e '.[ble]'") from error
    return bleak


@contextmanager
def _told(reason: str) -> "Iterator[None]":
    """What goes wrong within is a loss for this reason."""
    from bleak.exc import BleakError

    try:
        yield
    except (BleakError, OSError, EOFError, TimeoutError) as error:
        if unpaired := refusal(error):
            raise DriverLost("not paired", unpaired) from error
        raise DriverLost(reason, f"{str(error) or type(error).__name__}{HINTS.get(reason, '')}") from error


def _long(digits: str) -> str:
    return ALL.format(digits.lower())
