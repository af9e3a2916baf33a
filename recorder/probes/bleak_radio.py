"""The board's own Bluetooth. The only door to bleak."""

import asyncio
import sys
from collections.abc import Callable
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.ble_probe import SERVICES, Seen

if TYPE_CHECKING:
    from collections.abc import Iterator

REMEDIES = {"no Bluetooth": "; is there an adapter, does bluetoothd run, is its user in the group bluetooth?"}

ALL = "0000{}-0000-1000-8000-00805f9b34fb"
"""The long form of the SIG's four digits."""


class BleakRadio:
    """A radio. Each connection has a fresh client."""

    async def nearby(self, seconds: float) -> list[Seen]:
        """As `Radio` promises."""
        bleak = _bleak()
        with _told("no Bluetooth"):
            found = await bleak.BleakScanner.discover(seconds, return_adv=True)
        return [
            Seen(device.address, told.local_name or device.name or "", profile)
            for device, told in found.values()
            for profile, service in SERVICES.items()
            if _long(service) in told.service_uuids
        ]

    async def connect(self, address: str, timeout_s: float) -> "BleakLink":
        """As `Radio` promises; lost for "no Bluetooth", "out of range" or "not connected"."""
        bleak, lost = _bleak(), asyncio.Event()
        with _told("no Bluetooth"):
            device = await _held(address) or await bleak.BleakScanner.find_device_by_address(address, timeout_s / 2)
        if device is None:
            raise DriverLost("out of range", f"{address} does not make itself known")
        client = bleak.BleakClient(device, lambda _: lost.set(), timeout=timeout_s / 2)
        with _told("not connected"):
            await client.connect()
        return BleakLink(client, lost)


class BleakLink:
    """A connection."""

    def __init__(self, client: Any, lost: asyncio.Event) -> None:
        self.lost = lost
        self._client = client

    def has(self, characteristic: str) -> bool:
        return self._client.services.get_characteristic(_long(characteristic)) is not None

    def tells(self, characteristic: str) -> bool:
        found = self._client.services.get_characteristic(_long(characteristic))
        return found is not None and bool({"notify", "indicate"} & set(found.properties))

    async def subscribe(self, characteristic: str, heard: Callable[[bytes], None]) -> None:
        with _told("disconnected"):
            await self._client.start_notify(_long(characteristic), lambda _, data: heard(bytes(data)))

    async def read(self, characteristic: str) -> bytes:
        with _told("disconnected"):
            return bytes(await self._client.read_gatt_char(_long(characteristic)))

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
        raise DriverLost(reason, f"{str(error) or type(error).__name__}{REMEDIES.get(reason, '')}") from error


def _long(digits: str) -> str:
    return ALL.format(digits.lower())
