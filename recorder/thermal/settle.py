"""When a needle has come to rest, and at what temperature. Pure; time is an argument. It knows no limit and no piece.

**Still.** Over the last `WINDOW_MS` there are enough samples, their spread is small, and the straight line through them
is nearly level. With a first-order lag of time constant tau the rest of the way is slope times tau: at 0.06 °C/s a
needle of 3 s has less than 0.2 °C to go. A rising needle so reads low, a falling one high by as much. Noise of 0.3 °C
(standard deviation) or a resolution of 1 °C hides the level: such a needle hardly ever counts as still.

**A spot.** A resting place counts as a new spot when the needle came to it by clear movement (more than `MOVED_C`
within one window) and it is hot (`FLOOR_C` or more), or it is cooler and was reached by a plunge (`PLUNGE_C` up within
one window, at most `PLUNGE_MS` before it was still). So a needle that cools in air or lies on the table is in no spot,
but a raw piece is found. A slow drift, as of a piece that is still warming, stays in its spot. A rest whose beginning
was not seen, at the start or after a gap, is no spot. A cold needle that warms up in a draught looks like a plunge into
something cool.
"""

from collections import deque
from dataclasses import dataclass
from statistics import fmean, median

WINDOW_MS = 4_000
LEAST_SAMPLES = 4
LEAST_SPAN_MS = 3_000
"""A window that reaches less far back is too short to judge."""
SPREAD_C = 0.8
"""Most that the samples of a still window may differ."""
SLOPE_C_PER_S = 0.06
"""Most that the line through them may rise or fall."""
MOVED_C = 3.0
"""So much within a window is clear movement; so far from where it rested, the needle is at rest no longer."""
FLOOR_C = 45.0
"""Air and table are below this, also beside a fryer (common practice, no source)."""
PLUNGE_C = 5.0
PLUNGE_MS = 20_000


@dataclass(frozen=True, slots=True)
class Rest:
    """The needle rests in a spot."""

    spot: int
    """Counts the spots, from 1."""
    temp_c: float
    """The newer half of the window, on average."""


class Settling:
    """Judges one needle, sample by sample."""

    def __init__(self) -> None:
        self.spot = 0
        """The newest spot; it only ever rises."""
        self.interrupted()

    def interrupted(self) -> None:
        """The needle was not seen for a while: what it did meanwhile is unknown, and so is the rest that it is in."""
        self._newest: deque[float] = deque(maxlen=3)
        self._window: deque[tuple[int, float]] = deque()
        self._rest_c: float | None = None
        """Where it is at rest, in a spot or not; None while it moves."""
        self._in_spot = False
        self._moved = False
        """Whether there was clear movement since the last rest."""
        self._plunged_ms: int | None = None
        """When it last rose fast since the last rest."""

    def feed(self, at_ms: int, temp_c: float) -> Rest | None:
        """The rest that the needle is in after this sample; None while it moves or is in no spot.

        `at_ms` must not be before the last one. A single sample far from its neighbours is not believed.
        """
        if self._window and at_ms - self._window[-1][0] > WINDOW_MS:
            self.interrupted()
        self._newest.append(temp_c)
        self._window.append((at_ms, median(self._newest)))
        while self._window[0][0] < at_ms - WINDOW_MS:
            self._window.popleft()
        self._watch(at_ms)
        if not self._still():
            return None
        values = [value for _, value in self._window]
        level_c = fmean(values[len(values) // 2 :])
        if self._rest_c is None:
            self._arrive(at_ms, level_c)
        self._rest_c = level_c
        return Rest(self.spot, level_c) if self._in_spot else None

    def _watch(self, at_ms: int) -> None:
        """Notice movement."""
        newest = self._window[-1][1]
        lowest = min(value for _, value in self._window)
        highest = max(value for _, value in self._window)
        if highest - lowest > MOVED_C:
            self._moved = True
        if newest - lowest >= PLUNGE_C:
            self._plunged_ms = at_ms
        if self._rest_c is not None and abs(newest - self._rest_c) > MOVED_C:
            self._rest_c = None

    def _arrive(self, at_ms: int, level_c: float) -> None:
        """It came to rest at `level_c`: is that a new spot, the same as before, or none?"""
        hot = level_c >= FLOOR_C
        plunged = self._plunged_ms is not None and at_ms - self._plunged_ms <= PLUNGE_MS
        if self._moved and (hot or plunged):
            self.spot += 1
            self._in_spot = True
        elif self._moved or not hot:
            self._in_spot = False
        self._moved, self._plunged_ms = False, None

    def _still(self) -> bool:
        if len(self._window) < LEAST_SAMPLES or self._window[-1][0] - self._window[0][0] < LEAST_SPAN_MS:
            return False
        values = [value for _, value in self._window]
        return max(values) - min(values) <= SPREAD_C and abs(_slope(self._window)) <= SLOPE_C_PER_S


def _slope(window: deque[tuple[int, float]]) -> float:
    """Least-squares slope, °C per second; the window must span some time."""
    mean_ms, mean_c = fmean(at for at, _ in window), fmean(value for _, value in window)
    over = sum((at - mean_ms) * (value - mean_c) for at, value in window)
    return 1000 * over / sum((at - mean_ms) ** 2 for at, _ in window)
