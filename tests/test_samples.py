"""Arithmetic on a needle's samples; noise and swings are drawn, of the size of a kitchen's."""

import math
import random

import pytest

from recorder.thermal.samples import LEAST_SECONDS, SWING, SWING_C, in_bins, level, swing, white_c


def noise(hz: float, seconds: float, deviation_c: float, seed: int = 1) -> list[tuple[int, float]]:
    dice = random.Random(seed)
    return [(round(1000 * n / hz), 80 + dice.gauss(0, deviation_c)) for n in range(round(hz * seconds))]


def test_half_seconds_become_one_and_what_is_older_than_ten_seconds_whole_ones() -> None:
    samples = [(at_ms, float(at_ms)) for at_ms in range(0, 12_001, 100)]
    means, counts = in_bins(samples)
    assert sum(counts) == len(samples)
    assert counts[:3] == [1, 10, 10], "the oldest is twelve seconds old"
    assert [at_ms == pytest.approx(value, abs=1) for at_ms, value in means] == [True] * len(means)
    assert (counts[-2], counts[1]) == (5, 10)


@pytest.mark.parametrize("deviation_c", [0.05, 0.5])
def test_noise_is_found_on_any_straight_line(deviation_c: float) -> None:
    samples = [(at_ms, value + at_ms / 500) for at_ms, value in noise(10, 60, deviation_c)]
    assert white_c(samples) == pytest.approx(deviation_c, rel=0.1)


def test_level_is_a_line_that_hardly_rises_over_nearly_all_of_the_time() -> None:
    flat, steep = ([(n * 500, 80 + c_per_s * n / 2) for n in range(13)] for c_per_s in (0.02998, -0.03002))
    assert level(flat, 6_000)
    assert level(flat, 8_000)
    assert not level(flat, 8_004)
    assert not level(steep, 6_000)


@pytest.mark.parametrize(("hz", "most"), [(2, 12), (4, 4), (10, 0)])
def test_noise_is_seldom_a_swing(hz: float, most: int) -> None:
    """Of two samples a second the mean has nearly as much; then the needle settles a moment later."""
    assert not any(swing(noise(hz, 8, 0.05, seed)) for seed in range(40))
    assert sum(swing(noise(hz, 8, 0.5, seed)) for seed in range(40)) <= most


@pytest.mark.parametrize(("size_c", "swings"), [(0.15, False), (1.0, True)])
def test_what_goes_to_and_fro_more_slowly_than_noise_swings(size_c: float, swings: bool) -> None:
    """As steam does; once in three seconds."""
    samples = [(at_ms, value + size_c * math.sin(at_ms / 480)) for at_ms, value in noise(5, 8, 0.1)]
    assert swing(samples) is swings


def test_a_swing_is_as_large_as_it_must_be_and_takes_its_time() -> None:
    """Seconds that are in turn so much higher and lower, each of two samples."""

    def swung(size_c: float, seconds: int, apart_c: float = 0.0) -> bool:
        each = [(-1) ** second * size_c for second in range(seconds)]
        return swing([(s * 1000 + n * 500, each[s] + (-1) ** n * apart_c) for s in range(seconds) for n in (0, 1)])

    per_c = 4 / math.sqrt(6)
    """Of means that are 1 °C above and below: each bend is 4 °C."""
    assert swung(SWING_C / per_c + 0.001, 8)
    assert not swung(SWING_C / per_c - 0.001, 8)
    assert swung(1, LEAST_SECONDS)
    assert not swung(1, LEAST_SECONDS - 1)
    assert [swung(1, 8, apart_c) for apart_c in (0.5, 3.0)] == [True, False]
    assert SWING < 1


def test_an_old_second_is_a_whole_one() -> None:
    means, counts = in_bins([(0, 1.0), (890, 3.0), (11_990, 5.0)])
    assert (means, counts) == ([(445, 2.0), (11_990, 5.0)], [2, 1])
