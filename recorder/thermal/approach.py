"""Where a needle is going: the least-squares fit of an approach, and the interval that its end lies in. Pure.

Two laws bound what needles do (NEEDLE.md). In a fluid the rest of the way dies as exp(-t / lag). In meat the needle
has cooled or heated what it touches, and the rest dies as 1 / (t - origin): far more slowly, though it looks level.
For each lag, or origin, the end and the size of the rest follow by linear least squares, so only one number is searched
(variable projection: Golub and Pereyra, 1973). The interval of the end is the profile interval over both laws: every
end for which some lag or origin fits with a sum of squares of no more than S + s^2 t^2, S being the least one, s^2 the
variance of the noise and t Student's factor.

A few samples may lie on a curve by luck and would then promise too much. So the noise is pooled with what is believed
of it before anything is measured: `NOISE_C`, weighing as much as `NOISE_WEIGHT` samples.

It knows nothing of probes, pieces or limits.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

LAGS_S = (0.4, 12.0)
"""The shortest and the longest lag that is looked for."""
ORIGINS_S = (0.3, 25.0)
"""How long before the oldest sample the origin of a slow rest is looked for, unless the caller knows better."""
LEAST_SAMPLES = 6
"""Three of them are spent on the curve."""
NOISE_C = 0.15
"""The noise of a thermocouple's reading, standard deviation (common practice, no source)."""
NOISE_WEIGHT = 3
_GRID = 7
_HALVINGS = 9
_GOLDEN = (math.sqrt(5) - 1) / 2

Line = tuple[float, float, float, float, float]
"""Sum of squares, end, its variance per noise variance, log of the searched number, rest at the newest sample."""


@dataclass(frozen=True, slots=True)
class Approach:
    """An approach, as fitted."""

    low_c: float
    high_c: float
    """The 95 % interval of where it is going."""
    end_c: float
    """The end that fits best."""
    now_c: float
    """Where the best curve is at the newest sample."""
    slope_c_per_s: float
    """How fast the curve rises at the newest sample."""
    left_c: float
    """The standard deviation of what the best curve leaves over, for one sample of weight 1."""
    quick_c: float
    slow_c: float
    """The rest of the way as the best curve of a fluid has it, and as the best one of meat has it."""
    lean: float
    """Which of the two fits better: the logarithm of their sums of squares' ratio, from -1, a fluid, to 1, meat."""
    noise_c: float
    """The standard deviation of `end_c` that noise alone leaves."""

    @property
    def rest_c(self) -> float:
        """How far it still goes: between the two laws, nearer to the one that fits better."""
        return self.quick_c + (1 + self.lean) / 2 * (self.slow_c - self.quick_c)


def fitted(
    samples: Sequence[tuple[int, float]],
    weights: Sequence[float] | None = None,
    origins_s: tuple[float, float] = ORIGINS_S,
    lags_s: tuple[float, float] = LAGS_S,
) -> Approach:
    """The approach through these (ms, °C), oldest first. Raises ValueError for fewer than `LEAST_SAMPLES`.

    `weights`: how many measurements each sample is the mean of. `origins_s`: least and most seconds before the oldest.
    """
    if len(samples) < LEAST_SAMPLES:
        raise ValueError(f"{len(samples)} samples are too few for a curve; give {LEAST_SAMPLES} or more")
    weights = weights or [1.0] * len(samples)
    oldest_ms = samples[0][0]
    times = [(at_ms - oldest_ms) / 1000 for at_ms, _ in samples]
    whole = sum(weights)
    mean = sum(weight * value for weight, (_, value) in zip(weights, samples, strict=True)) / whole
    centred = [value - mean for _, value in samples]
    total = sum(weight * value * value for weight, value in zip(weights, centred, strict=True))
    weighted = [weight * value for weight, value in zip(weights, centred, strict=True)]

    def line(log: float, powers: list[float]) -> Line:
        middle = sum([weight * power for weight, power in zip(weights, powers, strict=True)]) / whole
        spread = sum([weight * power * power for weight, power in zip(weights, powers, strict=True)])
        spread = max(spread - whole * middle * middle, 1e-12)
        rest = sum([power * value for power, value in zip(powers, weighted, strict=True)]) / spread
        left = max(total - rest * rest * spread, 0.0)
        return left, mean - rest * middle, 1 / whole + middle * middle / spread, log, rest * powers[-1]

    def quick(log: float) -> Line:
        rate = -math.exp(-log)
        return line(log, [math.exp(rate * time) for time in times])

    def slow(log: float) -> Line:
        origin = math.exp(log)
        return line(log, [1 / (origin + time) for time in times])

    quickly, slowly = _searched(quick, *lags_s), _searched(slow, *origins_s)
    tried = quickly + slowly
    fluid, meat = min(quickly), min(slowly)
    best = min(fluid, meat)
    least, end, variance, log, rest = best
    pace_s = math.exp(log) if best is fluid else math.exp(log) + times[-1]
    free = len(samples) - 3 + NOISE_WEIGHT
    believed = NOISE_WEIGHT * NOISE_C**2
    room = student(free) ** 2 * (least + believed) / free
    fair = [
        (its, math.sqrt((least + room - left) * its_variance))
        for left, its, its_variance, _, _ in tried
        if left <= least + room
    ]
    return Approach(
        min(its - half for its, half in fair),
        max(its + half for its, half in fair),
        end,
        end + rest,
        -rest / pace_s,
        math.sqrt(least / max(len(samples) - 3, 1)),
        -fluid[4],
        -meat[4],
        min(max(math.log((fluid[0] + believed) / (meat[0] + believed)), -1.0), 1.0),
        math.sqrt((least + believed) / len(samples) * variance),
    )


def _searched(law: Callable[[float], Line], low: float, high: float) -> list[Line]:
    """Lines by this law: over a grid, and ever nearer to the best of it."""
    low, high = math.log(low), math.log(high)
    step = (high - low) / (_GRID - 1)
    tried = [law(low + step * number) for number in range(_GRID)]
    best = min(tried)[3]
    low, high = max(low, best - step), min(high, best + step)
    left, right = law(high - _GOLDEN * (high - low)), law(low + _GOLDEN * (high - low))
    for _ in range(_HALVINGS):
        tried += [left, right]
        if left[0] < right[0]:
            high, right = right[3], left
            left = law(high - _GOLDEN * (high - low))
        else:
            low, left = left[3], right
            right = law(low + _GOLDEN * (high - low))
    return tried


def student(free: int) -> float:
    """The two-sided 95 % factor of Student's t for 6 or more degrees of freedom, within 0.002 (Cornish and Fisher's
    expansion; Abramowitz and Stegun 26.7.5)."""
    return 1.95996 + 2.3722 / free + 2.8225 / free**2 + 2.5558 / free**3
