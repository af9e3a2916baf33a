"""A simulated probe: needle, vats and cabinet without a device, for who tries or practises. `driver = "simulated"`.

It speaks the line protocol in real time, so reader, thinning and settling are the real ones. Its temperatures are
invented; each goes to where it is drawn with one lag, as no real piece does (see thermal/NEEDLE.md). A person at the
terminal says where that is: `simulate needle 183`.
"""

import math
import random
import threading
from collections.abc import Iterator
from dataclasses import dataclass

from recorder.clock import Clock
from recorder.core.events import CABINET, NEEDLE
from recorder.core.limits import to_c
from recorder.misfits import Wrong, refuse
from recorder.probes.kinds import Detection, Search
from recorder.probes.probe import LONGEST_S, named, outside, strange
from recorder.probes.serial.frames import SEQUENCE, FramedLines, checksum
from recorder.probes.source import Chunk
from recorder.probes.thinning import PERIOD_MS

AIR_C, OIL_C, CABINET_C = 24.0, 170.0, 66.0
"""Where the needle, the vats and the cabinet begin."""

LAG_S = {NEEDLE: 2.0, CABINET: 60.0}
OIL_LAG_S = 40.0
DIP_C = 20.0
"""How far a load draws the oil down,"""
DIP_LAG_S = 90.0
"""and how long the burner takes to make up for it."""
THROUGH_AIR_S = 4.0
"""How long a needle is out between two pieces."""
NOISE_C = 0.05
STEP_S = 0.5
LOWEST_C, HIGHEST_C = -40.0, 260.0
"""What somebody can ask for."""

PLACES_C = {"air": AIR_C, "ice": 0.0, "boiling": 100.0}
HOW = "simulate CHANNEL TEMPERATURE, or instead of a temperature air, ice, boiling, load, unplugged or plugged"

LOAD, UNPLUGGED, PLUGGED = "load", "unplugged", "plugged"


def _kind(channel: str) -> str:
    """The needle, a cabinet with or without a number, or a vat."""
    return CABINET if channel.startswith(CABINET) else channel


class Body:
    """What one channel measures."""

    def __init__(self, channel: str) -> None:
        self.temp_c = self.goal_c = {NEEDLE: AIR_C, CABINET: CABINET_C}.get(_kind(channel), OIL_C)
        self.plugged = True
        self._needle = channel == NEEDLE
        self._dip_c = 0.0
        self._air_s = 0.0
        self._lag_s = LAG_S.get(_kind(channel), OIL_LAG_S)

    def load(self) -> None:
        """Cold pieces come in."""
        self._dip_c = DIP_C

    def go(self, goal_c: float) -> None:
        """It goes elsewhere; a needle through the air."""
        self.goal_c = goal_c
        self._air_s = THROUGH_AIR_S if self._needle else 0.0

    def pass_time(self, seconds: float) -> None:
        """It goes on towards where it is drawn."""
        drawn_c = AIR_C if self._air_s > 0 else self.goal_c - self._dip_c
        self._air_s -= seconds
        self.temp_c += (drawn_c - self.temp_c) * (1 - math.exp(-seconds / self._lag_s))
        self._dip_c *= math.exp(-seconds / DIP_LAG_S)


class Kitchen:
    """All that simulated probes of this program measure. For any thread."""

    def __init__(self) -> None:
        self._bodies: dict[str, Body] = {}
        self._lock = threading.Lock()

    def measured(self, channel: str, seconds: float) -> float | None:
        """What `channel` measures after `seconds` more, in °C; None while it is unplugged."""
        with self._lock:
            body = self._bodies.setdefault(channel, Body(channel))
            body.pass_time(seconds)
            return body.temp_c if body.plugged else None

    def next_words(self, channel: str) -> tuple[str, ...]:
        """The words that can follow `channel` in `steer` and make sense for it; a temperature can too."""
        with self._lock:
            body = self._bodies.get(channel)
            if body is None:
                return ()
            own = {NEEDLE: tuple(PLACES_C), CABINET: ()}.get(channel, (LOAD,))
            return (*own, UNPLUGGED if body.plugged else PLUGGED)

    def steer(self, words: list[str], unit: str) -> str:
        """Do what `words` say after "simulate"; what became of it. `unit`, "F" or "C", is that of a bare number."""
        if len(words) < 2:
            return HOW
        channel, what = words[0].lower(), words[1].lower()
        with self._lock:
            body = self._bodies.get(named(channel) if channel == "vat" else channel)
            if body is None:
                return f"no simulated probe measures {channel!r}; there are {', '.join(self._bodies) or 'none'}"
            if what in PLACES_C:
                body.go(PLACES_C[what])
            elif what == LOAD:
                body.load()
            elif what in (PLUGGED, UNPLUGGED):
                body.plugged = what == PLUGGED
            else:
                scale = words[2].upper() if len(words) > 2 else unit
                try:
                    goal_c = to_c(float(what), scale)
                except ValueError:
                    return HOW
                if scale not in ("F", "C"):
                    return HOW
                if not LOWEST_C <= goal_c <= HIGHEST_C:
                    return f"{what} °{scale} is no temperature of a kitchen"
                body.go(goal_c)
        return f"{channel}: {' '.join(words[1:])}"


KITCHEN = Kitchen()
"""The one of this program."""


@dataclass(frozen=True, slots=True)
class SimulatedSettings:
    """Simulated probes; no device is opened."""

    driver: str
    """Its name in `kinds.PROBES`: "simulated"."""
    seed: str = "1"
    """Of its noise."""
    channels: tuple[str, ...] = (NEEDLE, "vat", CABINET)
    silence_s: float = 10.0
    """As of a serial probe."""
    period_s: float = PERIOD_MS / 1000
    """As of a serial probe."""

    def __post_init__(self) -> None:
        refuse(self._wrong())

    def _wrong(self) -> Iterator[Wrong]:
        yield from strange("channels", self.channels)
        yield from outside(self, silence_s=LONGEST_S, period_s=LONGEST_S)

    @classmethod
    def detect(cls, search: Search) -> Detection | None:
        """Never: it is nowhere."""
        return None

    def title(self) -> str:
        """For logs."""
        return "simulated probes"

    def url(self) -> str:
        """As a probe's URL."""
        return f"simulated:{self.seed}?channels={','.join(self.channels)}"

    def names(self) -> tuple[str, ...]:
        """The channels, as events name them."""
        return tuple(map(named, self.channels))

    def reader(self) -> FramedLines:
        """A fresh reader of the line protocol."""
        return FramedLines()

    def faster(self) -> str:
        """It measures often enough."""
        return ""

    def source(self, clock: Clock) -> "Simulated":
        """What speaks for the probes."""
        return Simulated(self.names(), self.seed, KITCHEN)


class Simulated:
    """A source: one line of the protocol for each channel, twice a second."""

    def __init__(self, channels: tuple[str, ...], seed: str, kitchen: Kitchen) -> None:
        self._channels, self._kitchen = channels, kitchen
        self._random = random.Random(seed)

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """As `Source` promises; never lost."""
        yield None
        number = 0
        while not stop.wait(STEP_S):
            lines = b"".join(self._line(channel, number) for channel in self._channels)
            number = number + 1 if number < SEQUENCE else 1
            yield Chunk(lines)

    def _line(self, channel: str, number: int) -> bytes:
        temp_c = self._kitchen.measured(channel, STEP_S)
        value = "open" if temp_c is None else f"{temp_c + self._random.gauss(0, NOISE_C):.2f}C"
        said = f"{channel} {number} {value}".encode()
        return said + f" {checksum(said):04X}\n".encode()
