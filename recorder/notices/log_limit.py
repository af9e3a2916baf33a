"""What goes wrong again and again, said at once and then seldom, so that a flood can't fill the log. Knows no cause."""

import logging
import threading
import time

log = logging.getLogger(__name__)

AGAIN_S = 3600.0
"""The same kind is said again after this at the earliest."""


class LogLimit:
    """One line of the log for each kind in `AGAIN_S`, with how many were kept back. For any thread.

    Kinds are words of the caller, never of a message: what is remembered is as much as there are kinds.
    """

    def __init__(self) -> None:
        self._said: dict[str, tuple[float, int]] = {}
        self._lock = threading.Lock()

    def warn(self, kind: str, text: str) -> None:
        """`text` is one line without control characters."""
        now_s = time.monotonic()
        with self._lock:
            then_s, kept_back = self._said.get(kind, (now_s - AGAIN_S, 0))
            due = now_s - then_s >= AGAIN_S
            self._said[kind] = (now_s, 0) if due else (then_s, kept_back + 1)
        if due:
            log.warning("%s%s", text, f" (and {kept_back} more like it before)" if kept_back else "")
