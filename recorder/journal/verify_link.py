"""When no broker was reached, as far as the journal says so surely: nothing was sent then."""

from bisect import bisect_right
from typing import Any

from recorder.core.events import Event, LinkDown, LinkUp, Started
from recorder.journal.chain import Entry

LINK_SLACK_MS = 15 * 60_000
"""How far the journal may be behind with how the broker is reached: a connection that flaps is reported at most six
times in ten minutes, and what a killed recorder had not written of it yet."""


class Link:
    """When no broker was reached, as far as the journal says so surely."""

    def __init__(self) -> None:
        self._stretches: list[tuple[int, int]] = []
        self._since_ms: int | None = None
        self._last_ms = 0

    def see(self, entry: Entry, event: Event) -> None:
        """The next entry."""
        now_ms = entry.stamp.at_ms
        if isinstance(event, (Started, LinkUp)):
            self._close(self._last_ms if isinstance(event, Started) else now_ms)
        if isinstance(event, (Started, LinkDown)) and self._since_ms is None:
            self._since_ms = now_ms
        self._last_ms = now_ms

    def _close(self, end_ms: int) -> None:
        if self._since_ms is not None and end_ms - self._since_ms > 2 * LINK_SLACK_MS:
            self._stretches.append((self._since_ms + LINK_SLACK_MS, end_ms - LINK_SLACK_MS))
        self._since_ms = None

    def stretches(self) -> list[tuple[int, int]]:
        """From and to, in order, once there are no more entries."""
        self._close(self._last_ms)
        return self._stretches

    @property
    def newest_ms(self) -> int:
        """When the newest entry was written."""
        return self._last_ms

    def down_at(self, at_ms: Any) -> bool:
        """Whether the broker was out of reach at `at_ms`, as the journal has it."""
        at = bisect_right(self._stretches, at_ms, key=lambda stretch: stretch[0]) - 1
        return at >= 0 and at_ms < self._stretches[at][1]
