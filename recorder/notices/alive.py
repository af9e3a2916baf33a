"""The station's sign of life: a small message that no broker keeps, so who gets one knows that it was sent just now.

A retained state says how things stood, however long ago, and a message at least once may have waited for hours. This
one is sent at most once and not retained. So it is dropped where it can't be passed on at once.
"""

from collections.abc import Callable, Mapping
from typing import Any

ALIVE = "alive"
"""Last part of the topic."""

EVERY_MS = 10_000
"""A sign goes out so often, and at once on each new connection."""


class Alive:
    """Sends the signs. Used by the loop's thread, so a loop that hangs sends none."""

    def __init__(self, send: Callable[[str, dict[str, Any]], None], newest: Mapping[str, int]) -> None:
        """`send` is given the last part of the topic and the message.

        `newest` has the `at_ms` of the newest value of each state, so a receiver knows whether it has that one.
        """
        self._send = send
        self._newest = newest
        self._connection = 0
        self._sent_ms = 0

    def beat(self, connection: int, now_ms: int) -> None:
        """Time has passed; `connection` is the broker's number, 0 while it is not reached."""
        if not connection or (connection == self._connection and now_ms - self._sent_ms < EVERY_MS):
            return
        self._connection, self._sent_ms = connection, now_ms
        self._send(ALIVE, {"at_ms": now_ms, "newest": dict(self._newest)})
