"""A radio without hardware: both ends are virtual controllers in this process. The only door to bumble.

For the demo and the tests. The link is a `LocalLink`; what is said over it are the real protocols from HCI up.
"""

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Any

from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.ble.radio import SERVICES, Seen, private, refusal


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

        def heard(advertised: Any) -> None:
            listed = advertised.data.get(b.core.AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS) or ()
            for profile, service in SERVICES.items():
                if b.core.UUID(service) in listed:
                    name = advertised.data.get(b.core.AdvertisingData.COMPLETE_LOCAL_NAME) or ""
                    address = advertised.address.to_string(False)
                    found[address] = Seen(address, name, profile, private(address))

        self._device.on("advertisement", heard)
        await self._device.start_scanning()
        await asyncio.sleep(seconds)
        await self._device.stop_scanning()
        self._device.remove_listener("advertisement", heard)
        return list(found.values())

    async def held(self, address: str) -> bool:
        """As `Radio` promises: whoever held a connection went with it."""
        return False

    async def seek(self, wanted: Callable[[str], bool], seconds: float) -> list[str]:
        """As `Radio` promises."""
        here, found = asyncio.Event(), set[str]()

        def heard(advertised: Any) -> None:
            address = advertised.address.to_string(False)
            if wanted(address):
                found.add(address)
                here.set()

        self._device.on("advertisement", heard)
        await self._device.start_scanning()
        try:
            with suppress(TimeoutError):
                await asyncio.wait_for(here.wait(), seconds)
        finally:
            self._device.remove_listener("advertisement", heard)
            await self._device.stop_scanning()
        return list(found)

    async def connect(self, address: str, timeout_s: float) -> "BumbleLink":
        """As `Radio` promises; lost for "not connected"."""
        b = bumble()
        try:
            async with asyncio.timeout(timeout_s):
                return await self._connected(address)
        except (TimeoutError, b.core.BaseBumbleError) as error:
            raise DriverLost("not connected", f"{address}: {error}") from error

    async def _connected(self, address: str) -> "BumbleLink":
        b = bumble()
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
        """As `Link` promises."""
        return self._found(characteristic) is not None

    def tells(self, characteristic: str) -> bool:
        """As `Link` promises."""
        found, kinds = self._found(characteristic), bumble().gatt.Characteristic.Properties
        return found is not None and bool(found.properties & (kinds.NOTIFY | kinds.INDICATE))

    async def subscribe(self, characteristic: str, heard: Callable[[bytes], None]) -> None:
        await self._or_lost(self._peer.subscribe(self._found(characteristic), heard))

    async def read(self, characteristic: str) -> bytes:
        return bytes(await self._or_lost(self._found(characteristic).read_value()))

    def writes(self, characteristic: str) -> bool:
        """As `Link` promises."""
        found = self._found(characteristic)
        return found is not None and bool(found.properties & bumble().gatt.Characteristic.Properties.WRITE)

    async def write(self, characteristic: str, data: bytes) -> None:
        await self._or_lost(self._found(characteristic).write_value(data, with_response=True))

    async def describe(self, characteristic: str, descriptor: str) -> bytes | None:
        held = await self._descriptor(characteristic, descriptor)
        return None if held is None else bytes(await self._or_lost(held.read_value()))

    async def redescribe(self, characteristic: str, descriptor: str, data: bytes) -> None:
        held = await self._descriptor(characteristic, descriptor)
        await self._or_lost(held.write_value(data, with_response=True))

    async def _descriptor(self, characteristic: str, descriptor: str) -> Any:
        found = self._found(characteristic)
        if not found.descriptors:
            await self._or_lost(found.discover_descriptors())
        return found.get_descriptor(bumble().core.UUID(descriptor))

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
            if unpaired := refusal(error):
                raise DriverLost("not paired", unpaired) from error
            raise DriverLost("disconnected", str(error)) from error
