"""Driver: plays events that are given to it, for tests and rehearsals."""

import threading
from collections.abc import Iterable

from recorder.core.events import Event
from recorder.driver import DriverLost, Put


class Script:
    """Emits its events once, in order; then waits for its stop, or is lost if `vanishes`."""

    def __init__(self, events: Iterable[Event], vanishes: bool = False) -> None:
        self.name = "script"
        self._events = iter(events)
        self._vanishes = vanishes

    def run(self, put: Put, stop: threading.Event) -> None:
        for event in self._events:
            put(event)
            if stop.is_set():
                return
        if self._vanishes:
            raise DriverLost("the script is over")
        stop.wait()
