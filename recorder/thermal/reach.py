"""What a piece has surely reached, by a fitted approach and by how thick the needle seems. Pure.

The two laws bracket the rest of the way (`approach`), but not evenly. A thin needle ends between the fluid's end and a
little beyond meat's. A thick one has not come to its late times when it seems to settle, and goes up to two and a half
times as far as meat's law has it. Both were read off the bench's tuning half (NEEDLE.md).

Too high is the unsafe side. So the value goes by what the needle shows, and little further on the way up, even where
much more seems to come: the upper half of the interval has that.

No sample shows how deep a needle is. One that is not deep enough shows less than the truth where its handle's side is
colder. So the interval has an upper side of its own, which has that too; `half_c` and the low side do not.
"""

from dataclasses import dataclass

from recorder.thermal.approach import Approach

THIN_HALF_S, THICK_HALF_S = 0.9, 2.2
"""A needle that has done half of its way within the first is thin; thick, if that takes the second."""
THIN_LAG_S, THICK_LAG_S = 1.2, 2.2
"""The same by its lag in a bath, which depends on no piece."""
EARLY, LATE = 6.0, 20.0
"""After so many times the time that half of the way took, a thick needle begins to go as a thin one, and does."""
FAR_FLUID, FAR_MEAT = (0.9, 1.2), (1.6, 2.6)
"""So many times the way from the fluid's end to meat's it may go, a thin needle and a thick one: where the samples
follow a fluid, and where they follow meat."""
UNSEEN_C = (0.3, 1.2)
"""What no sample shows, for a thin needle and a thick one, whose stem leads heat."""
SHALLOW, HANDLE_C = (0.14, 0.77), 40.0
"""At 5 mm of depth a needle of 1.0 mm and one of 3.2 mm hide this share of what they show above what is around the
handle, by the fin's formula (NEEDLE.md); and that is hardly colder than the second, beside a piece that is hot."""
SURE_C = (3.6, 3.0)
"""Most for half of the interval, of a thin needle and a thick one."""
SHY_C = 0.8
"""So much is taken off what a thick needle shows."""
NOISY, STEEP_S = 1.5, 1.0
"""What noise and what is left of the slope add, times the end's deviation and times °C/s."""
LEFT_C, LEFT_S = 0.3, 8.0
"""Less is taken off with less than this between the laws' ends and the curve's next seconds: a needle that stands still
shows what is."""
UP, RISE_C = 0.6, 0.6
"""On the way up the value goes this share of the way to meat's end, where the samples follow meat, at most so far."""
DOWN = (0.4, 1.1)
"""On the way down it goes so far to meat's end, where the samples follow a fluid, and where they follow meat."""


@dataclass(frozen=True, slots=True)
class Way:
    """How a needle came."""

    half_s: float
    """How long half of its way took; infinite where that was not seen."""
    since_s: float
    """Since it began to move."""
    lag_s: float | None
    """Its lag in a bath, if it is known."""

    @property
    def thick(self) -> float:
        """From 0, a thin needle, to 1, a thick one: by its lag, if that is known, else by how fast it came."""
        if self.lag_s is None:
            return _share(self.half_s, THIN_HALF_S, THICK_HALF_S)
        return _share(self.lag_s, THIN_LAG_S, THICK_LAG_S)

    @property
    def early(self) -> float:
        """From 1, when it is far from its late times, to 0."""
        return 1 - _share(self.since_s / self.half_s, EARLY, LATE)


@dataclass(frozen=True, slots=True)
class Reach:
    """What a needle settles to, in °C."""

    temp_c: float
    """On the careful side."""
    half_c: float
    """Half of the 95 % interval, as far as samples can tell."""
    most_c: float
    """Most that `half_c` may be of a needle that has settled."""
    above_c: float
    """So far above `temp_c` the truth may be, at 5 mm of depth and more."""


def reached(fit: Approach, way: Way, bath: bool) -> Reach:
    """What it settles to. `bath`: whether there is water all around the needle, so that no stem leads heat."""
    meat, apart_c, thick = (1 + fit.lean) / 2, fit.slow_c - fit.quick_c, way.thick
    unsure_c = NOISY * fit.noise_c + STEEP_S * abs(fit.slope_c_per_s)
    ahead_c = min(UP * meat * apart_c, RISE_C) if apart_c > 0 else _between(DOWN, meat) * apart_c
    left = _share(abs(apart_c) + LEFT_S * abs(fit.slope_c_per_s), 0, LEFT_C)
    stem = 0 if bath else thick
    value_c = fit.quick_c + ahead_c - left * (unsure_c + SHY_C * stem)
    far = _between((_between(FAR_FLUID, thick * way.early), _between(FAR_MEAT, thick * way.early)), meat)
    ends_c = sorted((fit.quick_c, fit.quick_c + far * apart_c))
    room_c = unsure_c + _between(UNSEEN_C, stem)
    temp_c, half_c = fit.now_c + value_c, max(ends_c[1] - value_c, value_c - ends_c[0]) + room_c
    hidden_c = 0 if bath else _between(SHALLOW, thick) * max(temp_c - HANDLE_C, 0)
    return Reach(temp_c, half_c, _between(SURE_C, thick), half_c + hidden_c)


def _share(value: float, low: float, high: float) -> float:
    """How far it is from one to the other, from 0 to 1."""
    return min(max((value - low) / (high - low), 0.0), 1.0)


def _between(ends: tuple[float, float], share: float) -> float:
    return ends[0] + share * (ends[1] - ends[0])
