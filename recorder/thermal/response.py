"""How fast a needle is, from the way it goes into ice or boiling water, and what follows from it. Pure.

In a stirred fluid the rest of the way dies as exp(-t / lag). The lag is the needle's own there: its heat over its
surface, and its junction behind the sheath. In meat it is the meat that is slow, so a lag is only read from a bath.
"""

from collections.abc import Sequence

LEAST_WAY_C = 15.0
"""A shorter way into the bath shows no lag through the noise."""
LEAST_SAMPLES = 3
"""Fewer samples on the way show none either."""
DONE = 0.632
"""The share of the way that is done after one lag: 1 - 1/e."""
STARTED = 0.05
"""A needle that has done less of its way has not begun it."""
SLOWED, SLOWED_S = 2.0, 1.0
"""A needle has become slow when its lag is so many times as long as it was, and so much longer: less than that is
how well a bath is stirred (NEEDLE.md)."""


def lag_s(samples: Sequence[tuple[int, float]], end_c: float) -> float | None:
    """The lag in seconds, from samples (ms, °C) that begin before the needle goes into a bath of `end_c`.

    None where they show none: too short a way, too few samples on it, or no beginning.
    """
    if not samples:
        return None
    way_c = end_c - samples[0][1]
    if abs(way_c) < LEAST_WAY_C:
        return None
    shares = [(at_ms, (value - samples[0][1]) / way_c) for at_ms, value in samples]
    done = next((number for number, (_, share) in enumerate(shares) if share >= DONE), 0)
    began = next((number for number in range(done - 1, -1, -1) if shares[number][1] <= STARTED), None)
    if began is None or len([share for _, share in shares[began:] if share < 0.95]) < LEAST_SAMPLES:
        return None
    (before_ms, before), (after_ms, after) = shares[done - 1], shares[done]
    reached_ms = before_ms + (after_ms - before_ms) * (DONE - before) / (after - before)
    return (reached_ms - shares[began][0]) / 1000


def slowed(before_s: float, now_s: float) -> bool:
    """Whether a needle with these lags has become slow: bent, wet inside, or with a junction that sits loose."""
    return now_s > SLOWED * before_s and now_s > before_s + SLOWED_S
