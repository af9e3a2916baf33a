"""Few readings of many samples: none that matters is lost, and none is made up."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.core.events import CABINET, NEEDLE, Reading
from recorder.core.limits import Limit
from recorder.demo.devices.serial_board import STEP_MS, Kitchen, framed
from recorder.probes.serial.frames import FramedLines
from recorder.probes.source import Chunk, Sample
from recorder.probes.thinning import COMMON_STEP_C, PERIOD_MS, REPEAT_MS, Thinning


def readings(thinning: Thinning, *samples: tuple[int, float]) -> list[Reading]:
    return [reading for sample in samples if (reading := thinning.feed(*sample))]


def dipped(thinning: Thinning, kitchen: Kitchen, seconds: float, at_ms: int) -> list[Reading]:
    """What a needle in this kitchen gives in so many seconds after `at_ms`."""
    found = []
    for step in range(1, round(seconds * 1000 / STEP_MS) + 1):
        kitchen.pass_time(STEP_MS)
        if reading := thinning.feed(at_ms + step * STEP_MS, kitchen.needle_c + kitchen.noise()):
            found.append(reading)
    return found


def test_a_level_channel_is_read_once_a_period() -> None:
    got = readings(Thinning(CABINET), *((at_ms, 66.0) for at_ms in range(0, 300_000, 1000)))
    assert [reading.at_ms for reading in got] == list(range(0, 300_000, PERIOD_MS))
    assert all(reading == Reading(reading.at_ms, CABINET, 66.0) for reading in got)
    fast = readings(Thinning(CABINET, period_ms=5_000), *((at_ms, 66.0) for at_ms in range(0, 60_000, 1000)))
    assert len(fast) == 12


def test_a_change_is_read_at_once() -> None:
    got = readings(Thinning("vat1"), (0, 170.0), (1000, 169.3), (2000, 169.0), (3000, 168.4), (4000, 171.0))
    assert [(reading.at_ms, reading.temp_c) for reading in got] == [(0, 170.0), (2000, 169.0), (4000, 171.0)]


@given(st.lists(st.tuples(st.integers(1, 20_000), st.floats(-40, 400)), min_size=1))
def test_every_sample_is_near_the_newest_reading_of_its_channel(steps: list[tuple[int, float]]) -> None:
    """So a record of readings is never more than a step, or a period, off; and every reading is a sample."""
    thinning = Thinning("vat1")
    at_ms = 0
    newest: Reading | None = None
    for step_ms, temp_c in steps:
        at_ms += step_ms
        if reading := thinning.feed(at_ms, temp_c):
            assert (reading.at_ms, reading.channel, reading.settled, reading.spot) == (at_ms, "vat1", False, 0)
            assert abs(reading.temp_c - temp_c) < 1e-6
            newest = reading
        assert newest is not None
        assert abs(newest.temp_c - temp_c) < COMMON_STEP_C + 1e-6
        assert at_ms - newest.at_ms < PERIOD_MS


def test_a_needle_is_read_finer_while_it_moves_and_again_and_again_while_it_rests() -> None:
    thinning, kitchen = Thinning(NEEDLE), Kitchen()
    in_air = dipped(thinning, kitchen, 20, 0)
    assert len(in_air) == 1
    kitchen.insert(84.0)
    got = dipped(thinning, kitchen, 60, 20_000)
    rising = [reading for reading in got if not reading.settled]
    resting = [reading for reading in got if reading.settled]
    assert len(rising) >= 5
    assert all(reading.spot == 0 for reading in rising)
    assert {reading.spot for reading in resting} == {1}
    assert all(83 < reading.temp_c < 84.3 for reading in resting), "on the careful side at first"
    assert all(abs(reading.temp_c - 84) < 0.3 for reading in resting[-10:])
    assert [reading.uncertainty_c or 0 for reading in resting[::8]] == sorted(
        [reading.uncertainty_c or 0 for reading in resting[::8]], reverse=True
    ), "the interval narrows"
    times = [reading.at_ms for reading in resting]
    assert all(later - before == REPEAT_MS for before, later in itertools.pairwise(times))
    kitchen.withdraw()
    out = dipped(thinning, kitchen, 60, 80_000)
    assert not any(reading.settled for reading in out)
    assert 5 <= len(out) <= 20


def test_a_needle_that_was_lost_is_read_at_once_and_goes_on_counting_spots() -> None:
    thinning, kitchen = Thinning(NEEDLE), Kitchen()
    dipped(thinning, kitchen, 10, 0)
    kitchen.insert(84.0)
    assert dipped(thinning, kitchen, 30, 10_000)[-1].spot == 1
    thinning.interrupted()
    again = dipped(thinning, kitchen, 20, 41_000)
    assert again[0].at_ms == 41_500
    assert not any(reading.settled for reading in again), "nobody saw how it came to rest there"
    kitchen.withdraw()
    dipped(thinning, kitchen, 20, 61_000)
    kitchen.insert(70.0)
    assert dipped(thinning, kitchen, 30, 81_000)[-1].spot == 2


def test_a_steady_needle_at_the_limit_in_fahrenheit_meets_the_limit() -> None:
    """180 °F is 82.222... °C; rounded to hundredths it was 179.996 °F, and a piece at its target failed."""
    thinning, lines = Thinning(NEEDLE), FramedLines()
    values = ["80.00F"] * 20 + ["180.00F"] * 40
    settled = []
    for number, value in enumerate(values):
        for found in lines.read(Chunk(framed(NEEDLE, number, value))):
            assert isinstance(found, Sample)
            reading = thinning.feed(number * 500, found.temp_c)
            if reading and reading.settled:
                settled.append(reading)
    assert settled
    assert all(Limit(180.0, "F").met_by(reading.temp_c) for reading in settled)


def test_a_quiet_ten_hour_shift_makes_few_readings() -> None:
    """Four channels, ten hours: some thousands of rows, not half a million samples."""
    rng = random.Random(1)
    count = 0
    for channel, temp_c in (("vat1", 170.0), ("vat2", 170.0), (CABINET, 66.0)):
        thinning = Thinning(channel)
        samples = ((at_ms, temp_c + rng.gauss(0, 0.1)) for at_ms in range(0, 36_000_000, 5_000))
        count += len(readings(thinning, *samples))
    assert 3 * 1200 <= count <= 3 * 1300


def test_a_flood_makes_no_more_readings_and_settles_as_ever() -> None:
    """Ten thousand samples a second: most are passed over, and the needle is found to rest all the same."""
    kitchen, thinning = Kitchen(), Thinning(NEEDLE)
    kitchen.insert(84.0)
    made = []
    for tenth in range(300_000):
        if tenth % 100 == 0:
            kitchen.pass_time(10)
        if reading := thinning.feed(tenth // 10, kitchen.needle_c):
            made.append(reading)
    assert len(made) < 30
    assert made[-1].settled
    assert made[-1].temp_c == pytest.approx(84.0, abs=0.4)
