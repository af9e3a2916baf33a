"""When a device measured, on our own time line, by the device's own clock. Pure.

A message comes when it was measured or later, never earlier. So the least difference between our time and the device's
belongs to a message that came at once, and what comes with a larger one was held back by the rest.

- **At the start**, and after the device has started again, nothing is known: the first message may have been kept for
  long. It only sets the clock. Messages count from the first that comes `SURE_MS`, or two steps of the device's clock,
  later and in step with it.
- **A clock that jumps ahead of ours** shows that what came before had been kept: it is a new start.
- **A clock that falls back by more than `HELD_MS`** is a new start too: what is held back for so long is stale.
- **A clock that drifts** is followed: the least difference is that of the last one to two `WINDOW_MS`. A slow clock
  dates a message early by its drift in that time: 6 ms at 100 parts in a million, 0.6 s at one in a hundred.
- **A coarse clock**, of whole seconds for example, says nothing finer than its step: what is late by less is of now.
- **A clock that stands or crawls** dates nothing: after two windows, messages count as measured when they come.
"""

from recorder.probes.source import Taken

SURE_MS = 100
"""A store that is emptied all at once takes less than this between two messages."""
HELD_MS = 60_000
"""Longest that a message is held back: as long as a reading counts as fresh."""
WINDOW_MS = 30_000
"""The least difference is that of so long."""
JITTER_MS = 50
"""A message that comes at once may come so much later than another."""
DRIFT = 0.01
"""Worst of a device's clock: a ceramic resonator is within half of this (common practice, no source)."""

CRAWLS = 0.05
"""A clock that loses more than this on ours stands, or the way has become longer; the two look the same."""


class DeviceClock:
    """One device's clock, as its messages show it."""

    def __init__(self) -> None:
        self._run: int | None = None
        self._sure = self._crawls = False
        self._least_ms = 0
        """Least of our time minus the device's."""
        self._since_ms = 0
        self._first_ms = 0
        """`_least_ms` when this window began, at `_since_ms`."""
        self._window_ms = 0
        """Least within this window."""
        self._dated_ms = 0
        """Of the last message."""

    def dated(self, at_ms: int, taken: Taken) -> int | None:
        """When a message that came at `at_ms` was measured; None where that is not known to be about now."""
        ahead_ms = at_ms - taken.ms
        tolerance_ms = taken.grain_ms + JITTER_MS + DRIFT * (at_ms - self._since_ms)
        kept_before = ahead_ms < self._first_ms - tolerance_ms
        if taken.run != self._run or kept_before or ahead_ms > self._least_ms + HELD_MS:
            self._run, self._sure, self._crawls = taken.run, False, False
            self._since_ms = self._dated_ms = at_ms
            self._least_ms = self._first_ms = self._window_ms = ahead_ms
            return None
        self._least_ms = min(self._least_ms, ahead_ms)
        self._window_ms = min(self._window_ms, ahead_ms)
        if not self._sure and at_ms - self._since_ms < max(SURE_MS, 2 * taken.grain_ms):
            return None
        self._sure = True
        lag_ms = ahead_ms - self._least_ms
        prompt = lag_ms <= taken.grain_ms + min(taken.grain_ms, JITTER_MS)
        dated_ms = at_ms if self._crawls or prompt else max(at_ms - lag_ms, self._dated_ms)
        self._dated_ms = dated_ms
        if at_ms - self._since_ms >= WINDOW_MS:
            self._crawls = self._window_ms - self._first_ms > CRAWLS * (at_ms - self._since_ms)
            self._least_ms = self._first_ms = self._window_ms
            self._since_ms, self._window_ms = at_ms, ahead_ms
        return dated_ms
