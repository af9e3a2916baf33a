"""Oil use: recovery after a load, use since it was cared for, polar compounds. Pure.

It knows no vat and no probe. Nothing here says that oil is good: the site's own limit and its own history do.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from recorder.thermal.sampling import drift

DIP_C = 2.0
"""A load that pulls the oil down by less has not been felt (set by us: more than a thermostat's swing in still oil)."""


def recovery_s(times_s: Sequence[float], temps_c: Sequence[float], back_c: float) -> float | None:
    """Seconds from the load, at the first of `times_s`, until the oil has come back to `back_c` and stays there.

    `temps_c` are the oil's temperatures, of one shape with the rising `times_s`. Between two readings the crossing lies
    on the straight line. None while it has not come back, or was never pulled down by `DIP_C` and below `back_c`.
    Raises `ValueError` for courses of unequal length, without a reading, or whose times do not rise.
    """
    if len(times_s) != len(temps_c) or not times_s:
        raise ValueError(f"{len(times_s)} times and {len(temps_c)} temperatures make no course; give one for each")
    if not all(later > earlier for earlier, later in pairwise(times_s)):
        raise ValueError("the times must rise; put the readings in order and drop doubles")
    lowest = min(range(len(temps_c)), key=temps_c.__getitem__)
    if temps_c[lowest] >= back_c or temps_c[0] - temps_c[lowest] < DIP_C:
        return None
    last_below = max(at for at, temp_c in enumerate(temps_c) if temp_c < back_c)
    if last_below == len(temps_c) - 1:
        return None
    (start_s, low_c), (end_s, high_c) = ((times_s[at], temps_c[at]) for at in (last_below, last_below + 1))
    return start_s + (end_s - start_s) * (back_c - low_c) / (high_c - low_c) - times_s[0]


def slower(recoveries_s: Sequence[float]) -> tuple[int, ...]:
    """Numbers of the run rules by which the newest recovery, in seconds, is slower than the vat's own history.

    Oldest first; () while the history is short. See `sampling.drift`.
    """
    return drift(recoveries_s, side=1)


@dataclass(frozen=True, slots=True)
class Use:
    """What oil has cooked since a moment, such as when it was filtered."""

    hours: float
    batches: int


def use_since(care_ms: int, now_ms: int, batches_ms: Sequence[int]) -> Use:
    """The use from `care_ms` until `now_ms`: hours, and batches of those that began at `batches_ms`.

    Raises `ValueError` for a `now_ms` before `care_ms`.
    """
    if now_ms < care_ms:
        raise ValueError(f"{now_ms} ms is before the oil was cared for, at {care_ms} ms")
    return Use((now_ms - care_ms) / 3_600_000, sum(care_ms <= began_ms < now_ms for began_ms in batches_ms))


def polar_met(percent: float, limit_percent: float) -> bool:
    """Whether total polar compounds, as read in % by mass, are at or below the site's own limit.

    Where the law sets a limit it is 24 to 30 % by country; elsewhere there is none, and we ship none. Raises
    `ValueError` outside 0 to 100 %.
    """
    for value in (percent, limit_percent):
        if not (math.isfinite(value) and 0 <= value <= 100):
            raise ValueError(f"{value} % is no share of polar compounds; give 0 to 100")
    return percent <= limit_percent
