"""Whether a needle is measured often enough to settle. Pure."""

from collections import deque
from itertools import pairwise
from statistics import median

SLOWEST_NEEDLE_MS = 2_000
"""A needle that is measured less often than this never settles (tests/test_pace.py tries it against `Thinning`)."""

GAPS = 3
"""So many gaps between samples are looked at; one alone may be a lost message."""


class Pace:
    """One needle's samples in time."""

    def __init__(self) -> None:
        self._times: deque[int] = deque(maxlen=GAPS + 1)

    def feed(self, at_ms: int) -> int | None:
        """How far apart its samples are, in ms, where that is too far; None where it is not, or not known yet."""
        self._times.append(at_ms)
        times = list(self._times)
        if len(times) <= GAPS:
            return None
        gap_ms = round(median(later - earlier for earlier, later in pairwise(times)))
        return gap_ms if gap_ms > SLOWEST_NEEDLE_MS else None
