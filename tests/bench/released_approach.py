"""As rules 5 were released with it, kept unchanged for `tests.bench.settle` to compare with.

Where a needle with a first-order lag is going: the least-squares fit of an exponential approach. Pure.

The model is T(t) = end + rest * exp(-t / lag), lag unknown within `LAGS_S`, noise white. For each lag the other two
follow by linear least squares, so only the lag is searched (variable projection: Golub and Pereyra, 1973). The interval
of the end is the profile interval: every end for which some lag fits with a sum of squares of no more than
S + s^2 t^2, S being the least one, s^2 the variance of the noise and t Student's factor.

A few samples may lie on a curve by luck and would then promise too much. So the noise is pooled with what is believed
of it before anything is measured: `NOISE_C`, weighing as much as `NOISE_WEIGHT` samples.

It knows nothing of probes, pieces or limits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

LAGS_S = (0.4, 10.0)
"""The shortest and the longest lag that is looked for."""
LEAST_SAMPLES = 6
"""Three of them are spent on the curve."""
NOISE_C = 0.15
"""The noise of a thermocouple's reading, standard deviation (common practice, no source)."""
NOISE_WEIGHT = 3
_GRID = 9
_HALVINGS = 8
_GOLDEN = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True, slots=True)
class Approach:
    """An exponential approach, as fitted."""

    end_c: float
    """Where it is going."""
    half_c: float
    """Half of the 95 % interval of the end."""
    lag_s: float
    """The lag that fits best; of no meaning once the needle is level."""
    to_go_c: float
    """The rest of the way at the newest sample: end minus curve."""


def fitted(samples: Sequence[tuple[int, float]]) -> Approach:
    """The approach through these (ms, °C), oldest first. Raises ValueError for fewer than `LEAST_SAMPLES`."""
    if len(samples) < LEAST_SAMPLES:
        raise ValueError(f"{len(samples)} samples are too few for a curve; give {LEAST_SAMPLES} or more")
    newest_ms, base_c = samples[-1]
    ages = [(newest_ms - at_ms) / 1000 for at_ms, _ in samples]
    values = [value - base_c for _, value in samples]
    mean = sum(values) / len(values)
    centred = [value - mean for value in values]
    total = sum(value * value for value in centred)

    def line(log_lag: float) -> tuple[float, float, float, float, float]:
        """Sum of squares, end, variance of the end per noise variance, log of the lag, rest at the newest sample."""
        lag_s, oldest = math.exp(log_lag), ages[0]
        powers = [math.exp((age - oldest) / lag_s) for age in ages]
        middle = sum(powers) / len(powers)
        spread = sum(power * power for power in powers) - len(powers) * middle * middle
        rest = sum(power * value for power, value in zip(powers, centred, strict=True)) / spread
        left = max(total - rest * rest * spread, 0.0)
        return left, mean - rest * middle, 1 / len(powers) + middle * middle / spread, log_lag, rest * powers[-1]

    low, high = (math.log(lag_s) for lag_s in LAGS_S)
    step = (high - low) / (_GRID - 1)
    tried = [line(low + step * number) for number in range(_GRID)]
    best = min(tried)[3]
    low, high = max(low, best - step), min(high, best + step)
    left, right = line(high - _GOLDEN * (high - low)), line(low + _GOLDEN * (high - low))
    for _ in range(_HALVINGS):
        tried += [left, right]
        if left[0] < right[0]:
            high, right = right[3], left
            left = line(high - _GOLDEN * (high - low))
        else:
            low, left = left[3], right
            right = line(low + _GOLDEN * (high - low))
    least, end, _, log_lag, rest = min(tried)
    free = len(samples) - 3 + NOISE_WEIGHT
    room = student(free) ** 2 * (least + NOISE_WEIGHT * NOISE_C**2) / free
    halves = [
        abs(its_end - end) + math.sqrt((least + room - squares) * variance)
        for squares, its_end, variance, _, _ in tried
        if squares <= least + room
    ]
    return Approach(base_c + end, max(halves), math.exp(log_lag), -rest)


def student(free: int) -> float:
    """The two-sided 95 % factor of Student's t for 6 or more degrees of freedom, within 0.002 (Cornish and Fisher's
    expansion; Abramowitz and Stegun 26.7.5)."""
    return 1.95996 + 2.3722 / free + 2.8225 / free**2 + 2.5558 / free**3
