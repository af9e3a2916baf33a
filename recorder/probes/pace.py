"""Whether a needle is measured often enough to settle. Pure."""

from collections import deque
from itertools import pairwise
from statistics import median_high

SLOWEST_NEEDLE_MS = 2_000
"""A needle that is measured less often than this never settles: three samples must lie within `settle.RECENT_MS`."""

GAPS = 3
"""So many gaps between samples are looked at; one alone may be a lost message."""


class Pace:
    """One needle's samples in time, while it is not lost."""

    def __init__(self) -> None:
        self._times: deque[int] = deque(maxlen=GAPS + 1)

    def interrupted(self) -> None:
        """The needle was lost: what lies between its samples then is no pace."""
        self._times.clear()

    @property
    def known(self) -> bool:
        """Whether enough samples have come to say."""
        return len(self._times) > GAPS

    def feed(self, at_ms: int) -> None:
        """A sample."""
        self._times.append(at_ms)

    def look(self, now_ms: int) -> int | None:
        """How far apart its samples are, in ms, where that is too far; None where it is not, or not known yet.

        With too few samples to say it is known after `GAPS` gaps of the longest kind, by what has passed of the next.
        """
        times = list(self._times)
        if not times:
            return None
        if not self.known:
            if now_ms - times[0] <= GAPS * SLOWEST_NEEDLE_MS:
                return None
            times.append(now_ms)
        gap_ms = round(median_high(later - earlier for earlier, later in pairwise(times)))
        return gap_ms if gap_ms > SLOWEST_NEEDLE_MS else None
