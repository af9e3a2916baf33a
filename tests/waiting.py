"""How tests wait for another thread or program."""

import socket
import time
from collections.abc import Callable

PATIENCE_S = 30.0
"""How long a test waits before it calls it a hang: long, since a busy machine is none."""


def until(done: Callable[[], object], what: str = "it is so", patience_s: float = PATIENCE_S) -> None:
    """Wait until `done` says so; fails, naming `what`, when that takes too long."""
    end_s = time.monotonic() + patience_s
    while not done():
        assert time.monotonic() < end_s, f"waited in vain until {what}"
        time.sleep(0.001)


def wait_for(done: Callable[[], object], *errors: type[Exception], seconds: float = 30) -> None:
    end_s = time.monotonic() + seconds
    while True:
        try:
            if done():
                return
        except errors:
            pass
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.02)


def listens(port: int) -> bool:
    """Whether somebody listens at this port of this machine; raises `OSError` where nobody does."""
    socket.create_connection(("127.0.0.1", port), 1).close()
    return True
