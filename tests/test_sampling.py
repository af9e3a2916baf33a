"""What a few pieces say, against published tables, scipy and simulation."""

import math
import random
from statistics import NormalDist, fmean, stdev

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, special, stats

from recorder.thermal.sampling import (
    CHART,
    Spread,
    broken_rules,
    drift,
    lower_bound,
    mean_limits,
    moving_sd,
    pooled_lower_bound,
    pooled_spread,
    range_limits,
    tolerance_factor,
)

# One-sided normal tolerance factors, computed with scipy 1.17's nct apart from this code; n 5, 10 and 30 at 0.90 and
# 0.95 are those of ISO 16269-6 (from memory). n -> confidence 0.90, 0.95, 0.99 by coverage 0.90, 0.95, 0.99.
FACTORS = {
    3: (4.2582, 5.3115, 7.3404, 6.1553, 7.6559, 10.5527, 13.9954, 17.3702, 23.8956),
    4: (3.1878, 3.9566, 5.4382, 4.1619, 5.1439, 7.0424, 7.3799, 9.0835, 12.3873),
    5: (2.7423, 3.3998, 4.6660, 3.4066, 4.2027, 5.7411, 5.3617, 6.5783, 8.9390),
    10: (2.0657, 2.5684, 3.5317, 2.3546, 2.9110, 3.9811, 3.0479, 3.7383, 5.0737),
    20: (1.7652, 2.2078, 3.0515, 1.9260, 2.3960, 3.2952, 2.2756, 2.8079, 3.8316),
    30: (1.6571, 2.0798, 2.8837, 1.7773, 2.2198, 3.0639, 2.0298, 2.5155, 3.4465),
}
PAIRS = [(confidence, coverage) for confidence in (0.90, 0.95, 0.99) for coverage in (0.90, 0.95, 0.99)]


@pytest.mark.parametrize("n", FACTORS)
def test_tolerance_factors_as_printed(n: int) -> None:
    for (confidence, coverage), printed in zip(PAIRS, FACTORS[n], strict=True):
        assert tolerance_factor(n, coverage, confidence) == pytest.approx(printed, abs=0.00006)


def exact(n: int, coverage: float, confidence: float, degrees: int) -> float:
    shift = NormalDist().inv_cdf(coverage) * math.sqrt(n)
    return float(stats.nct.ppf(confidence, degrees, shift)) / math.sqrt(n)


@pytest.mark.parametrize("n", [1, 2, 4, 7, 48])
@pytest.mark.parametrize("degrees", [1, 2, 3, 12, 60, 400, 4000])
def test_any_degrees_of_freedom_as_scipy(n: int, degrees: int) -> None:
    for confidence, coverage in PAIRS:
        ours = tolerance_factor(n, coverage, confidence, degrees)
        assert ours == pytest.approx(exact(n, coverage, confidence, degrees), rel=1e-5)


@pytest.mark.parametrize(("coverage", "confidence"), [(0.5, 0.5), (0.5, 0.4), (0.5, 0.001), (0.6, 0.01)])
@pytest.mark.parametrize(("n", "degrees"), [(4, 3), (1, 1), (4, 60)])
def test_a_bound_may_lie_above_the_mean_where_little_confidence_is_asked_for(
    n: int, degrees: int, coverage: float, confidence: float
) -> None:
    ours = tolerance_factor(n, coverage, confidence, degrees)
    assert ours == pytest.approx(exact(n, coverage, confidence, degrees), rel=1e-5, abs=1e-8)


def test_the_handbooks_example_and_its_misprint() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: n 43, coverage 0.90, confidence 0.99. Its closed approximation gives 1.8752,
    the exact factor is 1.87395. Mean 97.07 and s 0.0268 make an upper bound of 97.1203; the page prints
    "97.07 + 1.8752 * 2.68 = 102.096", where 2.68 is a misprint of 0.0268."""
    factor = tolerance_factor(43, 0.90, 0.99)
    assert factor == pytest.approx(1.87395, abs=0.00001)
    z, g = NormalDist().inv_cdf(0.90), NormalDist().inv_cdf(0.99)
    a, b = 1 - g**2 / (2 * 42), z**2 - g**2 / 43
    approximation = (z + math.sqrt(z**2 - a * b)) / a
    assert approximation == pytest.approx(1.8751896, abs=1e-6)
    assert 97.07 + approximation * 0.0268 == pytest.approx(97.1203, abs=0.0001)
    assert 97.07 + factor * 0.0268 == pytest.approx(97.1202, abs=0.0001)


def test_forty_pieces() -> None:
    """real-statistics.com, read at second hand: n 40, coverage 0.90, confidence 0.99."""
    assert tolerance_factor(40, 0.90, 0.99) == pytest.approx(1.9017, abs=0.00005)


def test_four_pieces_carry_what_they_promise() -> None:
    """Simulation: the bound of four pieces is below 95 % of all in 95 % of batches; that of a pooled spread too."""
    dice = np.random.default_rng(5)
    batches = dice.normal(82, 2, (20_000, 4))
    factor, true_c = tolerance_factor(4, 0.95, 0.95), 82 + 2 * NormalDist().inv_cdf(0.05)
    held = (batches.mean(1) - factor * batches.std(1, ddof=1) <= true_c).mean()
    assert held == pytest.approx(0.95, abs=0.006)
    pooled = 2 * np.sqrt(dice.chisquare(30, 20_000) / 30)
    held = (batches.mean(1) - tolerance_factor(4, 0.95, 0.95, 30) * pooled <= true_c).mean()
    assert held == pytest.approx(0.95, abs=0.006)
    assert lower_bound(list(batches[0])) == pytest.approx(batches[0].mean() - factor * batches[0].std(ddof=1))


def test_earlier_batches_help_much() -> None:
    assert tolerance_factor(4, 0.95, 0.95) == pytest.approx(5.1439, abs=0.0001)
    assert tolerance_factor(4, 0.95, 0.95, 30) == pytest.approx(exact(4, 0.95, 0.95, 30), rel=1e-6)
    assert tolerance_factor(4, 0.95, 0.95, 30) < 3


@pytest.mark.parametrize("bad", [(1, 0.95, 0.95), (0, 0.95, 0.95), (4, 0.4, 0.95), (4, 1.0, 0.95), (4, 0.95, 0.0)])
def test_no_factor(bad: tuple[int, float, float]) -> None:
    with pytest.raises(ValueError, match=r"carry no bound|must be from"):
        tolerance_factor(*bad)


def test_the_pooled_spread_is_the_root_of_the_mean_variance() -> None:
    batches = [(80.0, 82.0), (70.0, 71.0, 75.0), (90.0,), ()]
    spread = pooled_spread(batches)
    assert spread is not None and spread.degrees == 3
    assert spread.sd == pytest.approx(math.sqrt((2.0 + 14.0) / 3))
    assert pooled_spread([(80.0,), ()]) is None


def test_bounds() -> None:
    assert lower_bound((80.0, 82.0, 84.0, 86.0)) == pytest.approx(83 - 5.14387 * stdev((80, 82, 84, 86)), abs=0.001)
    one = pooled_lower_bound((83.0,), Spread(2.0, 30))
    assert one == pytest.approx(83 - 2 * exact(1, 0.95, 0.95, 30), abs=0.0001)
    with pytest.raises(ValueError, match="1 pieces show no spread"):
        lower_bound((80.0,))
    with pytest.raises(ValueError, match="no piece was probed"):
        pooled_lower_bound((), Spread(2.0, 30))


@given(st.lists(st.floats(60, 95), min_size=2, max_size=8), st.floats(-20, 20))
def test_bounds_move_with_the_pieces(temps_c: list[float], by_c: float) -> None:
    moved = [each + by_c for each in temps_c]
    assert lower_bound(moved) == pytest.approx(lower_bound(temps_c) + by_c, abs=1e-6)
    assert lower_bound(temps_c) <= fmean(temps_c) + 1e-9


# Shewhart's constants, as printed to four places: n -> d2, d3, c4, A2, D3, D4. Books with three places cut D4 off.
PRINTED = {
    2: (1.1284, 0.8525, 0.7979, 1.8800, 0, 3.2665),
    3: (1.6926, 0.8884, 0.8862, 1.0233, 0, 2.5746),
    4: (2.0588, 0.8798, 0.9213, 0.7286, 0, 2.2821),
    5: (2.3259, 0.8641, 0.9400, 0.5768, 0, 2.1145),
    6: (2.5344, 0.8480, 0.9515, 0.4832, 0, 2.0038),
}


@pytest.mark.parametrize("n", PRINTED)
def test_chart_constants_as_printed(n: int) -> None:
    d2, d3, c4, a2, low, high = PRINTED[n]
    ours = CHART[n]
    assert (ours.d2, ours.d3, ours.c4) == pytest.approx((d2, d3, c4), abs=0.00006)
    means, ranges = mean_limits(80, 1.0, n), range_limits(1.0, n)
    assert (means.high - 80, 80 - means.low) == pytest.approx((a2, a2), abs=0.0001)
    assert (ranges.low, ranges.centre, ranges.high) == pytest.approx((low, 1, high), abs=0.0002)


@pytest.mark.parametrize("n", PRINTED)
def test_chart_constants_by_integration(n: int) -> None:
    """The mean and the variance of the range of n normal draws, from its distribution (Tippett, 1925)."""

    x, widths = np.linspace(-9, 9, 1501)[:, None], np.linspace(0, 10, 401)
    density = n * stats.norm.pdf(x) * (stats.norm.cdf(x + widths) - stats.norm.cdf(x)) ** (n - 1)
    survival = 1 - integrate.simpson(density, x=x[:, 0], axis=0)
    mean = float(integrate.simpson(survival, x=widths))
    square = float(integrate.simpson(2 * widths * survival, x=widths))
    assert CHART[n].d2 == pytest.approx(mean, abs=2e-5)
    assert CHART[n].d3 == pytest.approx(math.sqrt(square - mean**2), abs=2e-5)
    c4 = math.sqrt(2 / (n - 1)) * math.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))
    assert CHART[n].c4 == pytest.approx(c4, abs=1e-5)


def test_single_values() -> None:
    """Individuals: 3 / d2(2) is 2.6587, as printed."""
    assert 3 / CHART[2].d2 == pytest.approx(2.6587, abs=0.0001)


def test_no_chart() -> None:
    with pytest.raises(ValueError, match="no chart constants for 7 pieces"):
        mean_limits(80, 1, 7)
    with pytest.raises(ValueError, match="a mean range of -1 is none"):
        range_limits(-1, 4)


@pytest.mark.parametrize(
    ("points", "below", "above"),
    [
        ([-3.1], (1,), ()),
        ([-3.0], (), ()),
        ([3.1], (), (1,)),
        ([-2.1, 0, -2.1], (2,), ()),
        ([-2.1, -2.1], (2,), ()),
        ([-2.1, -2.1, 0], (), ()),
        ([-2.1, 2.1], (), ()),
        ([-1.1, -1.1, 0.5, -1.1, -1.1], (3,), ()),
        ([-1.1, -1.1, 0.5, 0.5, -1.1], (), ()),
        ([-0.1] * 8, (4,), ()),
        ([-0.1] * 7, (), ()),
        ([0.1] * 3 + [0.0] + [0.1] * 4, (), ()),
        ([0.1] * 8, (), (4,)),
        ([-1.5] * 7 + [-3.5], (1, 3, 4), ()),
        ([], (), ()),
    ],
)
def test_run_rules(points: list[float], below: tuple[int, ...], above: tuple[int, ...]) -> None:
    """Western Electric, Statistical Quality Control Handbook (1956), as numerics.net's documentation gives them."""
    scaled = [80 + 2 * each for each in points]
    assert broken_rules(scaled, 80, 2, -1) == below
    assert broken_rules(scaled, 80, 2, 1) == above


def test_no_rule_without_a_spread() -> None:
    with pytest.raises(ValueError, match="a standard deviation of 0 makes no lines"):
        broken_rules([80], 80, 0, -1)


def test_a_moving_range_takes_two_points() -> None:
    with pytest.raises(ValueError, match="1 points do not move"):
        moving_sd([75.0])
    assert moving_sd([75.0, 77.0, 74.0]) == pytest.approx(2.5 / 1.128, abs=0.001)  # ASTM E2587, individuals


def test_how_often_the_rules_are_broken_by_chance() -> None:
    """The mean length of a run until any of the four is broken: 91.75 (Champ and Woodall 1987, read at second hand)."""
    dice, total, runs = random.Random(3), 0, 1500
    for _ in range(runs):
        points: list[float] = []
        while not (points and (broken_rules(points, 0, 1, -1) or broken_rules(points, 0, 1, 1))):
            points = [*points[-7:], dice.gauss(0, 1)]
            total += 1
    assert total / runs == pytest.approx(91.75, rel=0.08)


def test_a_drift_shows_against_the_history_that_it_is_not_part_of() -> None:
    dice = random.Random(8)
    steady = [dice.gauss(84, 1) for _ in range(20)]
    assert drift(steady, -1) == () and drift(steady, 1) == ()
    sinking = [84 - 0.45 * n + dice.gauss(0, 0.3) for n in range(9)]
    assert 4 in drift([*steady, *sinking[1:]], -1)
    assert drift([*steady, *sinking[1:]], 1) == ()
    assert 1 in drift([*steady[:8], 75], -1), "the ninth point is the first that can be judged"


@pytest.mark.parametrize("points", [[], [80] * 8, [80, 81] * 3, [80.0] * 20])
def test_a_short_or_flat_history_says_nothing(points: list[float]) -> None:
    assert drift(points, -1) == ()


@given(st.lists(st.floats(60, 95), min_size=9, max_size=40))
def test_down_mirrors_up(points: list[float]) -> None:
    assert drift(points, -1) == drift([-each for each in points], 1)
