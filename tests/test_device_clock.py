"""A device's own clock: what it says of held-back messages; how it wraps, restarts, drifts and lies."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.probes.device_clock import HELD_MS, SURE_MS, WINDOW_MS, DeviceClock
from recorder.probes.serial.line_notes import SHUFFLED_MS, TIMES, BoardTimes
from recorder.probes.source import Taken

EVERY_MS = 250


def stream(clock: DeviceClock, messages: list[tuple[int, int]], grain_ms: int = 1) -> list[int | None]:
    """The dates of messages: when each came, and the device's time in it."""
    return [clock.dated(at_ms, Taken(ms, grain_ms=grain_ms)) for at_ms, ms in messages]


def test_the_first_message_only_sets_the_clock_and_prompt_ones_are_of_now() -> None:
    assert stream(DeviceClock(), [(5_000, 70), (5_250, 320), (5_500, 570)]) == [None, 5_250, 5_500]


def test_messages_held_back_are_dated_when_they_were_measured() -> None:
    clock = DeviceClock()
    stream(clock, [(at, at) for at in range(0, 2_000, EVERY_MS)])
    late = [(5_500, at) for at in range(2_000, 5_501, EVERY_MS)]
    assert stream(clock, late) == [*range(2_000, 5_501, EVERY_MS)]


@given(st.lists(st.integers(0, 3_000), min_size=20, max_size=60))
def test_a_date_is_never_after_the_message_came_nor_early_and_they_are_in_order(delays: list[int]) -> None:
    """A sound clock and a way that holds messages back at random, in order; some come at once."""
    clock, came_ms, dates = DeviceClock(), 0, list[int]()
    for turn, delay in enumerate(delays):
        measured_ms = 1_000 * turn
        came_ms = max(came_ms, measured_ms + (0 if turn % 4 == 0 else delay))
        dated = clock.dated(came_ms, Taken(measured_ms + 77))
        if dated is not None:
            assert dated <= came_ms
            dates.append(dated)
            if turn > 8:
                assert dated >= measured_ms
    assert dates == sorted(dates)


def test_what_a_device_kept_before_it_was_heard_is_not_of_now() -> None:
    """The day before, one each minute, all sent in a second; then what it measures now."""
    clock, day_ms = DeviceClock(), 86_400_000
    kept = [(1_000 + 50 * at, 60_000 * at) for at in range(20)]
    assert stream(clock, kept, 1_000) == [None] * 20
    now = [(3_000 + 1_000 * at, day_ms + 1_000 * at) for at in range(4)]
    assert stream(clock, now, 1_000) == [None, None, 5_000, 6_000]


@pytest.mark.parametrize("every_ms", [50, 100, 300])
def test_a_store_of_one_a_second_that_is_emptied_faster_is_not_of_now(every_ms: int) -> None:
    clock = DeviceClock()
    dates = stream(clock, [(every_ms * at, 1_000 * at) for at in range(60)], 1_000)
    assert dates == [None] * 60
    now = [(60_000 + 1_000 * at, 86_400_000 + 1_000 * at) for at in range(3)]
    assert stream(clock, now, 1_000) == [None, None, 62_000]


@pytest.mark.parametrize("drift", [-0.01, -0.0001, 0.0001, 0.005, 0.01])
def test_a_clock_that_drifts_is_followed(drift: float) -> None:
    """An hour of four a second, each up to 20 ms late."""
    clock, worst_ms, lost = DeviceClock(), 0, 0
    for turn in range(14_400):
        measured_ms = EVERY_MS * turn
        dated = clock.dated(measured_ms + turn * 7 % 20, Taken(round(measured_ms * (1 - drift))))
        if dated is None:
            lost += 1
        else:
            worst_ms = max(worst_ms, abs(dated - measured_ms))
    assert worst_ms <= 20 + abs(drift) * 2 * WINDOW_MS + 1
    assert lost == 1


@pytest.mark.parametrize("ahead_ms", [HELD_MS + 1_000, 3_600_000])
def test_a_clock_that_is_set_costs_one_message_whichever_way(ahead_ms: int) -> None:
    for sign in (1, -1):
        clock = DeviceClock()
        stream(clock, [(at, at) for at in range(0, 2_000, EVERY_MS)])
        after = [(at, at + sign * ahead_ms) for at in range(2_000, 3_000, EVERY_MS)]
        assert stream(clock, after) == [None, 2_250, 2_500, 2_750]


def test_a_clock_that_stands_dates_nothing_for_long() -> None:
    clock = DeviceClock()
    dates = stream(clock, [(at, 5) for at in range(0, 60_000, EVERY_MS)])
    assert set(dates) == {None, 0}
    assert stream(clock, [(at, 5) for at in range(60_000, 62_000, EVERY_MS)])[1:] == [*range(60_250, 62_000, EVERY_MS)]


def test_a_way_that_became_longer_for_good_is_of_now_again() -> None:
    clock = DeviceClock()
    stream(clock, [(at, at) for at in range(0, 2_000, EVERY_MS)])
    dates = stream(clock, [(at + 4_000, at) for at in range(2_000, 90_000, EVERY_MS)])
    assert dates[0] == 2_000
    assert dates[-1] == 90_000 - EVERY_MS + 4_000


def test_another_run_is_a_new_clock() -> None:
    clock = DeviceClock()
    stream(clock, [(0, 0), (250, 250)])
    assert clock.dated(500, Taken(500, run=1)) is None
    assert clock.dated(500 + SURE_MS, Taken(500 + SURE_MS, run=1)) == 500 + SURE_MS


# A board's times


def test_a_boards_time_wraps_after_four_bytes() -> None:
    times = BoardTimes()
    taken = [times.taken(ms % TIMES) for ms in range(TIMES - 500, TIMES + 501, EVERY_MS)]
    assert [each.ms for each in taken] == [*range(TIMES - 500, TIMES + 501, EVERY_MS)]
    assert {each.run for each in taken} == {0}


@pytest.mark.parametrize(("falls_ms", "run"), [(SHUFFLED_MS, 0), (SHUFFLED_MS + 1, 1)])
def test_a_board_whose_time_falls_has_started_again_unless_its_lines_are_out_of_order(falls_ms: int, run: int) -> None:
    times = BoardTimes()
    times.taken(50_000)
    assert times.taken(50_000 - falls_ms) == Taken(50_000 - falls_ms, run)
    assert times.taken(50_000).run == run
