"""The station's own time line, and what the wall clock said at each moment of it.

The time line counts integer milliseconds and never runs backwards: inside one boot it follows the kernel's boot clock,
whatever is done to the wall clock. A new boot goes on where the journal ended, further by the wall clock's difference
where the wall clock was known to be right on both sides. Nothing here sleeps.
"""

import ctypes
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from recorder.core.events import ClockStepped

STEP_MS = 1000
"""A wall clock that moved against the boot clock by this much was set; less is the kernel's gentle slewing."""

_TIME_ERROR = 5
"""Return of ntp_gettime(3) while the kernel's clock is not synchronised."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """One moment, as the station and as the world count it."""

    at_ms: int
    """On the station's time line."""
    boot_id: str
    boot_ms: int
    """Milliseconds since that boot (CLOCK_BOOTTIME)."""
    wall_ms: int
    """Wall time, UTC, milliseconds since 1970."""
    wall_known: bool
    """Whether the wall clock was known to be set."""


class Clock(Protocol):
    """The time; its only source in the program."""

    gap_known: bool
    """Whether the time line is known to have no gap of unknown length between the newest record and this clock."""

    def now_ms(self) -> int:
        """Now, on the station's time line."""
        ...

    def stamp(self) -> Stamp:
        """Now, with the wall clock beside it."""
        ...


class Board:
    """What the kernel says of time."""

    def boot_id(self) -> str:
        """The kernel's own; a new one for each boot."""
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()

    def boot_ms(self) -> int:
        """Milliseconds since the boot, suspended time included."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def wall_ms(self) -> int:
        """The wall clock, in ms since 1970."""
        return time.time_ns() // 1_000_000

    def wall_known(self) -> bool:
        """Whether the wall clock is known to be right."""
        return wall_known()


class SystemClock:
    """The board's clocks, with the time line continued from `last`, the journal's newest stamp."""

    def __init__(self, last: Stamp | None, board: Board | None = None) -> None:
        self._board = board or Board()
        self.boot_id = self._board.boot_id()
        known, boot_ms, wall_ms = self._read()
        self._anchor_ms = _anchor(last, self.boot_id, boot_ms, wall_ms, known)
        self.gap_known = last is None or last.boot_id == self.boot_id or _passed_ms(last, wall_ms, known) is not None

    def now_ms(self) -> int:
        """As `Clock` promises."""
        return self._anchor_ms + self._board.boot_ms()

    def stamp(self) -> Stamp:
        """As `Clock` promises."""
        known, boot_ms, wall_ms = self._read()
        return Stamp(self._anchor_ms + boot_ms, self.boot_id, boot_ms, wall_ms, known)

    def _read(self) -> tuple[bool, int, int]:
        """Known, boot time and wall time; in this order, so that a clock set meanwhile counts as not known yet."""
        return self._board.wall_known(), self._board.boot_ms(), self._board.wall_ms()


class ManualClock:
    """A clock that stands still until it is moved; for the demo and the tests."""

    def __init__(self, at_ms: int, boot_id: str = "manual", known: bool = True) -> None:
        self.at_ms = at_ms
        self.wall_ms = at_ms
        self.boot_id = boot_id
        self.known = known
        self.gap_known = True
        self._boot_at_ms = at_ms

    def advance(self, ms: int) -> None:
        """Move on by `ms` (0 or more) milliseconds."""
        self.at_ms += ms
        self.wall_ms += ms

    def now_ms(self) -> int:
        """As `Clock` promises: what was set."""
        return self.at_ms

    def stamp(self) -> Stamp:
        """As `Clock` promises: what was set."""
        return Stamp(self.at_ms, self.boot_id, self.at_ms - self._boot_at_ms, self.wall_ms, self.known)


def wall_known() -> bool:
    """Whether the kernel says that its clock is synchronised (ntp_gettime(3)); False where it cannot say."""
    try:
        buffer = ctypes.create_string_buffer(256)  # more than any layout of struct ntptimeval
        return int(ctypes.CDLL(None).ntp_gettime(buffer)) not in (-1, _TIME_ERROR)
    except (OSError, AttributeError):
        return False


def _anchor(last: Stamp | None, boot_id: str, boot_ms: int, wall_ms: int, known: bool) -> int:
    """What to add to the boot clock to get the station's time line; a new boot begins at least 1 ms later on it."""
    if last is None:
        return wall_ms - boot_ms
    if last.boot_id == boot_id:
        return last.at_ms - last.boot_ms
    return last.at_ms + max(_passed_ms(last, wall_ms, known) or 0, 1) - boot_ms


def _passed_ms(last: Stamp, wall_ms: int, known: bool) -> int | None:
    """The time from `last` to `wall_ms` in another boot; None where one of the wall clocks was wrong or may have been.

    A clock that is known to be right and stands before the newest record contradicts it: nobody knows what passed.
    """
    passed_ms = wall_ms - last.wall_ms
    return passed_ms if known and last.wall_known and passed_ms >= 0 else None


class ClockWatch:
    """Notices when the wall clock is set, or becomes known to be right or not."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._last = clock.stamp()

    def look(self) -> ClockStepped | None:
        """What happened to the wall clock since the last look, if anything did."""
        before, now = self._last, self._clock.stamp()
        delta_ms = (now.wall_ms - before.wall_ms) - (now.at_ms - before.at_ms)
        if abs(delta_ms) < STEP_MS and now.wall_known == before.wall_known:
            return None
        self._last = now
        return ClockStepped(now.at_ms, delta_ms, now.wall_known)
