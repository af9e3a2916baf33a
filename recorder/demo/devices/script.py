"""Driver: plays events that are given to it, for tests and rehearsals. It opens nothing."""

import threading
from collections.abc import Iterable

from recorder.core.events import Event
from recorder.driver import DriverLost, Put


class Script:
    """Emits its events once, in order, then waits for its stop.

    A `DriverLost` among them is raised at its place; the next run goes on behind it. A float is a pause in seconds.
    """

    name = "script"

    def __init__(self, events: Iterable[Event | DriverLost | float]) -> None:
        self._events = iter(events)

    def run(self, put: Put, stop: threading.Event) -> None:
        """Emit what it was given, as it is given; wait for `stop`."""
        while not stop.is_set():
            match next(self._events, None):
                case None:
                    stop.wait()
                case float() as pause_s:
                    stop.wait(pause_s)
                case DriverLost() as lost:
                    raise lost
                case event:
                    put(event)
