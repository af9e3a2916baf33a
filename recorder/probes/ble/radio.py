"""What a Bluetooth radio and its connections promise, and the one loop that all of them share. No radio library.

A radio does one thing at a time: it looks for probes, or connects to one; what is connected goes on meanwhile. It looks
for all probes that are missing together, in short slots, so that one that is not there keeps no other waiting.
"""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from dataclasses import dataclass
from functools import cache
from typing import Any, Protocol, TypeVar
from weakref import WeakKeyDictionary

from recorder.driver import DriverLost, DriverUnavailable

T = TypeVar("T")

SERVICES = {"thermometer": "1809", "environment": "181A"}
"""Profile, as the configuration writes it -> its service: Health Thermometer, Environmental Sensing."""

SLOT_S = 2.0
"""The radio looks for so long at a time; what was found is connected to between two slots."""

ANSWER_S = 5.0
"""A radio that has not ended its search so long after its time does not answer."""

HAND_OVER_S = 0.01
"""Who was found takes the radio within this."""

UNPAIRED = ("insufficient", "authenticat", "notauthorized", "not authorized", "notpaired", "not paired")
"""Words by which radios say that a probe wants to be paired first (ATT errors 05, 08, 0C and 0F hex, M)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A probe in range."""

    address: str
    name: str
    """As it calls itself; "" where it does not."""
    profile: str
    """One of `SERVICES`."""
    private: bool = False
    """Whether its address is one that changes by and by."""


class Link(Protocol):
    """A connection to one probe. Characteristics and descriptors are named by their four digits, such as "2A1C"."""

    lost: asyncio.Event
    """Set when the connection has gone."""

    def has(self, characteristic: str) -> bool:
        """Whether the probe has it."""
        ...

    def tells(self, characteristic: str) -> bool:
        """Whether it sends its value by itself, by notifications or indications."""
        ...

    def writes(self, characteristic: str) -> bool:
        """Whether it may be written."""
        ...

    async def subscribe(self, characteristic: str, heard: Callable[[bytes], None]) -> None:
        """From now on `heard` is given each value."""
        ...

    async def read(self, characteristic: str) -> bytes:
        """Its value now."""
        ...

    async def write(self, characteristic: str, data: bytes) -> None: ...

    async def describe(self, characteristic: str, descriptor: str) -> bytes | None:
        """The descriptor's value; None where there is none."""
        ...

    async def redescribe(self, characteristic: str, descriptor: str, data: bytes) -> None:
        """Write the descriptor."""
        ...

    async def close(self) -> None: ...


class Radio(Protocol):
    """What finds probes and connects to them. Used in the one loop; raises `DriverLost` and `DriverUnavailable`."""

    async def nearby(self, seconds: float) -> list[Seen]:
        """The probes that make themselves known meanwhile."""
        ...

    async def held(self, address: str) -> bool:
        """Whether there is a connection to it already, of a recorder that was killed; it makes itself known no more."""
        ...

    async def seek(self, wanted: Callable[[str], bool], seconds: float) -> list[str]:
        """The addresses that are `wanted` and make themselves known; as soon as there is one, or none after so long."""
        ...

    async def connect(self, address: str, timeout_s: float) -> Link:
        """A fresh connection to one that `seek` or `held` has found; raises `DriverLost` when there is none in time."""
        ...


class Turns:
    """Who has a radio: one that connects, or the search for all that are missing."""

    def __init__(self, radio: Radio) -> None:
        self.busy = asyncio.Lock()
        """Held by who has it."""
        self._radio = radio
        self._waiting: list[tuple[str, asyncio.Future[None]]] = []
        self._search: asyncio.Task[None] | None = None

    async def seek(self, address: str, seconds: float) -> None:
        """Wait until it makes itself known; raises `DriverLost` when it does not."""
        mine = (address, asyncio.get_running_loop().create_future())
        self._waiting.append(mine)
        if self._search is None or self._search.done():
            self._search = asyncio.create_task(self._searching())
        try:
            await asyncio.wait_for(mine[1], seconds)
        except TimeoutError as error:
            raise DriverLost("out of range", f"{address} does not make itself known{_hint(address)}") from error
        finally:
            if mine in self._waiting:
                self._waiting.remove(mine)

    async def _searching(self) -> None:
        try:
            while self._waiting:
                async with self.busy, asyncio.timeout(SLOT_S + ANSWER_S):
                    found = await self._radio.seek(self._wanted, SLOT_S)
                for address, here in self._waiting:
                    if address in found and not here.done():
                        here.set_result(None)
                await asyncio.sleep(HAND_OVER_S)
        except (DriverLost, DriverUnavailable, TimeoutError) as error:
            for _, here in self._waiting:
                if not here.done():
                    here.set_exception(error)

    def _wanted(self, address: str) -> bool:
        return any(each == address for each, _ in self._waiting)


async def connected(radio: Radio, address: str, seconds: float) -> Link:
    """A fresh connection to the probe of this address (capital letters), looked for where it has to be."""
    turns = turns_of(radio)
    if not await radio.held(address):
        await turns.seek(address, seconds)
    async with turns.busy:
        return await radio.connect(address, seconds / 2)


def turns_of(radio: Radio) -> Turns:
    """Who has this radio."""
    turns = _TURNS.get(radio)
    if turns is None:
        turns = _TURNS[radio] = Turns(radio)
    return turns


_TURNS: "WeakKeyDictionary[Radio, Turns]" = WeakKeyDictionary()


def private(address: str) -> bool:
    """Whether a random address is one that changes: its two highest bits are 00 or 01 (Core Specification, M)."""
    return int(address[:2], 16) >> 6 in (0, 1)


def _hint(address: str) -> str:
    """What else it may be."""
    if not private(address):
        return ""
    return "; if its address is a private one, it has changed: pair it once, see batch-recorder probes"


def refusal(error: object) -> str | None:
    """What to do where a probe has refused something, if `error` says that it wants to be paired."""
    text = str(error).lower()
    if not any(word in text for word in UNPAIRED):
        return None
    return f"{error}; it wants to be paired once: bluetoothctl, then pair ADDRESS and trust ADDRESS"


def in_loop(work: Coroutine[Any, Any, T]) -> Future[T]:
    """Do this in the one loop."""
    return asyncio.run_coroutine_threadsafe(work, _loop())


@cache
def _loop() -> asyncio.AbstractEventLoop:
    loop = asyncio.new_event_loop()
    threading.Thread(target=loop.run_forever, name="bluetooth", daemon=True).start()
    return loop
