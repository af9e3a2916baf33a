"""The channels of one device: samples to readings, one loss and one return for each, silence by our own clock.

A channel is also lost while its samples betray a bad contact or a stuck converter (`recorder.thermal.contact`).
"""

from collections.abc import Iterable

from recorder.core.events import NEEDLE, ProbeBack, ProbeCharge, ProbeLost
from recorder.driver import Put
from recorder.probes.device_clock import DeviceClock
from recorder.probes.pace import Pace
from recorder.probes.source import Charge, Doubt, Fault, Found, Sample
from recorder.probes.thinning import LEAST_GAP_MS, Thinning
from recorder.thermal.contact import NEEDLE_STEP_MS, SLOW_STEP_MS, Contact


class Channels:
    """What the channels are like, kept over the device's going and coming."""

    def __init__(self, names: tuple[str, ...], silence_s: float, period_s: float, lag_s: float | None = None) -> None:
        """`names` that are wanted; none: whatever the device speaks of. `lag_s`: the needle's, if it is known."""
        self._lag_s = lag_s
        self._wanted = names
        self._silence_ms, self._period_ms = round(silence_s * 1000), round(period_s * 1000)
        self._thinning: dict[str, Thinning] = {}
        self._contacts: dict[str, Contact] = {}
        self._judged_ms: dict[str, int] = {}
        """When the contact last had a sample; those that follow too soon are passed over."""
        self._open: set[str] = set()
        """Channels whose last message was a fault."""
        self._heard_ms: dict[str, int] = {}
        self._device_clock = DeviceClock()
        self._reported_ms: dict[str, int] = {}
        """To when all is known of a channel: what was measured before that comes too late."""
        self.late = 0
        """Messages that were not used, since they were measured before something that is known already."""
        self._pace = Pace()
        self.slow_ms: int | None = None
        """How far apart the needle's samples are, where it can't settle so."""
        self._lost: set[str] = set()
        self._charge: dict[str, int] = {}
        for name in names:
            self._meet(name)

    def names(self) -> tuple[str, ...]:
        """Those that are wanted or, where none is, that the device has spoken of."""
        return tuple(self._thinning)

    def begin(self, at_ms: int) -> None:
        """The device is there: nothing is known of what was before."""
        self._pace.interrupted()
        for name, thinning in self._thinning.items():
            thinning.interrupted()
            self._contacts[name].interrupted()
            self._judged_ms.pop(name, None)
            self._heard_ms[name] = at_ms

    def take(self, found: Iterable[Found], at_ms: int, put: Put) -> None:
        """Put the events of what was found."""
        for each in found:
            if each.channel not in self._thinning:
                if self._wanted:
                    continue
                self._meet(each.channel)
            measured_ms = self._dated(each, at_ms)
            if measured_ms is None:
                self.late += 1
                continue
            self._take(each, measured_ms, put)
            if isinstance(each, Sample | Fault):
                self._heard_ms[each.channel] = at_ms

    def _take(self, found: Found, at_ms: int, put: Put) -> None:
        """The events of what was measured at `at_ms`."""
        match found:
            case Charge(channel=channel, percent=percent):
                if self._charge.get(channel) != percent:
                    self._charge[channel] = percent
                    put(ProbeCharge(at_ms, channel, percent))
            case Doubt(channel=channel):
                self._contacts[channel].doubted(at_ms)
            case Fault(channel=channel, reason=reason):
                if channel not in self._open:
                    self._open.add(channel)
                    self._contacts[channel].doubted(at_ms)
                self._lose(channel, reason, at_ms, put)
            case Sample(channel=channel, temp_c=temp_c):
                if channel == NEEDLE:
                    self._pace.feed(at_ms)
                self._open.discard(channel)
                if fault := self._fault(channel, at_ms, temp_c):
                    self._lose(channel, fault, at_ms, put)
                else:
                    self._sampled(channel, at_ms, temp_c, put)

    def paced(self) -> bool:
        """Whether it is known how often the needle is measured, if there is one."""
        return NEEDLE not in self._thinning or self._pace.known or self.slow_ms is not None

    def lags_s(self) -> tuple[float, float] | None:
        """The needle's lag, as `Thinning.lags_s` has it; None where there is no needle too."""
        return self._thinning[NEEDLE].lags_s if NEEDLE in self._thinning else None

    def watch(self, at_ms: int, put: Put) -> None:
        """Put the loss of every channel that has said nothing for too long."""
        if NEEDLE not in self._lost:
            self.slow_ms = self._pace.look(at_ms)
        for name, heard_ms in self._heard_ms.items():
            if at_ms - heard_ms >= self._silence_ms:
                self._lose(name, "silent", at_ms, put)

    def gone(self, reason: str, at_ms: int, put: Put) -> None:
        """The device went, and all channels with it."""
        for name in self._thinning:
            self._lose(name, reason, at_ms, put)

    def _dated(self, found: Found, at_ms: int) -> int | None:
        """When it was measured; None where that is not known, or comes too late."""
        taken = None if isinstance(found, Charge) else found.taken
        measured_ms = self._device_clock.dated(at_ms, taken) if taken else at_ms
        if measured_ms is None or measured_ms < self._reported_ms.get(found.channel, measured_ms):
            return None
        if taken:
            self._reported_ms[found.channel] = measured_ms
        return measured_ms

    def _sampled(self, name: str, at_ms: int, temp_c: float, put: Put) -> None:
        if name in self._lost:
            self._lost.remove(name)
            put(ProbeBack(at_ms, name))
        if reading := self._thinning[name].feed(at_ms, temp_c):
            put(reading)

    def _fault(self, name: str, at_ms: int, temp_c: float) -> str:
        """What is wrong with the channel by its samples; "" for nothing."""
        contact = self._contacts[name]
        if at_ms - self._judged_ms.get(name, -LEAST_GAP_MS) < LEAST_GAP_MS:
            return contact.fault
        self._judged_ms[name] = at_ms
        return contact.feed(at_ms, temp_c)

    def _meet(self, name: str) -> None:
        self._contacts[name] = Contact(NEEDLE_STEP_MS if name == NEEDLE else SLOW_STEP_MS)
        self._thinning[name] = Thinning(name, self._period_ms, self._lag_s)

    def _lose(self, name: str, reason: str, at_ms: int, put: Put) -> None:
        """The channel is lost for the first reason that is known, and reported once until it is back."""
        if name not in self._lost:
            self._lost.add(name)
            self._reported_ms[name] = at_ms
            self._thinning[name].interrupted()
            if name == NEEDLE:
                self._pace.interrupted()
            put(ProbeLost(at_ms, name, reason))
