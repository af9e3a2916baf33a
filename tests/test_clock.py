"""The station's own time line over restarts, power cuts and set clocks."""

import time

import pytest

from recorder.clock import ClockWatch, ManualClock, Stamp, SystemClock, _anchor
from recorder.core.events import ClockStepped

DAY = 86_400_000


@pytest.mark.parametrize(
    ("last", "boot_id", "known", "starts_at"),
    [
        (None, "b", False, 5_000_000),
        (Stamp(900, "a", 100, 4_000_000, True), "a", True, 900 + 200 - 100),
        (Stamp(900, "a", 100, 4_000_000, True), "b", True, 900 + 1_000_000),
        (Stamp(900, "a", 100, 4_000_000, False), "b", True, 901),
        (Stamp(900, "a", 100, 4_000_000, True), "b", False, 901),
        (Stamp(900, "a", 100, 6_000_000, True), "b", True, 901),
    ],
    ids=["first run", "same boot", "new boot", "clock was unknown", "clock is unknown", "clock went back"],
)
def test_the_time_line_goes_on_where_the_journal_ended(
    last: Stamp | None, boot_id: str, known: bool, starts_at: int
) -> None:
    boot_ms, wall_ms = 200, 5_000_000
    assert _anchor(last, boot_id, boot_ms, wall_ms, known) + boot_ms == starts_at


def test_the_boards_clock_follows_the_boot_clock() -> None:
    clock = SystemClock(None)
    before, boot_ms = clock.stamp(), time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    assert abs(before.boot_ms - boot_ms) < 1000
    assert abs(before.at_ms - time.time_ns() // 1_000_000) < 1000
    again = SystemClock(before)
    assert 0 <= again.now_ms() - before.at_ms < 1000


def test_a_set_clock_is_noticed_once_and_the_time_line_stays() -> None:
    clock = ManualClock(1_000, known=False)
    watch = ClockWatch(clock)
    clock.advance(60_000)
    assert watch.look() is None
    clock.wall_ms += DAY
    clock.known = True
    assert watch.look() == ClockStepped(61_000, DAY, True)
    assert watch.look() is None
    clock.wall_ms += 900
    assert watch.look() is None, "slewing is no step"
    clock.wall_ms += 200
    assert watch.look() == ClockStepped(61_000, 1_100, True), "slow drift counts when it has grown to a step"
