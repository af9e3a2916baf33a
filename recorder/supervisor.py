"""Keeps drivers running: a thread for each, started again for ever when its device goes.

A driver has to look at its stop again and again, or it could not be stopped; each look is its heartbeat. What its end
or its hanging means is said as events, by the functions given with it. Knows no device and no station.
"""

import logging
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from recorder.core.events import Event
from recorder.driver import Driver, DriverLost, DriverUnavailable, Put

log = logging.getLogger(__name__)

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0

HANGS_S = 30.0
"""A driver that has not looked at its stop for so long hangs; no device may take longer to open."""

RESTART_S = 900.0
"""How long the program must have run before a driver that hangs is worth a restart of it.

Only a restart ends a thread that hangs in the kernel. A device that hangs at once every time may not have the whole
station restarted for ever: its loss is reported, and the others go on recording.
"""


@dataclass(frozen=True, slots=True)
class Post:
    """A driver and what its coming and going means."""

    driver: Driver
    lost: Callable[[str], tuple[Event, ...]] = lambda reason: ()
    """The events of its device being gone, for this reason; asked once for each new reason."""
    hangs: Callable[[], tuple[Event, ...]] = lambda: ()
    """The events of the driver hanging; asked once each time, from another thread than the driver's."""


class Heartbeat(threading.Event):
    """The stop of one run of a driver, which keeps when the driver last looked at it."""

    def __init__(self) -> None:
        super().__init__()
        self._looked_s = time.monotonic()

    def is_set(self) -> bool:
        """As an event's; each look is a heartbeat."""
        self._looked_s = time.monotonic()
        return super().is_set()

    def wait(self, timeout: float | None = None) -> bool:
        """As an event does; a driver that waits for its stop does not hang."""
        self._looked_s = math.inf if timeout is None else time.monotonic() + timeout
        try:
            return super().wait(timeout)
        finally:
            self._looked_s = time.monotonic()

    def expired(self) -> bool:
        """Whether nobody has looked for `HANGS_S`."""
        return time.monotonic() - self._looked_s > HANGS_S


class Worker:
    """A post, its thread, and the heartbeat of its present run, if it runs."""

    def __init__(self, post: Post, run: Callable[["Worker"], None]) -> None:
        self.post = post
        self.heartbeat: Heartbeat | None = None
        self.hangs = False
        self.thread = threading.Thread(target=run, args=(self,), name=post.driver.name, daemon=True)


class Supervisor:
    """Runs drivers until it is stopped."""

    def __init__(self, posts: tuple[Post, ...], put: Put) -> None:
        self._put = put
        self._stop = threading.Event()
        self._began_s = time.monotonic()
        self._workers = [Worker(post, self._keep) for post in posts]

    def start(self) -> None:
        """Start every driver in a thread of its own."""
        for worker in self._workers:
            worker.thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """Ask all drivers to return, and wait for at most `timeout_s` until all have; one that hangs is left behind."""
        end_s = time.monotonic() + timeout_s
        self._stop.set()
        for worker in self._workers:
            if heartbeat := worker.heartbeat:
                heartbeat.set()
        for worker in self._workers:
            worker.thread.join(max(end_s - time.monotonic(), 0))

    def watch(self) -> None:
        """Report every driver that hangs, once; when it wakes, it is started again."""
        for worker in self._workers:
            heartbeat = worker.heartbeat
            expired = heartbeat is not None and heartbeat.expired()
            if heartbeat and expired and not worker.hangs:
                log.error("%s hangs", worker.post.driver.name)
                for event in worker.post.hangs():
                    self._put(event)
                heartbeat.set()
            worker.hangs = expired

    def alive(self) -> bool:
        """Whether every driver still has its thread, and none hangs that a restart of the program might help."""
        late = time.monotonic() - self._began_s > RESTART_S
        return all(worker.thread.is_alive() and not (late and worker.hangs) for worker in self._workers)

    def _keep(self, worker: Worker) -> None:
        post, wait_s = worker.post, FIRST_WAIT_S
        reasons: set[str] = set()
        while not self._stop.is_set():
            heartbeat = worker.heartbeat = Heartbeat()
            if self._stop.is_set():  # since the last look: the new heartbeat was not set with the old one
                return
            began_s = time.monotonic()
            reason = _run(post.driver, self._put, heartbeat)
            if self._stop.is_set():
                return
            worker.heartbeat = None
            if heartbeat.is_set():
                reason = "it hung"
            if time.monotonic() - began_s > LONGEST_WAIT_S:
                wait_s, reasons = FIRST_WAIT_S, set()
            if reason not in reasons:
                log.warning("%s: %s; trying again", post.driver.name, reason)
                reasons.add(reason)
                for event in post.lost(reason):
                    self._put(event)
            self._stop.wait(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)


def _run(driver: Driver, put: Put, stop: threading.Event) -> str:
    """Run the driver to its end; why it ended. A raise of any kind must not end the supervision."""
    try:
        driver.run(put, stop)
    except (DriverLost, DriverUnavailable) as error:
        return str(error)
    except Exception as error:
        log.exception("%s failed", driver.name)
        return f"{type(error).__name__}: {error}"
    return "ended by itself"
