"""Arithmetic on a needle's samples, (ms, °C), oldest first: means, noise, slope. Pure."""

import math
from collections.abc import Sequence
from itertools import groupby
from statistics import fmean

LEVEL_C_PER_S = 0.03
"""Most that the line through samples may rise or fall that are level."""
SWING_C, SWING = 0.2, 0.8
"""What swings scatters by more than the first from second to second, and by more than this share of the samples'."""
LEAST_SECONDS = 4
"""Fewer show no swing."""

Samples = Sequence[tuple[int, float]]


def in_bins(samples: Samples) -> tuple[list[tuple[int, float]], list[float]]:
    """The samples of each half second (of each second, if older than ten) as one, and how many they were."""
    newest_ms = samples[-1][0]
    found: list[list[float]] = []
    last = None
    for at_ms, value in samples:
        age = newest_ms - at_ms
        bin = age // 500 if age < 10_000 else 1000 + age // 1000
        if bin != last:
            found.append([0, 0, 0])
            last = bin
        row = found[-1]
        row[0] += at_ms
        row[1] += value
        row[2] += 1
    return [(round(at / count), value / count) for at, value, count in found], [count for _, _, count in found]


def white_c(samples: Samples) -> float:
    """The standard deviation of noise from sample to sample, whatever the curve."""
    values = [value for _, value in samples]
    bends = [(a - 2 * b + c) ** 2 for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    return math.sqrt(sum(bends) / len(bends) / 6)


def level(samples: Samples, length_ms: int) -> bool:
    """Whether they span nearly `length_ms`, and the line through them is nearly level."""
    return samples[-1][0] - samples[0][0] >= length_ms * 3 // 4 and abs(_slope(samples)) <= LEVEL_C_PER_S


def swing(samples: Samples) -> bool:
    """Whether they swing as steam and air do, more slowly than noise: that would mean out within a second."""
    seconds = [[value for _, value in group] for _, group in groupby(samples, lambda sample: sample[0] // 1000)]
    if len(seconds) < LEAST_SECONDS:
        return False
    return white_c([(0, fmean(second)) for second in seconds]) > max(SWING_C, SWING * white_c(samples))


def _slope(samples: Samples) -> float:
    """Least-squares slope, °C per second; the samples must span some time."""
    mean_ms, mean_c = fmean(at for at, _ in samples), fmean(value for _, value in samples)
    over = sum((at - mean_ms) * (value - mean_c) for at, value in samples)
    return 1000 * over / sum((at - mean_ms) ** 2 for at, _ in samples)
