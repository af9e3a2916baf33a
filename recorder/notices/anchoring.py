"""Tells the chain's newest head off the device, so that a subscriber has what a later change can't agree with."""

from collections.abc import Callable
from typing import Any

from recorder.journal.anchors import Sign, told
from recorder.journal.reader import Reader

ANCHOR_MS = 60_000
"""A head that changed is told this often at most; and once more at the stop."""


class Anchoring:
    """Knows which head was told last. Used by the loop's thread."""

    def __init__(
        self, publish: Callable[[str, dict[str, Any]], None], journal: Reader, station: str, sign: Sign | None = None
    ) -> None:
        """`publish` is given the last part of a topic and the state; `sign` signs, where there is a device key."""
        self._publish = publish
        self._journal = journal
        self._station = station
        self._sign = sign
        self._told = 0
        self._told_ms: int | None = None

    def beat(self, at_ms: int) -> None:
        """Time has passed: tell a new head if the last was told `ANCHOR_MS` ago. Raises `JournalError`."""
        if self._told_ms is None or at_ms - self._told_ms >= ANCHOR_MS:
            self.tell(at_ms)

    def tell(self, at_ms: int) -> None:
        """Tell the newest head now, unless it is known; raises `JournalError`."""
        first, newest = self._journal.first(), self._journal.newest()
        if first and newest and newest.seq != self._told:
            self._told = newest.seq
            self._publish("anchor", told(self._station, first, newest, self._sign))
        self._told_ms = at_ms
