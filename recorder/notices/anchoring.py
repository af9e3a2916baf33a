"""Sends the chain's newest head off the device, so that a subscriber has what a later change can't agree with."""

from collections.abc import Callable
from typing import Any

from recorder.journal.anchors import Sign, state
from recorder.journal.reader import Reader

ANCHOR_MS = 60_000
"""A head that changed is sent this often at most; and once more at the stop."""


class Anchoring:
    """Knows which head was sent last. Used by the loop's thread."""

    def __init__(
        self, publish: Callable[[str, dict[str, Any]], None], journal: Reader, station: str, sign: Sign | None = None
    ) -> None:
        """`publish` is given the last part of a topic and the state; `sign` signs, where there is a device key."""
        self._publish = publish
        self._journal = journal
        self._station = station
        self._sign = sign
        self._sent = 0
        self._looked_ms: int | None = None

    def beat(self, at_ms: int) -> None:
        """Time has passed: send a new head if the last look was `ANCHOR_MS` ago. Raises `JournalError`."""
        if self._looked_ms is None or at_ms - self._looked_ms >= ANCHOR_MS:
            self.send(at_ms)

    def send(self, at_ms: int) -> None:
        """Send the newest head now, unless it was the last that was sent; raises `JournalError`."""
        if (ends := self._journal.ends()) and ends[1].seq != self._sent:
            self._sent = ends[1].seq
            self._publish("anchor", state(self._station, *ends, self._sign))
        self._looked_ms = at_ms
