"""Keeps drivers running: a thread for each, started again for ever when its device goes.

What a driver's end means is said as events, by the functions given with it. Knows no device and no station.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from recorder.core.events import Event
from recorder.driver import Driver, DriverLost, DriverUnavailable, Put

log = logging.getLogger(__name__)

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class Post:
    """A driver and what its coming and going means."""

    driver: Driver
    lost: Callable[[str], tuple[Event, ...]] = lambda reason: ()
    """The events of its device being gone, for this reason; asked once for each new reason."""


class Supervisor:
    """Runs drivers until it is stopped."""

    def __init__(self, posts: tuple[Post, ...], put: Put) -> None:
        self._put = put
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._keep, args=(post,), name=post.driver.name, daemon=True) for post in posts
        ]

    def start(self) -> None:
        """Start every driver in a thread of its own."""
        for thread in self._threads:
            thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """Ask all drivers to return, and wait for them for at most `timeout_s` each."""
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout_s)

    def alive(self) -> bool:
        """Whether every driver still has its thread; a thread only ends when stopped."""
        return all(thread.is_alive() for thread in self._threads)

    def _keep(self, post: Post) -> None:
        wait_s = FIRST_WAIT_S
        reasons: set[str] = set()
        while not self._stop.is_set():
            began_s = time.monotonic()
            reason = _run(post.driver, self._put, self._stop)
            if self._stop.is_set():
                return
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
