"""Simulated Bluetooth probes on a virtual link: a needle by Health Thermometer, the others by Environmental Sensing.

What they measure is what a `Kitchen` feels. The driver at the near end is the real one, with a radio on the same link.
"""

import asyncio
import struct
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from recorder.clock import Clock
from recorder.demo.devices.bumble_radio import BumbleRadio, bumble, powered
from recorder.demo.devices.serial_board import SLOW_MS, Kitchen, Simulation
from recorder.driver import DriverUnavailable
from recorder.probes.ble.gatt import BATTERY, FAHRENHEIT, MEASUREMENT, SPECIAL, STAMPED, TEMPERATURE, UNKNOWN
from recorder.probes.ble.intervals import ES_MEASUREMENT, ES_TRIGGER, FIXED, INTERVAL, RANGE, trigger
from recorder.probes.ble.probe import BleProbe, BleSettings
from recorder.probes.ble.radio import SERVICES, Radio, in_loop

ADDRESSES = {"needle": "F0:00:00:00:00:01", "vat": "F0:00:00:00:00:02", "cabinet": "F0:00:00:00:00:03"}
RADIO = "F0:00:00:00:00:FF"

CLOCK = datetime(2020, 1, 1)
"""When the needle's own clock begins: nobody has set it."""

INTERVAL_MS = 100
"""The probes make themselves known this often."""

CHARGE = 85
"""Percent."""


@dataclass(frozen=True, slots=True)
class SimulatedSettings(BleSettings):
    """Settings of a probe that is on a virtual link."""

    radio: Radio | None = None

    def source(self, clock: Clock) -> BleProbe:
        """The probe, not yet looked for."""
        if self.radio is None:
            raise DriverUnavailable("there is no radio on the virtual link")
        return BleProbe(self, self.radio)


class SimulatedThermometers(Simulation):
    """Probes in the air, each by itself, and the radio that hears them."""

    def __init__(self, kitchen: Kitchen, channels: tuple[str, ...] = tuple(ADDRESSES)) -> None:
        """Raises `DriverUnavailable` where bumble is missing."""
        super().__init__(kitchen)
        self.sent = 0
        """Values that were sent to somebody, or asked for."""
        self.link: Any = bumble().link.LocalLink()
        """The air between them, for another controller to join."""
        self._probes = {channel: _Thermometer(channel) for channel in channels}
        self.radio = in_loop(self._begin()).result()

    def settings(self, **changes: Any) -> tuple[SimulatedSettings, ...]:
        """How to reach each of them, and `changes` to that."""
        return tuple(
            SimulatedSettings("ble", ADDRESSES[each], each, probe.profile, radio=self.radio, **changes)
            for each, probe in self._probes.items()
        )

    def plug_in(self) -> None:
        """The probes are in range again and make themselves known; does nothing while they are."""
        in_loop(self._each("appear")).result()

    def unplug(self) -> None:
        """The probes are out of range; does nothing while they are."""
        in_loop(self._each("vanish")).result()

    def send(self, channel: str, value: bytes) -> None:
        """This probe has these bytes as its temperature."""
        in_loop(self._send(channel, value)).result()

    def interval_s(self, channel: str) -> int:
        """How often this probe says that it measures."""
        return self._probes[channel].interval_s

    def measures_every(self, channel: str, seconds: int, least_s: int = 1) -> None:
        """From now on this probe says that it measures so often, and takes no less than `least_s`."""
        self._probes[channel].interval_s, self._probes[channel].least_s = seconds, least_s

    def close(self) -> None:
        """Out of range for good."""
        self.unplug()
        in_loop(self._end()).result()

    def _step(self) -> None:
        kitchen = self.kitchen
        felt = {"needle": None if kitchen.fault else kitchen.needle_c + kitchen.noise()}
        if self._age_ms % SLOW_MS == 0:
            felt |= {"vat": kitchen.oil_c + kitchen.noise(), "cabinet": kitchen.cabinet_c + kitchen.noise()}
        in_loop(self._tell(felt)).result()

    async def _begin(self) -> BumbleRadio:
        for probe in self._probes.values():
            await probe.begin(self.link, self._asked)
        self._radio_device = await powered(self.link, "radio", RADIO)
        return BumbleRadio(self._radio_device)

    async def _end(self) -> None:
        for probe in self._probes.values():
            await probe.device.power_off()
        await self._radio_device.power_off()

    async def _each(self, what: str) -> None:
        for probe in self._probes.values():
            await getattr(probe, what)()

    async def _tell(self, felt: dict[str, float | None]) -> None:
        for channel, temp_c in felt.items():
            if channel in self._probes and channel not in self.quiet:
                stamp = CLOCK + timedelta(milliseconds=self._age_ms)
                await self._send(channel, measurement(temp_c, stamp) if channel == "needle" else temperature(temp_c))

    async def _send(self, channel: str, value: bytes) -> None:
        self.sent += await self._probes[channel].tell(value)

    def _asked(self) -> None:
        self.sent += 1


class _Thermometer:
    """One probe."""

    def __init__(self, channel: str) -> None:
        self.channel = channel
        self.profile = "thermometer" if channel == "needle" else "environment"
        self.interval_s, self.least_s = 1, 1
        """How often it says that it measures, and the least that it takes."""
        self.device: Any = None
        self._value: Any = None
        self._here = False

    async def begin(self, link: Any, asked: Any) -> None:
        b = bumble()
        kinds, readable = b.gatt.Characteristic.Properties, b.gatt.Characteristic.READABLE
        self.device = await powered(link, self.channel, ADDRESSES[self.channel])
        number, kind = (MEASUREMENT, kinds.INDICATE) if self.profile == "thermometer" else (TEMPERATURE, kinds.NOTIFY)
        descriptors = () if self.profile == "thermometer" else (self._measured(), self._triggered())
        self._value = b.gatt.Characteristic(number, kind, readable, b"", descriptors)

        def charge(connection: Any) -> bytes:
            asked()
            return bytes([CHARGE])

        battery = b.gatt.Characteristic(BATTERY, kinds.READ, readable, b.gatt.CharacteristicValue(read=charge))
        self.device.add_service(b.gatt.Service(SERVICES[self.profile], [self._value, *self._intervals()]))
        self.device.add_service(b.gatt.Service("180F", [battery]))
        advertised = [
            (b.core.AdvertisingData.COMPLETE_LOCAL_NAME, self.channel.encode()),
            (
                b.core.AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
                bytes(b.core.UUID(SERVICES[self.profile])),
            ),
        ]
        self.device.advertising_data = bytes(b.core.AdvertisingData(advertised))
        await self.appear()

    def _intervals(self) -> list[Any]:
        """A thermometer's Measurement Interval and its range."""
        if self.profile != "thermometer":
            return []
        b, both = bumble(), bumble().gatt.Characteristic.READABLE | bumble().gatt.Characteristic.WRITEABLE
        kinds = b.gatt.Characteristic.Properties

        def write(connection: Any, data: bytes) -> None:
            self.interval_s = int.from_bytes(data, "little")

        value = b.gatt.CharacteristicValue(read=lambda _: struct.pack("<H", self.interval_s), write=write)
        allowed = b.gatt.AttributeValue(read=lambda _: struct.pack("<HH", self.least_s, 3_600))
        return [
            b.gatt.Characteristic(
                INTERVAL, kinds.READ | kinds.WRITE, both, value, [b.gatt.Descriptor(RANGE, both, allowed)]
            )
        ]

    def _measured(self) -> Any:
        """An ES Measurement: flags, sampling function, period, update interval, application, uncertainty."""
        b = bumble()

        def read(connection: Any) -> bytes:
            every = self.interval_s.to_bytes(3, "little")
            return struct.pack("<HB3s3sBB", 0, 1, every, every, 1, 0xFF)

        return b.gatt.Descriptor(ES_MEASUREMENT, b.gatt.Characteristic.READABLE, b.gatt.AttributeValue(read=read))

    def _triggered(self) -> Any:
        """An ES Trigger Setting."""
        b, both = bumble(), bumble().gatt.Characteristic.READABLE | bumble().gatt.Characteristic.WRITEABLE

        def write(connection: Any, data: bytes) -> None:
            if data[0] == FIXED:
                self.interval_s = int.from_bytes(data[1:4], "little")

        def read(connection: Any) -> bytes:
            return trigger(self.interval_s)

        return b.gatt.Descriptor(ES_TRIGGER, both, b.gatt.AttributeValue(read=read, write=write))

    async def appear(self) -> None:
        if not self._here:
            self._here = True
            await self.device.start_advertising(auto_restart=True, advertising_interval_min=INTERVAL_MS)

    async def vanish(self) -> None:
        if self._here:
            self._here = False
            await self.device.stop_advertising()
            for connection in list(self.device.connections.values()):
                await connection.disconnect()

    async def tell(self, value: bytes) -> int:
        """To how many."""
        reached, device = 0, self.device
        tell = device.indicate_subscriber if self.profile == "thermometer" else device.notify_subscriber
        for connection in list(device.connections.values()):
            subscribed = device.gatt_server.subscribers.get(connection, {}).get(self._value.handle)
            if subscribed and any(subscribed):
                with suppress(asyncio.CancelledError):  # it hung up before it confirmed; bumble would wait on
                    await connection.cancel_on_disconnection(tell(connection, self._value, value))
                    reached += 1
        return reached


def measurement(value: float | None, stamp: datetime | None = None, unit: str = "C") -> bytes:
    """A Temperature Measurement of `value` in `unit` ("C" or "F"); NaN where there is none."""
    flags = (STAMPED if stamp else 0) | (FAHRENHEIT if unit == "F" else 0)
    word = next(iter(SPECIAL)) if value is None else round(value * 100) & 0xFFFFFF | 0xFE << 24
    time = struct.pack("<H5B", *stamp.timetuple()[:6]) if stamp else b""
    return struct.pack("<BI", flags, word) + time


def temperature(temp_c: float | None) -> bytes:
    """A Temperature of environmental sensing."""
    return struct.pack("<H", UNKNOWN) if temp_c is None else struct.pack("<h", round(temp_c * 100))
