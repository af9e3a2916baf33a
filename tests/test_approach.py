"""The fit of an exponential approach, tried on simulated ones; lags, noise and temperatures are invented."""

import math
import random

import pytest
from scipy import stats

from recorder.thermal.approach import fitted, student


def test_the_interval_of_the_end_covers_the_end_as_often_as_it_says() -> None:
    rng, held, tries = random.Random(4), 0, 1000
    for _ in range(tries):
        lag_s, noise_c, end_c = rng.uniform(0.5, 6), rng.uniform(0.05, 0.5), rng.uniform(60, 95)
        curve = [(n * 500, end_c - 50 * math.exp(-n / 2 / lag_s) + rng.gauss(0, noise_c)) for n in range(24)]
        fit = fitted(curve)
        held += abs(fit.end_c - end_c) <= fit.half_c
    assert 0.93 <= held / tries <= 0.97


def test_without_noise_it_finds_the_lag_and_the_end() -> None:
    fit = fitted([(n * 500, 80 - 50 * math.exp(-n / 6)) for n in range(20)])
    assert (fit.end_c, fit.lag_s) == (pytest.approx(80, abs=0.05), pytest.approx(3, rel=0.01))
    assert fit.to_go_c == pytest.approx(50 * math.exp(-19 / 6), abs=0.05)


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(ValueError, match="5 samples are too few"):
        fitted([(n, 1.0) for n in range(5)])


def test_the_factor_of_student() -> None:
    """scipy.stats.t."""
    for free in range(6, 400):
        assert student(free) == pytest.approx(stats.t.ppf(0.975, free), abs=0.002)
