"""When a needle has come to rest, and at what temperature. Pure; time is an argument. It knows no limit and no piece.

**Still.** Over a window there are enough samples, their spread is small, and the straight line through them is nearly
level. With a first-order lag of time constant tau the rest of the way is slope times tau, so a slow needle is called
still too soon: from below it then reads low, which is the careful side. From above it would read high, so a fall has
to prove itself over a window twice as long and half as steep.

**A spot.** A resting place counts as a new spot when the needle came to it by clear movement (more than `MOVED_C`
within `RISE`'s window), upwards or to something hot (`FLOOR_C` or more). Up to something cool it must be a plunge
(`PLUNGE_C` within that window, at most `PLUNGE_MS` before it was still). So a needle that cools in air or lies on the
table is in no spot, but a raw piece is found. A slow drift up, as of a piece that is still warming, stays in its spot;
a slow drift down leaves it for none. A rest whose beginning was not seen, at the start or after a gap, is no spot.

**What it can't do.** It needs a sample a second or more. Noise counts as movement and as slope: beyond 0.3 °C (standard
deviation) or with a resolution of 1 °C it finds its rests late or by luck. A cold needle that warms up in a draught
looks like a plunge into something cool. How well it does is measured in tests/test_settle.py.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median


@dataclass(frozen=True, slots=True)
class Stillness:
    """What counts as still."""

    window_ms: int
    slope_c_per_s: float
    """Most that the line through the samples may rise or fall."""


RISE = Stillness(4_000, 0.06)
FALL = Stillness(8_000, 0.03)
LEAST_SAMPLES = 4
SPREAD_C = 0.8
"""Most that the samples of a still window may differ."""
MOVED_C = 3.0
"""So much within a window is clear movement; so far from where it rested, the needle is at rest no longer."""
FLOOR_C = 45.0
"""Air and table are below this, also beside a fryer (common practice, no source)."""
PLUNGE_C = 5.0
PLUNGE_MS = 20_000

Samples = Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Rest:
    """The needle rests in a spot."""

    spot: int
    """Counts the spots, from 1."""
    temp_c: float
    """The average of the newest two seconds."""


class Settling:
    """Judges one needle, sample by sample."""

    def __init__(self) -> None:
        self.spot = 0
        """The newest spot; it only ever rises."""
        self.interrupted()

    def interrupted(self) -> None:
        """The needle was not seen for a while: what it did meanwhile is unknown, and so is the rest that it is in."""
        self._newest: deque[float] = deque(maxlen=3)
        self._samples: deque[tuple[int, float]] = deque()
        self._rest_c: float | None = None
        """Where it is at rest, in a spot or not; None while it moves."""
        self._in_spot = False
        self._moved: Stillness | None = None
        """How it last moved clearly since it was at rest: by a `RISE`, by a `FALL` or not at all."""
        self._plunged_ms: int | None = None
        """When it last rose fast since it was at rest."""

    def feed(self, at_ms: int, temp_c: float) -> Rest | None:
        """The rest that the needle is in after this sample; None while it moves or is in no spot.

        `at_ms` must not be before the last one. A single sample far from its neighbours is not believed.
        """
        if self._samples and at_ms - self._samples[-1][0] > RISE.window_ms:
            self.interrupted()
        self._newest.append(temp_c)
        self._samples.append((at_ms, median(self._newest)))
        while self._samples[0][0] < at_ms - FALL.window_ms:
            self._samples.popleft()
        window = self._last(RISE.window_ms)
        self._watch(at_ms, [value for _, value in window])
        if not _still(window, RISE):
            return None
        level_c = fmean(value for _, value in self._last(RISE.window_ms // 2))
        if self._rest_c is None and not self._arrived(at_ms, level_c):
            return None
        self._rest_c, self._moved, self._plunged_ms = level_c, None, None
        return Rest(self.spot, level_c) if self._in_spot else None

    def _last(self, length_ms: int) -> Samples:
        begin_ms = self._samples[-1][0] - length_ms
        return [sample for sample in self._samples if sample[0] >= begin_ms]

    def _watch(self, at_ms: int, values: Sequence[float]) -> None:
        """Notice movement."""
        newest, lowest, highest = values[-1], min(values), max(values)
        if highest - newest > MOVED_C:
            self._moved = FALL
        elif newest - lowest > MOVED_C:
            self._moved = RISE
        if newest - lowest >= PLUNGE_C:
            self._plunged_ms = at_ms
        if self._rest_c is not None and abs(newest - self._rest_c) > MOVED_C:
            self._in_spot = self._in_spot and self._moved is None and newest > self._rest_c
            self._rest_c = None

    def _arrived(self, at_ms: int, level_c: float) -> bool:
        """Whether it came to rest, at `level_c`; and if so, whether that is a new spot, the same as before, or none."""
        if self._moved is FALL and not _still(self._last(FALL.window_ms), FALL):
            return False
        plunged = self._plunged_ms is not None and at_ms - self._plunged_ms <= PLUNGE_MS
        if self._moved and (level_c >= FLOOR_C or (self._moved is RISE and plunged)):
            self.spot += 1
            self._in_spot = True
        return True


def _still(samples: Samples, stillness: Stillness) -> bool:
    span_ms = samples[-1][0] - samples[0][0]
    if len(samples) < LEAST_SAMPLES or span_ms < stillness.window_ms * 3 // 4:
        return False
    values = [value for _, value in samples]
    return max(values) - min(values) <= SPREAD_C and abs(_slope(samples)) <= stillness.slope_c_per_s


def _slope(samples: Samples) -> float:
    """Least-squares slope, °C per second; the samples must span some time."""
    mean_ms, mean_c = fmean(at for at, _ in samples), fmean(value for _, value in samples)
    over = sum((at - mean_ms) * (value - mean_c) for at, value in samples)
    return 1000 * over / sum((at - mean_ms) ** 2 for at, _ in samples)
