"""What a device driver promises.

A driver must
  - emit what it receives, when it receives it: it does not cache, fill gaps or derive;
  - turn a device's own fault (open circuit, short, silence of one channel) into an event, never into a number;
  - look at `stop` again and again, several times in `supervisor.HANGS_S`: that is its heartbeat;
  - return from `run` soon after `stop` is set, and raise `DriverLost` when the device goes.
A driver might open its device lazily and import its vendor library inside `run`, so that an absent device
costs nothing. Restarting, back-off and the watch over silence belong to `recorder/supervisor.py`.
"""

import threading
from collections.abc import Callable
from typing import Protocol

from recorder.core.events import Event
from recorder.errors import RecorderError

Put = Callable[[Event], None]
"""Hands an event to the station's one inbox; safe from any thread."""


class DriverUnavailable(RecorderError):
    """The driver cannot be built at all: a library or a setting is missing. The text says the remedy."""

    reason = "driver unavailable"
    """In records."""


class DriverLost(RecorderError):
    """The device went away; the supervisor tries again later."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(f"{reason}: {detail}" if detail else reason)
        self.reason = reason
        """In records: "unplugged", "port refused", ..."""


class Driver(Protocol):
    """One device, run in one thread."""

    name: str
    """For logs and records: "serial /dev/ttyACM0"."""

    def run(self, put: Put, stop: threading.Event) -> None:
        """Emit events until `stop` is set; raise `DriverLost` when the device goes."""
        ...
