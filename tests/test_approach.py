"""The fit of an exponential approach, tried on simulated ones; lags, noise and temperatures are invented."""

import math
import random

import pytest
from scipy import stats

from recorder.thermal.approach import fitted, student


@pytest.mark.parametrize("law", ["fluid", "meat"])
def test_the_interval_of_the_end_covers_the_end_nearly_as_often_as_it_says(law: str) -> None:
    """Both laws of NEEDLE.md. The search has steps, so it covers a little less; `settle` widens it."""
    rng, held, tries = random.Random(4), 0, 500
    for _ in range(tries):
        lag_s, noise_c, end_c = rng.uniform(0.5, 6), rng.uniform(0.05, 0.5), rng.uniform(60, 95)

        def left(at_s: float, lag_s: float = lag_s) -> float:
            return math.exp(-at_s / lag_s) if law == "fluid" else 1 / (1 + at_s / lag_s)

        curve = [(n * 500, end_c - 50 * left(n / 2) + rng.gauss(0, noise_c)) for n in range(24)]
        fit = fitted(curve)
        held += fit.low_c <= end_c <= fit.high_c
    assert held / tries >= 0.88


def test_without_noise_it_finds_the_end_by_either_law() -> None:
    fluid = fitted([(n * 500, 80 - 50 * math.exp(-n / 6)) for n in range(20)])
    left_c = 50 * math.exp(-19 / 6)
    assert (fluid.end_c, fluid.now_c) == (pytest.approx(80, abs=0.1), pytest.approx(80 - left_c, abs=0.1))
    assert (fluid.lean, fluid.quick_c) == (-1, pytest.approx(left_c, abs=0.1))
    assert fluid.slope_c_per_s == pytest.approx(50 * math.exp(-19 / 6) / 3, rel=0.05)
    meat = fitted([(n * 500, 80 - 50 / (2 + n / 2)) for n in range(20)])
    assert (meat.end_c, meat.now_c) == (pytest.approx(80, abs=0.1), pytest.approx(80 - 50 / 11.5, abs=0.1))
    assert (meat.lean, meat.slow_c) == (1, pytest.approx(50 / 11.5, abs=0.1))
    assert meat.slope_c_per_s == pytest.approx(50 / 11.5**2, rel=0.05)


def test_a_mean_of_many_weighs_as_many() -> None:
    """The same samples twice, or once with the weight of two: one curve."""
    rng = random.Random(2)
    once = [(n * 500, 80 - 50 * math.exp(-n / 6) + rng.gauss(0, 0.2)) for n in range(20)]
    twice = fitted([sample for sample in once for _ in range(2)])
    assert fitted(once, [2.0] * 20).end_c == pytest.approx(twice.end_c, abs=1e-6)


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(ValueError, match="5 samples are too few"):
        fitted([(n, 1.0) for n in range(5)])


def test_the_factor_of_student() -> None:
    """scipy.stats.t."""
    for free in range(6, 400):
        assert student(free) == pytest.approx(stats.t.ppf(0.975, free), abs=0.002)
