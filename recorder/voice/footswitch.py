"""The foot switch: a pedal that the kernel shows as an input device, and which sound was spoken while it was held down.

The device's file gives the kernel's input events (evdev: uapi/linux/input.h, Documentation/input/input.rst); no library
is needed. A switch on a GPIO line is such a file too, by the kernel's own gpio-keys driver. The kernel stamps each
press and release, so that they can be read late, between two blocks of sound, by the thread that reads the sound.
Knows no microphone and no words.
"""

import math
import os
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from recorder.driver import DriverLost, DriverUnavailable

INPUT_EVENT = struct.Struct("LLHHi")
"""struct input_event in the machine's own sizes: seconds, microseconds (wall clock), type, code, value."""

EV_SYN, EV_KEY = 0, 1
SYN_DROPPED = 3
"""Code of an EV_SYN event: the kernel had no room and has thrown events away."""

RELEASED, PRESSED = 0, 1
"""Values of an EV_KEY event; 2 is autorepeat, and says nothing new."""

STALE_S = 3.0
"""An event is never taken for older; a wall clock that was just set can't move it further."""

AFTER_S = 0.25
"""Sound after the release that still counts; for the sound before the press see `frontend.LEAD_MS`."""

LONGEST_S = 30.0
"""A switch that is down for longer has something standing on it, and counts as released until it is pressed again."""

CATCH_UP = 1.1
"""How fast a stream may seem to run while it is behind; this sets right what lost sound and another clock put wrong."""


@dataclass(frozen=True, slots=True)
class Edge:
    """A press or a release."""

    at_s: float
    """On the clock of `time.monotonic`."""
    down: bool


class FootSwitch:
    """One input device, used in a `with` statement and by one thread."""

    def __init__(self, path: Path, key: int | None = None) -> None:
        """`key` is the one key code that counts; None for any."""
        self.name = f"foot switch {path}"
        self._path = path
        self._key = key

    def __enter__(self) -> "FootSwitch":
        """Open the device; raises `DriverUnavailable`. A switch that is down already counts at its next press."""
        try:
            self._file = os.open(self._path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except FileNotFoundError as error:
            remedy = "plug it in; voice.switch is its path, such as one under /dev/input/by-id"
            raise DriverUnavailable(f"{self.name} is not there; {remedy}") from error
        except PermissionError as error:
            remedy = "put the user into the group input: usermod --append --groups input USER"
            raise DriverUnavailable(f"{self.name} may not be read; {remedy}") from error
        except OSError as error:
            raise DriverUnavailable(f"{self.name} can't be opened ({error.strerror}); plug it in again") from error
        self._rest = b""
        self._down: set[int] = set()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._file)

    def edges(self) -> list[Edge]:
        """The presses and releases since the last call; returns at once. Raises `DriverLost` when the device goes."""
        data = self._read()
        now_s, wall_s = time.monotonic(), time.time()
        whole = len(data) - len(data) % INPUT_EVENT.size
        self._rest = data[whole:]
        found = []
        for seconds, micros, kind, code, value in INPUT_EVENT.iter_unpack(data[:whole]):
            before = bool(self._down)
            if kind == EV_KEY and self._key in (None, code):
                if value == PRESSED:
                    self._down.add(code)
                elif value == RELEASED:
                    self._down.discard(code)
            elif kind == EV_SYN and code == SYN_DROPPED:  # a release might be among what was lost
                self._down.clear()
            if bool(self._down) != before:
                age_s = wall_s - seconds - micros / 1e6
                found.append(Edge(now_s - min(max(age_s, 0.0), STALE_S), not before))
        return found

    def _read(self) -> bytes:
        """What the device has to say now, after what was left of the last time."""
        data = self._rest
        try:
            while more := os.read(self._file, 64 * INPUT_EVENT.size):
                data += more
        except BlockingIOError:
            return data
        except OSError as error:
            raise DriverLost(f"{self.name}: {error.strerror}") from error
        raise DriverLost(f"{self.name}: it gives no events; it was unplugged, or is no input device")


TERMINAL = Path("terminal")
"""In place of a device: a key of the terminal at which the station runs."""


class KeySwitch:
    """A key in place of a pedal. A terminal says nothing of releases, so each press turns it over. For any thread.

    It is released by itself after `LONGEST_S`, and when the sound ends.
    """

    name = "a key of the terminal"

    def __init__(self) -> None:
        self.watch: Callable[[bool], None] = lambda down: None
        """Called with each press and release, whatever its cause."""
        self.used = False
        """Whether somebody listens by it now; what is pressed before counts for nothing."""
        self._lock = threading.RLock()
        self._edges: deque[Edge] = deque()
        self._since_s: float | None = None

    @property
    def down(self) -> bool:
        """Whether it is down now."""
        return self._since_s is not None

    def __enter__(self) -> "KeySwitch":
        """It is up."""
        self._edges.clear()
        self.used = True
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.used = False
        self._turned(False)

    def turn(self) -> None:
        """The key was pressed; without effect while nobody listens by it."""
        with self._lock:
            self._turned(self.used and not self.down)

    def edges(self) -> list[Edge]:
        """The presses and releases since the last call."""
        with self._lock:
            if self._since_s is not None and time.monotonic() - self._since_s >= LONGEST_S:
                self._turned(False)
        return [self._edges.popleft() for _ in range(len(self._edges))]

    def _turned(self, down: bool) -> None:
        with self._lock:
            if down == self.down:
                return
            now_s = time.monotonic()
            self._since_s = now_s if down else None
            self._edges.append(Edge(now_s, down))
        self.watch(down)


KEY = KeySwitch()
"""The one of this program."""


class Hold:
    """Which blocks of one stream of sound count as spoken while the switch was held."""

    def __init__(self) -> None:
        self._end_s = math.inf
        self._until_s = -math.inf
        self._edges: deque[Edge] = deque()

    def covers(self, length_s: float, now_s: float, edges: Iterable[Edge]) -> bool:
        """Whether any of the next block counts: `length_s` of sound, read at `now_s` (`time.monotonic`).

        `edges` are the new ones up to `now_s`. A block that was read late is put where it was spoken: its end is the
        end of the block before it and its own length, and never later than now.
        """
        begin_s = self._end_s
        self._end_s = min(now_s, begin_s + CATCH_UP * length_s)
        self._edges.extend(edges)
        covered = begin_s < self._until_s
        while self._edges and self._edges[0].at_s <= self._end_s:
            edge = self._edges.popleft()
            self._until_s = edge.at_s + LONGEST_S if edge.down else min(self._until_s, edge.at_s + AFTER_S)
            covered = covered or edge.down
        return covered
