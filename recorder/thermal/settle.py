"""When a needle has come to rest, and at what temperature. Pure; time is an argument.

The rule: over the last `WINDOW_MS` there are enough samples, their spread is small, and the straight line through them
is nearly level. With a first-order lag of time constant tau the rest of the way is slope times tau, so at 0.06 °C/s a
needle of 3 s is within 0.2 °C. A needle that is still rising reads low, which is the careful side for a cook.
"""

from collections import deque
from dataclasses import dataclass
from statistics import fmean

WINDOW_MS = 4_000
LEAST_SAMPLES = 4
SPREAD_C = 0.8
"""Most that the samples of a window may differ."""
SLOPE_C_PER_S = 0.06
"""Most that the line through them may rise or fall."""
MOVED_C = 3.0
"""A needle that reads this far from its resting value, twice in a row, has left its spot."""
REST_BELOW_C = 45.0
"""A needle that fell to a rest below this is out of the food: it cools in air or lies on the table."""


@dataclass(frozen=True, slots=True)
class Rest:
    """The needle rests in a spot."""

    spot: int
    """Counts the spots, from 1."""
    temp_c: float


class Settling:
    """Judges one needle, sample by sample."""

    def __init__(self, spots: int = 0) -> None:
        """`spots` is how many there were before; a probe that was lost goes on counting with a new judge."""
        self.spot = spots
        self._window: deque[tuple[int, float]] = deque()
        self._first = True
        self._resting_c: float | None = None
        """Where it came to rest, in food or not; None while it moves."""
        self._in_food = False
        self._low_c: float | None = None
        """The lowest since the last rest."""
        self._away = 0

    def feed(self, at_ms: int, temp_c: float) -> Rest | None:
        """The rest that the needle is in after this sample, or None while it moves or is not in food.

        A spot counts when the needle rose into it by `MOVED_C` or more (an insertion), or fell into it and is still
        hot (moved to a colder piece). The first rest of all is no spot: nobody knows how it came about.
        """
        self._window.append((at_ms, temp_c))
        while self._window[0][0] < at_ms - WINDOW_MS:
            self._window.popleft()
        if self._resting_c is not None:
            self._leave(temp_c)
        if self._resting_c is None:
            self._low_c = temp_c if self._low_c is None else min(self._low_c, temp_c)
            self._arrive()
        at_rest = self._resting_c is not None and self._away == 0 and self._spread() <= SPREAD_C
        return Rest(self.spot, self._level()) if at_rest and self._in_food else None

    def _leave(self, temp_c: float) -> None:
        assert self._resting_c is not None
        self._away = self._away + 1 if abs(temp_c - self._resting_c) > MOVED_C else 0
        if self._away >= 2:
            self._low_c = min(self._resting_c, temp_c)
            self._resting_c, self._away = None, 0
            while len(self._window) > 2:
                self._window.popleft()

    def _arrive(self) -> None:
        begin_ms, end_ms = self._window[0][0], self._window[-1][0]
        values = [value for _, value in self._window]
        if len(values) < LEAST_SAMPLES or end_ms - begin_ms < 3 * WINDOW_MS // 4:
            return
        if self._spread() > SPREAD_C or abs(_slope(self._window)) > SLOPE_C_PER_S:
            return
        assert self._low_c is not None
        level_c = self._level()
        rose = level_c - self._low_c >= MOVED_C
        self._in_food = rose or (not self._first and level_c >= REST_BELOW_C)
        self._first = False
        self._resting_c = level_c
        if self._in_food:
            self.spot += 1

    def _spread(self) -> float:
        values = [value for _, value in self._window]
        return max(values) - min(values)

    def _level(self) -> float:
        """The newer half of the window, on average."""
        values = [value for _, value in self._window]
        return fmean(values[len(values) // 2 :])


def _slope(window: deque[tuple[int, float]]) -> float:
    """Least-squares slope, °C per second."""
    mean_ms, mean_c = fmean(at for at, _ in window), fmean(value for _, value in window)
    over = sum((at - mean_ms) * (value - mean_c) for at, value in window)
    under = sum((at - mean_ms) ** 2 for at, _ in window)
    return 1000 * over / under if under else 0.0
