"""The fit of an exponential approach, tried on simulated ones; lags, noise and temperatures are invented."""

import math
import random

import numpy as np
import pytest
from scipy import stats

from recorder.thermal.approach import NOISE_C, NOISE_WEIGHT, fitted, student


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


@pytest.mark.parametrize("law", ["fluid", "meat"])
def test_with_one_lag_it_is_the_line_of_linear_least_squares_with_its_interval(law: str) -> None:
    """By numpy, for a lag of 2 s and an origin 1 s before; the noise is pooled with what is believed of it."""
    rng = random.Random(7)
    at_s = np.arange(24) / 2
    shape = np.exp(-at_s / 2) if law == "fluid" else 1 / (1 + at_s)
    values = 80 - 50 * shape + [rng.gauss(0, 0.3) for _ in at_s]
    samples = [(round(1000 * at), float(value)) for at, value in zip(at_s, values, strict=True)]
    fit = fitted(samples, None, (1.0, 1.0 + 1e-9), (2.0, 2.0 + 1e-9))
    columns = np.stack([np.ones(24), shape], 1)
    (end, size), (least,), _, _ = np.linalg.lstsq(columns, values, rcond=None)
    variance = np.linalg.inv(columns.T @ columns)[0, 0]
    believed = NOISE_WEIGHT * NOISE_C**2
    pooled = (least + believed) / (24 - 3 + NOISE_WEIGHT)
    half = stats.t.ppf(0.975, 24 - 3 + NOISE_WEIGHT) * math.sqrt(pooled * variance)
    assert fit.end_c == pytest.approx(end, abs=1e-4)
    assert (fit.low_c, fit.high_c) == pytest.approx((end - half, end + half), abs=2e-3)
    assert fit.now_c == pytest.approx(end + size * shape[-1], abs=1e-4)
    assert fit.slope_c_per_s == pytest.approx(-size * shape[-1] / (2 if law == "fluid" else 1 + at_s[-1]), rel=1e-4)
    assert fit.left_c == pytest.approx(math.sqrt(least / 21), rel=1e-4)
    assert fit.noise_c == pytest.approx(math.sqrt((least + believed) / 24 * variance), rel=1e-4)
    assert fit.lean == (-1 if law == "fluid" else 1)


def test_how_the_two_laws_compare_shows_between_their_ends() -> None:
    """Halfway, where both leave as much over; and how far it still goes lies there too."""
    rng = random.Random(3)
    leans = []
    for _ in range(60):
        fit = fitted([(n * 500, 80 - 4 * math.exp(-n / 6) + rng.gauss(0, 0.5)) for n in range(20)])
        assert fit.rest_c == pytest.approx(fit.quick_c + (1 + fit.lean) / 2 * (fit.slow_c - fit.quick_c))
        leans.append(fit.lean)
    assert all(-1 <= lean <= 1 for lean in leans)
    assert sum(abs(lean) < 0.5 for lean in leans) >= 40


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
