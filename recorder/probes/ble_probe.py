"""Bluetooth LE probes by the SIG's profiles: the settings, and a probe as a source of values. No radio library.

All probes share one asyncio loop in one thread for the life of the process, and one radio. A radio does one thing at a
time: it looks for a probe, or connects; what is connected goes on meanwhile.
"""

import asyncio
import queue
import re
import threading
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, partial
from typing import Any, Protocol, TypeVar

from recorder.clock import Clock
from recorder.core.events import NEEDLE
from recorder.driver import DriverLost
from recorder.probes.gatt import BATTERY, INTERMEDIATE, MEASUREMENT, TEMPERATURE, GattReader
from recorder.probes.probe import LONGEST_S, named, within
from recorder.probes.source import READ_S, Chunk
from recorder.probes.thinning import PERIOD_MS

T = TypeVar("T")

SERVICES = {"thermometer": "1809", "environment": "181A"}
"""Profile, as the configuration writes it -> its service: Health Thermometer, Environmental Sensing."""

VALUES = {"thermometer": (MEASUREMENT, INTERMEDIATE), "environment": (TEMPERATURE,)}
"""Profile -> the characteristics that it tells temperatures by; the first must be there."""

CONNECT_S = 15.0
"""Longest for finding a probe and connecting to it."""

MUTE_S = 60.0
"""A connection that has brought nothing for so long is given up: the probe may be gone without the radio's knowing."""

ANSWER_S = 15.0
"""Longest for the answer to a question; a radio itself may wait for ever."""

CLOSE_S = 0.5
"""A stop waits so long for the connection's end."""

ASK_S = 1.0
"""An environmental probe that does not tell by itself is asked this often."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A probe in range."""

    address: str
    name: str
    """As it calls itself; "" where it does not."""
    profile: str
    """One of `SERVICES`."""


class Link(Protocol):
    """A connection to one probe. Characteristics are named by their four digits, such as "2A1C"."""

    lost: asyncio.Event
    """Set when the connection has gone."""

    def has(self, characteristic: str) -> bool:
        """Whether the probe has it."""
        ...

    def tells(self, characteristic: str) -> bool:
        """Whether it tells its value by itself, by notifications or indications."""
        ...

    async def subscribe(self, characteristic: str, heard: Callable[[bytes], None]) -> None:
        """From now on `heard` is given each value."""
        ...

    async def read(self, characteristic: str) -> bytes:
        """Its value now."""
        ...

    async def close(self) -> None: ...


class Radio(Protocol):
    """What finds probes and connects to them. Used in the one loop; raises `DriverLost` and `DriverUnavailable`."""

    async def nearby(self, seconds: float) -> list[Seen]:
        """The probes that make themselves known meanwhile."""
        ...

    async def connect(self, address: str, timeout_s: float) -> Link:
        """A fresh connection; raises `DriverLost` when there is none in time."""
        ...


@dataclass(frozen=True, slots=True)
class BleSettings:
    """One probe."""

    driver: str
    """Its name in `recorder/driver.py`'s table: "ble"."""
    address: str
    """Its Bluetooth address, such as "00:11:22:33:44:55"."""
    channel: str = NEEDLE
    """What it measures: "needle", "cabinet", "vat" (the same as "vat1"), "vat2" to "vat9"."""
    profile: str = "thermometer"
    """ "thermometer" (Health Thermometer, 0x1809) or "environment" (Environmental Sensing, 0x181A)."""
    silence_s: float = 10.0
    """Without a value for this long it is lost."""
    period_s: float = PERIOD_MS / 1000
    """A channel that stays level is recorded this often."""

    def __post_init__(self) -> None:
        named(self.channel)
        if not re.fullmatch(r"([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}", self.address):
            raise ValueError(f'address is {self.address!r}; write it like "00:11:22:33:44:55"')
        if self.profile not in SERVICES:
            raise ValueError(f"profile is {self.profile!r}; write one of {', '.join(SERVICES)}")
        within("silence_s", self.silence_s, LONGEST_S)
        within("period_s", self.period_s, LONGEST_S)

    def title(self) -> str:
        """For logs."""
        return f"ble {self.address}"

    def url(self) -> str:
        """As a probe's URL."""
        return f"ble:{self.address}?profile={self.profile}&channel={self.channel}"

    def names(self) -> tuple[str, ...]:
        """The channel, as events name it."""
        return (named(self.channel),)

    def reader(self) -> GattReader:
        """A fresh reader of this probe's values."""
        return GattReader(named(self.channel))

    def source(self, clock: Clock) -> "BleProbe":
        """The probe, not yet looked for."""
        from recorder.probes.bleak_radio import BleakRadio

        return BleProbe(self, BleakRadio())


class BleProbe:
    """A source: the values of one probe."""

    def __init__(self, settings: BleSettings, radio: Radio) -> None:
        self._settings, self._radio = settings, radio

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """As `Source` promises; lost for what the radio says, "disconnected", "mute" or "not of its profile"."""
        heard: queue.SimpleQueue[Chunk | None] = queue.SimpleQueue()
        closed = threading.Event()
        session = in_loop(self._session(heard, closed))
        is_open = False
        try:
            while not stop.is_set():
                with suppress(queue.Empty):
                    chunk = heard.get(timeout=READ_S)
                    is_open = True
                    yield chunk
                    continue
                if session.done():
                    session.result()
                if is_open:
                    yield None
        finally:
            session.cancel()
            closed.wait(CLOSE_S)

    async def _session(self, heard: "queue.SimpleQueue[Chunk | None]", closed: threading.Event) -> None:
        """One connection from its beginning to its end. None in `heard`: it is open."""
        try:
            async with _BUSY:
                link = await self._radio.connect(self._settings.address, CONNECT_S)
            try:
                await self._listen(link, heard)
            finally:
                with suppress(DriverLost):
                    await self._answer(link.close())
        finally:
            closed.set()

    async def _listen(self, link: Link, heard: "queue.SimpleQueue[Chunk | None]") -> None:
        needed, *more = VALUES[self._settings.profile]
        if not link.has(needed):
            raise DriverLost("not of its profile", f"{self._settings.address} has no characteristic {needed}")
        now_s = asyncio.get_running_loop().time
        last_s = now_s()

        def hear(where: str, data: bytes) -> None:
            nonlocal last_s
            last_s = last_s if where == BATTERY else now_s()
            heard.put(Chunk(bytes(data), where))

        if link.tells(needed):
            await self._answer(link.subscribe(needed, partial(hear, needed)))
        for each in (*more, BATTERY):
            if link.has(each) and link.tells(each):
                with suppress(DriverLost):  # what is refused beside the temperature costs nothing
                    await self._answer(link.subscribe(each, partial(hear, each)))
        heard.put(None)
        if link.has(BATTERY):
            with suppress(DriverLost):
                hear(BATTERY, await self._answer(link.read(BATTERY)))
        while True:
            if not link.tells(needed):
                hear(needed, await self._answer(link.read(needed)))
            elif self._settings.profile == "environment" and now_s() - last_s > self._settings.silence_s / 2:
                with suppress(DriverLost):  # it may tell changes only
                    hear(needed, await self._answer(link.read(needed)))
            with suppress(TimeoutError):
                await asyncio.wait_for(link.lost.wait(), ASK_S)
                raise DriverLost("disconnected")
            if now_s() - last_s > MUTE_S:
                raise DriverLost("mute", f"{self._settings.address} has said nothing for {MUTE_S:.0f} s")

    async def _answer(self, work: Awaitable[T]) -> T:
        """Raises `DriverLost` when there is none in time."""
        try:
            return await asyncio.wait_for(work, ANSWER_S)
        except TimeoutError as error:
            raise DriverLost("mute", f"{self._settings.address} has not answered for {ANSWER_S:.0f} s") from error


def nearby(seconds: float, radio: Radio | None = None) -> list[Seen]:
    """The probes in range that make themselves known meanwhile; raises `DriverLost`, `DriverUnavailable`."""
    if radio is None:
        from recorder.probes.bleak_radio import BleakRadio

        radio = BleakRadio()
    return in_loop(_looked(radio, seconds)).result()


async def _looked(radio: Radio, seconds: float) -> list[Seen]:
    async with _BUSY:
        return await radio.nearby(seconds)


_BUSY = asyncio.Lock()


def in_loop(work: Coroutine[Any, Any, T]) -> Future[T]:
    """Do this in the one loop."""
    return asyncio.run_coroutine_threadsafe(work, _loop())


@cache
def _loop() -> asyncio.AbstractEventLoop:
    loop = asyncio.new_event_loop()
    threading.Thread(target=loop.run_forever, name="bluetooth", daemon=True).start()
    return loop
