"""What a few probed pieces say about all the pieces of a batch, and a run of batches about the next. Pure.

In one plain sentence, for whoever sees a bound: **four pieces say little about forty-eight; the bound is where nearly
all of them are, with room for how little was looked at.** With four pieces it lies 5.14 standard deviations below their
mean, so a batch by itself can hardly ever show that all of it is hot. The spread of many earlier batches helps: it is
known better than four pieces can tell.

All of it takes pieces for draws from one normal distribution. Values and bounds share any one unit, °C here.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import pairwise
from statistics import NormalDist, fmean, variance

COVERAGE, CONFIDENCE = 0.95, 0.95
"""The share of the pieces that a bound speaks of, and how surely."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How much pieces of one batch differ."""

    sd: float
    """Standard deviation within a batch."""
    degrees: int
    """Degrees of freedom it rests on: pieces less batches."""


@dataclass(frozen=True, slots=True)
class Constants:
    """Of Shewhart's charts, for batches of one size. Source: ASTM E2587; tests/test_sampling.py computes them."""

    d2: float
    """Mean range over standard deviation."""
    d3: float
    """Standard deviation of the range over standard deviation."""
    c4: float
    """Mean sample standard deviation over standard deviation."""


CHART = {
    2: Constants(1.12838, 0.85250, 0.79788),
    3: Constants(1.69257, 0.88837, 0.88623),
    4: Constants(2.05875, 0.87981, 0.92132),
    5: Constants(2.32593, 0.86408, 0.93999),
    6: Constants(2.53441, 0.84804, 0.95153),
}
"""By the number of pieces in a batch."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Of one chart: three standard deviations around the centre."""

    low: float
    centre: float
    high: float


@cache
def tolerance_factor(n: int, coverage: float, confidence: float, degrees: int | None = None) -> float:
    """How many standard deviations below the mean of `n` pieces the lower tolerance bound lies.

    Above the bound lies the share `coverage` of all pieces, with `confidence`. `degrees` are those of the standard
    deviation: n - 1 where it is the pieces' own, else those of a pooled one. It is the quantile of Student's noncentral
    t over the root of n (ISO 16269-6), within 1e-5 of itself. Raises `ValueError` for fewer than 1 piece or degree, and
    unless both shares are between 0 and 1 and `coverage` at least one half.
    """
    degrees = n - 1 if degrees is None else degrees
    if n < 1 or degrees < 1:
        raise ValueError(f"{n} pieces with {degrees} degrees of freedom carry no bound; probe two pieces or more")
    if not (0.5 <= coverage < 1 and 0 < confidence < 1):
        raise ValueError(f"coverage {coverage} must be from 0.5 to 1 and confidence {confidence} between 0 and 1")
    shift = NormalDist().inv_cdf(coverage) * math.sqrt(n)
    below = _noncentral_t(degrees, shift)
    low, high = -10.0, 10.0
    while below(low) >= confidence:
        low *= 2
    while below(high) < confidence:
        high *= 2
    while high - low > 1e-9 * max(abs(high), 0.001):
        middle = (low + high) / 2
        low, high = (middle, high) if below(middle) < confidence else (low, middle)
    return high / math.sqrt(n)


def _noncentral_t(degrees: int, shift: float) -> Callable[[float], float]:
    """Its distribution function: Simpson's rule over the chi distribution of the standard deviation.

    The places lie as the squares of even steps, since a high quantile with few degrees hangs on small deviations.
    """
    size, top = 1_000, 1 + 9 / math.sqrt(2 * degrees)
    scale = degrees / 2 * math.log(degrees / 2) - math.lgamma(degrees / 2)
    steps = [at / size for at in range(1, size + 1)]
    places = [top * step * step for step in steps]
    weights = [
        (8 if at % 2 else 4)
        * (top / size / 3 * step)
        * math.exp(scale + (degrees - 1) * math.log(sd) - degrees * sd * sd / 2)
        for at, (step, sd) in enumerate(zip(steps, places, strict=True), 1)
    ]
    root = math.sqrt(2)

    def below(t: float) -> float:
        return math.fsum(
            weight * math.erfc((shift - t * sd) / root) for weight, sd in zip(weights, places, strict=True)
        )

    return below


def lower_bound(temps_c: Sequence[float]) -> float:
    """°C above which the share `COVERAGE` of a batch lies, with `CONFIDENCE`, by its own probed pieces alone.

    Raises `ValueError` for fewer than two. Source: as for `tolerance_factor`.
    """
    if len(temps_c) < 2:
        raise ValueError(f"{len(temps_c)} pieces show no spread; probe two or more")
    return fmean(temps_c) - tolerance_factor(len(temps_c), COVERAGE, CONFIDENCE) * math.sqrt(variance(temps_c))


def pooled_spread(batches: Sequence[Sequence[float]]) -> Spread | None:
    """The spread within batches, from the probed pieces (°C) of each; None where no batch has two.

    The root of the mean variance, each batch weighing as much as it has degrees of freedom.
    """
    spread = [(len(temps_c) - 1, _variance(tuple(temps_c))) for temps_c in batches if len(temps_c) > 1]
    degrees = sum(each for each, _ in spread)
    return Spread(math.sqrt(sum(each * value for each, value in spread) / degrees), degrees) if degrees else None


@lru_cache(maxsize=256)
def _variance(temps_c: tuple[float, ...]) -> float:
    """Remembered: the same batches are asked for again with every batch after them."""
    return variance(temps_c)


def pooled_lower_bound(temps_c: Sequence[float], spread: Spread) -> float:
    """As `lower_bound`, but with the spread of earlier batches in place of the pieces' own; one piece is enough.

    It holds as far as this batch spreads as those did. Raises `ValueError` for no piece.
    """
    if not temps_c:
        raise ValueError("no piece was probed; probe one or more")
    return fmean(temps_c) - tolerance_factor(len(temps_c), COVERAGE, CONFIDENCE, spread.degrees) * spread.sd


def mean_limits(centre: float, mean_range: float, n: int) -> Limits:
    """Limits of the chart of means of `n` pieces (x-bar), from the mean range: centre and range * A2 to either side.

    Raises `ValueError` for another `n` than `CHART` has, and a range below zero. Source: as for `Constants`.
    """
    reach = 3 / (_constants(n, mean_range).d2 * math.sqrt(n)) * mean_range
    return Limits(centre - reach, centre, centre + reach)


def range_limits(mean_range: float, n: int) -> Limits:
    """Limits of the chart of ranges of `n` pieces (R): range times D3 and D4. Raises as `mean_limits` does."""
    constants = _constants(n, mean_range)
    reach = 3 * constants.d3 / constants.d2
    return Limits(mean_range * max(0.0, 1 - reach), mean_range, mean_range * (1 + reach))


def _constants(n: int, mean_range: float) -> Constants:
    if n not in CHART:
        raise ValueError(f"there are no chart constants for {n} pieces; there are for {', '.join(map(str, CHART))}")
    if not mean_range >= 0:
        raise ValueError(f"a mean range of {mean_range} is none; it is zero or more")
    return CHART[n]


RULES = {1: (1, 1, 3.0), 2: (2, 3, 2.0), 3: (4, 5, 1.0), 4: (8, 8, 0.0)}
"""The Western Electric rules (Statistical Quality Control Handbook, 1956): so many of so many points, so many standard
deviations beyond the centre, on one side."""


def broken_rules(points: Sequence[float], centre: float, sd: float, side: int) -> tuple[int, ...]:
    """Numbers of the `RULES` that the newest of `points` breaks, oldest first, on `side`: -1 below, 1 above the centre.

    A point on a line is not beyond it. Only a run that the newest point belongs to counts. Raises `ValueError` unless
    `sd` is above zero.
    """
    if not sd > 0:
        raise ValueError(f"a standard deviation of {sd} makes no lines; it must be above zero")
    broken = []
    for number, (needed, among, lines) in RULES.items():
        beyond = [side * (point - centre) > lines * sd for point in points[-among:]]
        if beyond and beyond[-1] and sum(beyond) >= needed:
            broken.append(number)
    return tuple(broken)


def moving_sd(points: Sequence[float]) -> float:
    """The standard deviation of `points` from one to the next: their mean moving range over d2.

    Raises `ValueError` for fewer than two.
    """
    if len(points) < 2:
        raise ValueError(f"{len(points)} points do not move; two or more do")
    return fmean(abs(later - earlier) for earlier, later in pairwise(points)) / CHART[2].d2


LEAST_BASE = 8
"""Points that a centre and a spread need at least."""

TESTED = 8
"""The newest points, which are tested against those before them: as many as the longest rule looks at."""


def usual(points: Sequence[float]) -> Sequence[float]:
    """The history that the newest of `points` are judged against: all but the newest `TESTED`, and while that would be
    too few, the first `LEAST_BASE`."""
    return points[: max(len(points) - TESTED, LEAST_BASE)]


def drift(points: Sequence[float], side: int) -> tuple[int, ...]:
    """Numbers of the rules by which the newest of `points` has drifted to `side` (-1 down, 1 up) from its `usual`.

    The spread is `moving_sd`, so that a slow change does not hide itself. () while the history is too
    short, or does not vary at all. A few points make a rough spread: a rule is then broken by chance more often than
    once in 92 points, which is what it takes with a known one.
    """
    base = usual(points)
    tested = points[len(base) :]
    if not tested:
        return ()
    sd = moving_sd(base)
    return broken_rules(tested, fmean(base), sd, side) if sd > 0 else ()
