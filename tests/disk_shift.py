"""A recorder whose disk the test holds in its hands, run as a child process with the shim of `tests.disks` in it.

It is fed an event every so often by a thread, as a driver would, prints a line for each event that it was given and
for each cue, and tells systemd's socket that it lives. Each line has the time, by the clock that all processes share.
"""

import os
import sys
import threading
import time
from pathlib import Path

from recorder.app import App, clock_after, open_journal
from recorder.clock import Clock
from recorder.config import load
from recorder.core.events import Heard, Intent
from recorder.driver import Put
from recorder.supervisor import Post, Supervisor


def say(*words: object) -> None:
    line = " ".join(map(str, (f"{time.monotonic():.4f}", *words)))
    os.write(1, f"{line}\n".encode())  # whole, from whatever thread


class Talker:
    """Asks for the status again and again, each time with a number of its own."""

    name = "talker"

    def __init__(self, clock: Clock, every_s: float) -> None:
        self._clock, self._every_s = clock, every_s

    def run(self, put: Put, stop: threading.Event) -> None:
        number = 0
        while not stop.wait(self._every_s):
            number += 1
            say("given", number)
            put(Heard(self._clock.now_ms(), f"{number}", Intent("hold end"), "test", "open"))


def main(config: str, every_s: str) -> None:
    settings = load(Path(config))
    journal = open_journal(settings)
    clock = clock_after(journal)
    app = App(
        settings,
        journal,
        clock,
        lambda cue: say("cue", app.loop.state.seq, cue.say),
        on_failure=lambda reason: say("cry", reason),
    )
    stop = threading.Event()

    def told_to_stop() -> None:
        sys.stdin.read()
        stop.set()

    threading.Thread(target=told_to_stop, daemon=True).start()
    app.run(Supervisor((Post(Talker(clock, float(every_s))),), app.loop.inbox.put), stop)


if __name__ == "__main__":
    main(*sys.argv[1:])
