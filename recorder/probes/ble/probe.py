"""Bluetooth LE probes by the SIG's profiles: the settings, and a probe as a source of values. No radio library.

All probes share one asyncio loop in one thread for the life of the process, and one radio.
"""

import asyncio
import logging
import queue
import re
import threading
from collections.abc import Awaitable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, partial
from typing import TypeVar

from recorder.clock import Clock
from recorder.core.events import NEEDLE
from recorder.driver import DriverLost
from recorder.misfits import Wrong, choice, refuse
from recorder.probes.ble.gatt import BATTERY, INTERMEDIATE, MEASUREMENT, TEMPERATURE, GattReader
from recorder.probes.ble.intervals import LONGEST_S as LONGEST_INTERVAL_S
from recorder.probes.ble.intervals import paced
from recorder.probes.ble.radio import SERVICES, Link, Radio, Seen, connected, in_loop, turns_of
from recorder.probes.kinds import Detection, Offer, Search
from recorder.probes.probe import LONGEST_S, named, outside, strange
from recorder.probes.source import READ_S, Chunk
from recorder.probes.thinning import PERIOD_MS

T = TypeVar("T")

log = logging.getLogger(__name__)

VALUES = {"thermometer": (MEASUREMENT, INTERMEDIATE), "environment": (TEMPERATURE,)}
"""Profile -> the characteristics that carry its temperatures; the first must be there."""

CONNECT_S = 15.0
"""Longest for finding a probe; connecting to it may take half of that."""

MUTE_S = 60.0
"""A connection that has brought nothing for so long is given up: the probe may be gone without the radio's knowing."""

ANSWER_S = 15.0
"""Longest for the answer to a question; a radio itself may wait for ever."""

CLOSE_S = 0.5
"""A stop waits so long for the connection's end."""

ASK_S = 1.0
"""An environmental probe that sends nothing by itself is asked this often."""


PRIVATE = (
    ". Its address is a private one, which changes: pair it once (bluetoothctl, then pair ADDRESS and trust ADDRESS),"
    " look again, and write the address that is shown then. One that can't be paired can't be used"
)


@dataclass(frozen=True, slots=True)
class BleSettings:
    """One probe."""

    driver: str
    """Its name in `kinds.PROBES`: "ble"."""
    address: str
    """Its Bluetooth address, such as "00:11:22:33:44:55"."""
    channel: str = NEEDLE
    """What it measures: "needle", "cabinet", "cabinet1" to "cabinet9", "vat" (that is "vat1"), "vat2" to "vat9"."""
    profile: str = "thermometer"
    """ "thermometer" (Health Thermometer, 0x1809) or "environment" (Environmental Sensing, 0x181A)."""
    silence_s: float = 10.0
    """Without a value for this long it is lost."""
    period_s: float = PERIOD_MS / 1000
    """A channel that stays level is recorded this often."""
    interval_s: int | None = None
    """The probe is asked to measure this often, in whole seconds, where it lets itself be asked; 0: it is left alone.

    Where this is not given, a needle is asked for 1 s, and any other probe is left alone.
    """

    def __post_init__(self) -> None:
        refuse(self._wrong())

    def _wrong(self) -> Iterator[Wrong]:
        yield from strange("channel", [self.channel])
        if not re.fullmatch(r"([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}", self.address):
            yield "address", f'is {self.address!r}; write it like "00:11:22:33:44:55"'
        if self.profile not in SERVICES:
            yield "profile", choice(self.profile, SERVICES)
        if self.interval_s is not None and not 0 <= self.interval_s <= LONGEST_INTERVAL_S:
            yield "interval_s", f"is {self.interval_s}; write whole seconds, 0 to {LONGEST_INTERVAL_S}"
        yield from outside(self, silence_s=LONGEST_S, period_s=LONGEST_S)

    @classmethod
    def detect(cls, search: Search) -> Detection | None:
        """The probes in range that make themselves known meanwhile."""
        return Detection("Bluetooth", lambda: list(map(_offer, nearby(search.radio_s)))) if search.radio_s > 0 else None

    def title(self) -> str:
        """For logs."""
        return f"ble {self.address}"

    def url(self) -> str:
        """As a probe's URL."""
        return f"ble:{self.address}?profile={self.profile}&channel={self.channel}"

    def wanted_s(self) -> int | None:
        """How often the probe is asked to measure; None: it is left alone."""
        if self.interval_s is None:
            return 1 if named(self.channel) == NEEDLE else None
        return self.interval_s or None

    def names(self) -> tuple[str, ...]:
        """The channel, as events name it."""
        return (named(self.channel),)

    def reader(self) -> GattReader:
        """A fresh reader of this probe's values."""
        return GattReader(named(self.channel))

    def faster(self) -> str:
        """What to do where it measures too seldom."""
        return "Write interval_s = 1, or take a probe that measures every second."

    def source(self, clock: Clock) -> "BleProbe":
        """The probe, not yet looked for."""
        return BleProbe(self, own_radio())


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
            link = await connected(self._radio, self._settings.address.upper(), CONNECT_S)
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
        if how := await self._answer(paced(link, self._settings.profile, self._settings.wanted_s())):
            log.info("%s %s", self._settings.title(), how)
        if link.has(BATTERY):
            with suppress(DriverLost):
                hear(BATTERY, await self._answer(link.read(BATTERY)))
        while True:
            if not link.tells(needed):
                hear(needed, await self._answer(link.read(needed)))
            elif self._settings.profile == "environment" and now_s() - last_s > self._settings.silence_s / 2:
                with suppress(DriverLost):  # it may send changes only
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
    return in_loop(_looked(radio or own_radio(), seconds)).result()


def _offer(seen: Seen) -> Offer:
    name = (seen.name.strip() or "It gives no name") + (PRIVATE if seen.private else "")
    return Offer(BleSettings("ble", seen.address, profile=seen.profile), (name,))


async def _looked(radio: Radio, seconds: float) -> list[Seen]:
    async with turns_of(radio).busy:
        return await radio.nearby(seconds)


@cache
def own_radio() -> Radio:
    """The board's own."""
    from recorder.probes.ble.bleak_radio import BleakRadio

    return BleakRadio()
