"""Driver: any probe. Raw bytes from its source, through its reader and channels, to events. It decides nothing.

One class for all kinds of probes; what differs is the settings, from which source and reader come.
"""

import logging
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Protocol

from recorder.clock import Clock
from recorder.core.events import CABINET, NEEDLE, cabinet_channel, vat_channel
from recorder.driver import Put
from recorder.misfits import Wrong, choice
from recorder.probes.channels import Channels
from recorder.probes.pace import SLOWEST_NEEDLE_MS
from recorder.probes.source import Chunk, Found, Reader, Source
from recorder.thermal.response import slowed

if TYPE_CHECKING:
    from recorder.probes.kinds import Detection, Search

log = logging.getLogger(__name__)

LONGEST_S = 86_400.0
"""Longest of any time in a probe's settings."""

FASTEST_BAUD = 20_000_000

CHANNELS = (NEEDLE, CABINET, "vat", *map(vat_channel, range(1, 10)), *map(cabinet_channel, range(1, 10)))
"""What a probe can measure, as the configuration writes it; "vat" is the same as "vat1"."""


class ProbeSettings(Protocol):
    """One [[probe]] of the configuration."""

    @classmethod
    def detect(cls, search: "Search") -> "Detection | None":
        """Where probes of this kind would be looked for; None where they can't be, or `search` does not allow it."""
        ...

    @property
    def driver(self) -> str:
        """Its name in `kinds.PROBES`."""
        ...

    @property
    def silence_s(self) -> float:
        """A channel that says nothing for this long is lost."""
        ...

    @property
    def period_s(self) -> float:
        """A channel that stays level is recorded this often."""
        ...

    def title(self) -> str:
        """For logs: "serial /dev/ttyACM0"."""
        ...

    def url(self) -> str:
        """How it is named to `batch-recorder probe`."""
        ...

    def names(self) -> tuple[str, ...]:
        """The channels, as events name them; none: whatever the device speaks of."""
        ...

    def reader(self) -> Reader:
        """A fresh reader."""
        ...

    def faster(self) -> str:
        """What to do where it measures too seldom, as a sentence."""
        ...

    def source(self, clock: Clock) -> Source:
        """The device, not yet opened."""
        ...


class Probe:
    """Reads one device until it is stopped; keeps what its channels are like from one run to the next."""

    def __init__(
        self,
        settings: ProbeSettings,
        clock: Clock,
        source: Source | None = None,
        look: Callable[[int, Found], None] = lambda at_ms, found: None,
        lag_s: float | None = None,
    ) -> None:
        """`source` in place of the settings' own; `look` is shown all that is found, before it is thinned.

        `lag_s`: the needle's own, if it is known.
        """
        self.name = settings.title()
        self.reader = settings.reader()
        self.bytes_read = 0
        self.ended = 0
        """Messages of all kinds that have come and whose events are put, over all runs."""
        self.listening = threading.Event()
        """Set while the device is open."""
        self._source = source or settings.source(clock)
        self._faster = settings.faster()
        self._warned: set[str] = set()
        self._look = look
        self._about: dict[str, str] = {}
        self._channels = Channels(settings.names(), settings.silence_s, settings.period_s, lag_s)
        self._clock = clock

    def run(self, put: Put, stop: threading.Event) -> None:
        """Emit `Reading`, `ProbeLost`, `ProbeBack` and `ProbeCharge` until `stop`; raises `DriverLost` when it goes."""
        try:
            for chunk in self._source.chunks(stop):
                if not self.listening.is_set():
                    self.reader.reopened()
                    self._channels.begin(self._clock.now_ms())
                    self.listening.set()
                self._take(chunk, put)
        except Exception as error:
            self._channels.gone(getattr(error, "reason", "driver failed"), self._clock.now_ms(), put)
            raise
        finally:
            self.listening.clear()

    def names(self) -> tuple[str, ...]:
        """The channels that it has, as far as it is known."""
        return self._channels.names()

    @property
    def late(self) -> int:
        """Messages that were not used, since they were measured before something that is known already."""
        return self._channels.late

    def paced(self) -> bool:
        """Whether it is known how often the needle is measured, if there is one."""
        return self._channels.paced()

    def slow(self) -> str:
        """That the needle is measured too seldom to settle, and what to do; "" where it is not."""
        if self._channels.slow_ms is None:
            return ""
        return (
            f"the needle is measured every {self._channels.slow_ms / 1000:.1f} s; less often than every"
            f" {SLOWEST_NEEDLE_MS / 1000:g} s it can't settle, and no check reads it. {self._faster}"
        )

    def lag_s(self) -> float | None:
        """The needle's lag, as the newest bath showed it or as it was given; None if it is not known."""
        lags_s = self._channels.lags_s()
        return lags_s[1] if lags_s else None

    def slowed(self) -> str:
        """That the needle has become slow, and what to do; "" where it has not, or where that is not known."""
        lags_s = self._channels.lags_s()
        if lags_s is None or not slowed(*lags_s):
            return ""
        return (
            f"the needle has become slow: its lag in the bath was {lags_s[0]:.1f} s and is {lags_s[1]:.1f} s. Stir the"
            " bath and check it again; if it stays slow, replace the needle."
        )

    def _take(self, chunk: Chunk | None, put: Put) -> None:
        at_ms = self._clock.now_ms()
        if chunk:
            found = self.reader.read(chunk)
            for each in found:
                self._look(at_ms, each)
            self._channels.take(found, at_ms, put)
        self._channels.watch(at_ms, put)
        for what, said in (("seldom", self.slow()), ("slow", self.slowed())):
            if said and what not in self._warned:
                self._warned.add(what)
                log.warning("%s: %s", self.name, said)
        if chunk:
            self.bytes_read += len(chunk.data)
            self.ended = self.reader.good + self.reader.bad.total() + self.reader.notes
            if self.reader.about != self._about:
                self._about = dict(self.reader.about)
                log.info("%s says: %s", self.name, ", ".join(f"{key} {words}" for key, words in self._about.items()))


def outside(settings: object, **most: float) -> Iterator[Wrong]:
    """Those fields of `settings` that are not above 0, or are above what stands here for them."""
    for name, highest in most.items():
        if not 0 < (value := getattr(settings, name)) <= highest:
            yield name, f"is {value:g}; write more than 0 and at most {highest:.12g}"


def strange(key: str, channels: Iterable[str]) -> Iterator[Wrong]:
    """Those of `channels` that there are not; `key` is where they are written."""
    for channel in channels:
        if channel not in CHANNELS:
            yield key, f"has {choice(channel, CHANNELS).removeprefix('is ')}"


def named(channel: str) -> str:
    """The channel as events name it; raises `ValueError` for one that there is not."""
    if channel not in CHANNELS:
        raise ValueError(f"channel {channel!r} is none of {', '.join(CHANNELS)}")
    return "vat1" if channel == "vat" else channel
