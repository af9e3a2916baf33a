"""The lag of a needle, read from its way into a bath; the first-order lag is textbook."""

import math
import random

import pytest

from recorder.thermal.response import lag_s, slowed
from tests.bench.needles import insertions


def way(
    lag: float, hz: float, noise_c: float = 0.1, from_c: float = 25.0, to_c: float = 0.0
) -> list[tuple[int, float]]:
    """Two seconds of air, then the bath."""
    dice = random.Random(1)
    samples = []
    for number in range(round(30 * hz)):
        at_s = number / hz - 2
        left = math.exp(-at_s / lag) if at_s > 0 else 1.0
        samples.append((round(number * 1000 / hz), to_c + (from_c - to_c) * left + dice.gauss(0, noise_c)))
    return samples


@pytest.mark.parametrize("lag", [0.8, 1.5, 3.0, 6.0])
@pytest.mark.parametrize("hz", [2, 5, 10])
def test_the_lag_is_found(lag: float, hz: float) -> None:
    """Within the time between two samples: it may have begun to move anywhere in it."""
    if lag * hz < 1.5:
        assert lag_s(way(lag, hz), 0.0) is None or lag_s(way(lag, hz), 0.0) == pytest.approx(lag, abs=1 / hz)
        return
    assert lag_s(way(lag, hz), 0.0) == pytest.approx(lag, abs=0.1 * lag + 1 / hz)
    assert lag_s(way(lag, hz, to_c=100.0), 100.0) == pytest.approx(lag, abs=0.1 * lag + 1 / hz)


def test_where_no_lag_shows_there_is_none() -> None:
    assert lag_s([], 0.0) is None
    assert lag_s(way(2, 4, from_c=12), 0.0) is None, "too short a way"
    assert lag_s(way(0.3, 1), 0.0) is None, "too few samples on it"
    assert lag_s(way(2, 4)[40:], 0.0) is None, "no beginning"
    assert lag_s(way(20, 4)[:20], 0.0) is None, "no end"


def test_a_needle_that_became_slow_is_noticed_and_noise_is_none() -> None:
    before = lag_s(way(1.2, 4), 0.0)
    assert before
    assert not slowed(before, lag_s(way(1.3, 4), 0.0) or 0)
    assert slowed(before, lag_s(way(2.6, 4), 0.0) or 0)
    assert not slowed(0.3, 0.7), "half a sample more"
    assert not slowed(3.0, 4.5), "a bath that is not stirred"
    assert not slowed(0.5, 1.5)
    assert slowed(0.5, 1.501)


def test_the_lag_is_read_between_two_samples() -> None:
    """63.2 % of the way, by a straight line; from the last sample that had not begun it."""
    shares = [(0, 0.0), (1000, 0.0), (1500, 0.4), (2000, 0.6), (2500, 0.664), (3000, 0.9)]
    assert lag_s([(at_ms, 100 * (1 - share)) for at_ms, share in shares], 0.0) == pytest.approx(1.25, abs=1e-9)
    quick = [(0, 100.0), (1000, 100.0), (1500, 30.0), (2000, 10.0), (2500, 1.0)]
    assert lag_s(quick, 0.0) == pytest.approx(0.5 * 0.632 / 0.7, abs=1e-9)
    assert lag_s([*quick[:3], *quick[4:]], 0.0) is None, "two samples show no lag"


def test_thick_needles_are_slower_in_ice_than_thin_ones() -> None:
    """By the conduction of heat in the bench (NEEDLE.md)."""
    lags = {diameter_mm: [] for diameter_mm in (1.0, 1.6, 3.2)}  # type: dict[float, list[float]]
    for each in insertions(["ice bath"], 6, 3, None):
        if each.samples[0][1] > 20 and (found := lag_s([s for s in each.samples if s[0] > -2000], 0.05)):
            lags[each.diameter_mm].append(found)
    middles = [sorted(found)[len(found) // 2] for found in lags.values()]
    assert middles == sorted(middles)
