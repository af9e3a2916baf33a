"""A radio without hardware: both ends are virtual controllers in this process. The only door to bumble.

For the demo and the tests. The link is a `LocalLink`; what is said over it are the real protocols from HCI up.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.ble_probe import SERVICES, Seen


def bumble() -> Any:
    """The library, with the modules that are used here; raises `DriverUnavailable`."""
    try:
        import bumble.controller
        import bumble.core
        import bumble.device
        import bumble.gatt
        import bumble.hci
        import bumble.host
        import bumble.link
        import bumble.transport.common
    except ImportError as error:
        raise DriverUnavailable("bumble is missing; in the clone: pip install -e '.[ble-sim]'") from error
    return bumble


async def powered(link: Any, name: str, address: str) -> Any:
    """A device with a controller of its own on `link`, switched on."""
    b = bumble()
    controller = b.controller.Controller(name, link=link)
    host = b.host.Host(controller, b.transport.common.AsyncPipeSink(controller))
    device = b.device.Device(name, b.hci.Address(address), host=host)
    await device.power_on()
    return device


class BumbleRadio:
    """A radio at one end of a link."""

    def __init__(self, device: Any) -> None:
        """`device`: as `powered` makes it."""
        self._device = device

    async def nearby(self, seconds: float) -> list[Seen]:
        """As `Radio` promises."""
        b, found = bumble(), dict[str, Seen]()

        def heard(told: Any) -> None:
            listed = told.data.get(b.core.AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS) or ()
            for profile, service in SERVICES.items():
                if b.core.UUID(service) in listed:
                    name = told.data.get(b.core.AdvertisingData.COMPLETE_LOCAL_NAME) or ""
                    found[str(told.address)] = Seen(told.address.to_string(False), name, profile)

        self._device.on("advertisement", heard)
        await self._device.start_scanning()
        await asyncio.sleep(seconds)
        await self._device.stop_scanning()
        self._device.remove_listener("advertisement", heard)
        return list(found.values())

    async def connect(self, address: str, timeout_s: float) -> "BumbleLink":
        """As `Radio` promises; lost for "out of range"."""
        b, here = bumble(), asyncio.Event()

        def heard(told: Any) -> None:
            if told.address.to_string(False) == address:
                here.set()

        self._device.on("advertisement", heard)
        await self._device.start_scanning()
        try:
            await asyncio.wait_for(here.wait(), timeout_s)
        except TimeoutError as error:
            raise DriverLost("out of range", f"{address} does not make itself known") from error
        finally:
            self._device.remove_listener("advertisement", heard)
            await self._device.stop_scanning()
        connection = await self._device.connect(b.hci.Address(address))
        peer = b.device.Peer(connection)
        await peer.discover_all()
        return BumbleLink(connection, peer)


class BumbleLink:
    """A connection."""

    def __init__(self, connection: Any, peer: Any) -> None:
        self.lost = asyncio.Event()
        self._connection, self._peer = connection, peer
        connection.on("disconnection", lambda *_: self.lost.set())

    def has(self, characteristic: str) -> bool:
        return self._found(characteristic) is not None

    def tells(self, characteristic: str) -> bool:
        found, kinds = self._found(characteristic), bumble().gatt.Characteristic.Properties
        return found is not None and bool(found.properties & (kinds.NOTIFY | kinds.INDICATE))

    async def subscribe(self, characteristic: str, heard: Callable[[bytes], None]) -> None:
        await self._or_lost(self._peer.subscribe(self._found(characteristic), heard))

    async def read(self, characteristic: str) -> bytes:
        return bytes(await self._or_lost(self._found(characteristic).read_value()))

    async def close(self) -> None:
        if not self.lost.is_set():
            await self._or_lost(self._connection.disconnect())

    def _found(self, characteristic: str) -> Any:
        found = self._peer.get_characteristics_by_uuid(bumble().core.UUID(characteristic))
        return found[0] if found else None

    async def _or_lost(self, work: Awaitable[Any]) -> Any:
        try:
            return await work
        except (TimeoutError, bumble().core.BaseBumbleError) as error:
            raise DriverLost("disconnected", str(error)) from error
