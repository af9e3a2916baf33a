"""When a needle has come to rest, where, and at what temperature. Pure; time is an argument. It knows no limit.

**Settled.** An approach by the laws of NEEDLE.md is fitted to the samples (`approach`): in a fluid the last of the way
dies fast, in meat slowly, and the two bracket it. How widely follows from how thick the needle is (`reach`). It has
settled when half of the 95 % interval is narrow enough (`reach.SURE_C`), and the fits have agreed for `STAND_MS`. The
value lies on the careful side; the interval is wide at first and narrows while the needle stays.

**A fall has to prove itself.** Too high is the unsafe side. One that came down, or slowly though not as in meat, has
settled only when its fits have agreed more closely, for `STAND_DOWN_MS`, and the needle was level for `LEVEL_MS`. A
turning point is no rest: the curve must not have fallen by more than `FELL_C` for a while. What swings, as steam and
air do, more slowly than noise, is no rest either.

**It goes on.** While the needle is in a spot, each sample says again what it rests at. A check keeps the lowest of one
insertion: of one spot, and of the spots that follow with `colder`.

**A spot.** A resting place is a spot in food when the needle came to it by clear movement (more than `MOVED_C` within
`RECENT_MS`, or down within `FALL_MS`) to something hot (`FLOOR_C` or more) or icy (`COLD_C` or less), as fast as food
takes a needle along (`medium.quick`). To anything between it must be a plunge (`PLUNGE_C` within that window, at most
`PLUNGE_MS` before it settled). So a needle in air or on the table is in no spot, but a raw piece and an ice bath are
found. Nor is anything hotter than `HOTTEST_C`: a piece is wet, so that is the basket or the oil. A needle that was
hotter must first have been colder than where it rests, by `COOLED_C`. A slow drift up, as of a piece that is still
warming, stays in its spot; a slow drift down leaves it for none. A rest whose beginning was not seen, at the start or
after a gap, is no spot.

**A doubtful needle settles nowhere.** A single sample far from its neighbours is not believed; a neighbour's value
stands for it. The needle has not settled with more than one in ten corrected like this (`MOST_CORRECTED`), with a
converter that is stuck, or for `QUIET_MS` after an excursion (`contact`); then it must move again to be in a spot.

**What it can't do.** It needs a sample every 2 s (`probes/pace.py`), and six of them on the way. With a
resolution of 1 °C it settles late or by luck. Water and steady steam at the heat of food look like food; so does, now
and then, metal that has cooled to it. A needle as warm as the piece is not seen to go in. One of 3 mm that goes in cold
settles late or never. A needle that is not deep enough settles wrongly (NEEDLE.md). How well it does:
tests/test_settle.py, `tests.bench.settle`.
"""

import math
from collections import deque
from dataclasses import dataclass
from enum import StrEnum

from recorder.thermal.approach import LAGS_S, LEAST_SAMPLES, ORIGINS_S, Approach, fitted
from recorder.thermal.contact import SPIKE_C, Contact
from recorder.thermal.medium import BOILING_C, HOTTEST_C, STEAMY_C, UNSURE, WATER, Stay, medium, quick
from recorder.thermal.reach import Reach, Way, reached
from recorder.thermal.response import lag_s
from recorder.thermal.samples import Samples, in_bins, level, swing, white_c

RECENT_MS = 4_000
"""Movement is looked for within this window; a longer gap is an interruption."""
WINDOW_MS = 30_000
"""The fit takes no older samples."""
FIT_MS = 500
"""The fit is made this often at most; between fits the last judgement stands."""
BATH_SURE_C = 1.2
"""Most for half of the interval in ice, and from `STEAMY_C` on, where water boils: the needle's own check has a
tolerance of 1 °C."""
LOOSE = 1.6
"""Where nothing has to prove itself, fits that are so much less sure count among those that agree; the newest must be
sure."""
NEAR_C = 0.8
"""Most that may be left of a way down."""
MOST_CORRECTED = 0.1
"""Largest share of corrected samples with which a needle can have settled."""
FALL_MS = 8_000
"""Slow movement down is looked for within this window."""
COURSE = 240
"""So many fits back it is known how a needle came."""
STAND_MS, STAND_DOWN_MS = 1_500, 4_000
"""So long the fits must have agreed; the second for a needle that came down, or slowly into what seems a fluid."""
LEAST_FITS = 4
"""And so many of them: where samples are far apart, few agree by luck."""
SLOW_HALF_S, SLOW_LEAN = 2.4, 0.2
"""Half of the way takes a thin needle less than this, in water and in most meat (NEEDLE.md)."""
STAND_C, STAND_DOWN_C, FELL_C = 1.0, 0.7, 0.4
"""So far the ends may differ meanwhile; the second for one that came down; and so far the needle may have fallen
within `STAND_DOWN_MS`."""
MISFIT = 1.4
"""A curve that leaves over more than so many times the noise from sample to sample fits only something shorter."""
LEAST_LEFT_C = 0.15
"""Less than this left over is no misfit."""
SEEN = 0.6
"""Samples farther away than this share of the newest way are not fitted."""
COOLED_C = 5.0
"""See "A spot"."""
TURNED_C, TURNED_UP_C = 1.2, 0.3
"""So much below the hottest of its way it has turned; then it must not seem to go up by more than the second."""
LEVEL_MS, SWING_MS = 6_000, 8_000
NOISE_C = 1.0
"""A sample this near to the one farthest off shows no movement yet."""
MOVED_C = 3.0
"""So much within `RECENT_MS` is clear movement; so far from where it rested, the needle is at rest no longer."""
FLOOR_C = 45.0
"""Air and table are below this, also beside a fryer (common practice, no source),"""
COLD_C = 5.0
"""and above this; the Food Code's cold holding (2022, 3-501.16(A)(2)) is at or below it."""
PLUNGE_C = 5.0
PLUNGE_MS = 20_000
"""Food takes a needle along faster than air does, even in a draught (common practice, no source)."""
ORIGIN_S, LAG_S, MOST_ORIGIN_S = (1.5, 2.0, 1.0), (2.2, 0.6, 1.5), 12.0
"""From the time that half of the way took: how the searched lags and origins are bounded; see `_laws`."""


class Place(StrEnum):
    """Where a needle is."""

    UNKNOWN = "unknown"
    """It was not seen to come here."""
    RISING = "rising"
    """It goes into something warmer: a piece, or a warmer spot of it."""
    FALLING = "falling"
    """It was withdrawn, or goes to a colder spot: only its rest can tell."""
    FOOD = "food"
    """It rests in a spot."""
    METAL = "metal"
    """It rests in something too hot for food: on the basket or in oil."""
    AIR = "air"
    """It rests in no food: in air, on a table."""


@dataclass(frozen=True, slots=True)
class Rest:
    """The needle rests in a spot."""

    spot: int
    """Counts the spots, from 1."""
    temp_c: float
    """What it settles to."""
    uncertainty_c: float
    """Half of the 95 % interval of `temp_c`: what the samples leave open, not the probe's own error. The piece has
    surely reached `temp_c` less this: in the bench the truth was hardly ever below it. How far above it may be is
    `above_c`: no sample shows that a needle is not deep enough."""
    settle_ms: int
    """From when it began to move until it settled in this spot."""
    colder: bool
    """Whether it came down to this spot from the one before without a rise, as when it is moved within a piece."""
    medium: str = ""
    """What it seems to rest in, where that is no piece (`recorder.thermal.medium`)."""
    above_c: float = 0.0
    """The upper side: so far above `temp_c` the truth may be (95 %), at 5 mm of depth and more."""


class Settling:
    """Judges one needle, sample by sample."""

    def __init__(self, lag_s: float | None = None) -> None:
        """`lag_s`: the needle's own lag in a bath, if it is known (`recorder.thermal.response`)."""
        self.spot = 0
        """The newest spot; it only ever rises."""
        self.lag_s = self.first_lag_s = lag_s
        """Its lag as the newest rest in a bath showed it, and as given or as the first one did; None if not known."""
        self._contact = Contact()
        self._forget()

    def interrupted(self) -> None:
        """The needle was not seen for a while: what it did meanwhile is unknown, and so is the rest that it is in."""
        self._contact.interrupted()
        self._forget()

    def _forget(self) -> None:
        self.place = Place.UNKNOWN
        self.medium = ""
        """What it rests in, in a spot or not; "" for a piece, and while it moves."""
        self._samples: deque[tuple[int, float]] = deque()
        self._course: deque[tuple[int, float]] = deque(maxlen=COURSE)
        """A sample for each fit, for longer."""
        self._corrected: deque[int] = deque()
        """When those of them came that were not believed."""
        self._rest_c: float | None = None
        """Where it is at rest, in a spot or not; None while it moves."""
        self._way: Place | None = None
        """How it last moved clearly since it was at rest: `RISING` or `FALLING`."""
        self._rose = True
        """Whether it may have risen since it was in a spot."""
        self._began_ms = self._arrived_ms = 0
        """When it last began to move, and when it came to rest."""
        self._from_c = 0.0
        """Where it was when it began to move."""
        self._half_s = self._most_s = math.inf
        """How long half and four fifths of its way took, when it had come to rest."""
        self._settle_ms = 0
        """How long it took until then."""
        self._colder = False
        """See `Rest`."""
        self._plunged_ms: int | None = None
        """When it last rose fast since it was at rest."""
        self._hot = False
        """Whether it was too hot for food and has not yet been colder than where it is."""
        self._coolest_c = math.inf
        """The coldest since it was too hot."""
        self._turned = False
        """Whether it has gone down by more than noise since it was hottest, on its newest way."""
        self._fit_ms: int | None = None
        """When the last fit was due."""
        self._fits: deque[tuple[int, Approach]] = deque()
        """The fits of the last while, without a break, by which it would have settled."""

    def feed(self, at_ms: int, temp_c: float) -> Rest | None:
        """The rest that the needle is in after this sample; None while it moves or is in no spot.

        `at_ms` must not be before the last one. A single sample far from its neighbours is not believed.
        """
        if self._samples and at_ms - self._samples[-1][0] > RECENT_MS:
            self.interrupted()
        contact = self._contact
        contact.feed(at_ms, temp_c)
        if contact.returned:
            self._forget()
        samples, corrected = self._samples, self._corrected
        samples.append((at_ms, temp_c))
        newest_c = temp_c
        if len(samples) > 2:
            newest_c = sorted((samples[-3][1], samples[-2][1], temp_c))[1]
            if abs(samples[-2][1] - newest_c) > SPIKE_C:
                samples[-2] = (samples[-2][0], newest_c)
                corrected.append(samples[-2][0])
        while samples[0][0] < at_ms - WINDOW_MS:
            samples.popleft()
        while corrected and corrected[0] < samples[0][0]:
            corrected.popleft()
        self._watch(at_ms, newest_c)
        if self._fits and abs(newest_c - self._fits[-1][1].now_c) > MOVED_C:
            self._fits.clear()
        if self._rest_c is not None and abs(temp_c - newest_c) > SPIKE_C:
            return None
        if self._fit_ms is None or at_ms - self._fit_ms >= FIT_MS:
            self._fit_ms = at_ms
            self._course.append((samples[-2][0] if len(samples) > 2 else at_ms, newest_c))
            fit = self._fit(newest_c)
            self._turned = fit is not None and self._highest_c() - fit.now_c > TURNED_C
            if fit is None or not self._near(fit) or not self._sure(fit, 1.0 if self._doubted(fit) else LOOSE):
                self._fits.clear()
            else:
                self._fits.append((at_ms, fit))
        if contact.stuck or contact.unquiet:
            self._fits.clear()
        fit = self._stood(at_ms)
        if fit is None or not self._sure(fit):
            return None
        reach = self._judged(fit)
        value_c = reach.temp_c
        if self._rest_c is None and not self._arrived(at_ms, fit, value_c):
            return None
        self._rest_c, self._way, self._plunged_ms = value_c, None, None
        self.medium = medium(self._stay(fit, value_c))
        if self.place is not Place.FOOD:
            return None
        return Rest(self.spot, value_c, reach.half_c, self._settle_ms, self._colder, self.medium, reach.above_c)

    def _judged(self, fit: Approach) -> Reach:
        """What it settles to, and how surely."""
        began_ms = self._began_ms if self._moving else self._arrived_ms - self._settle_ms
        since_s = (self._samples[-1][0] - began_ms) / 1000
        way = Way(self._took_s(fit.end_c)[0], since_s, self.lag_s)
        return reached(fit, way, self._bath(fit.end_c))

    def _bath(self, temp_c: float) -> bool:
        """Whether so cold is ice, and so hot boiling water, in which the needle itself is checked."""
        return temp_c <= COLD_C or STEAMY_C <= temp_c <= HOTTEST_C

    def _sure(self, fit: Approach, times: float = 1.0) -> bool:
        """Whether the interval is narrow enough, or so many times as wide."""
        reach = self._judged(fit)
        return reach.half_c <= times * (BATH_SURE_C if self._bath(reach.temp_c) else reach.most_c)

    def _near(self, fit: Approach) -> bool:
        """Whether little is left of a way down; one that has turned down does not go up."""
        rest_c = fit.rest_c
        return rest_c >= -NEAR_C and not (self._turned and rest_c > TURNED_UP_C)

    def _highest_c(self) -> float:
        """The hottest since it began to move, as far back as the fit goes."""
        since_ms = max(self._began_ms, self._samples[-1][0] - WINDOW_MS)
        return max((value for at_ms, value in self._course if at_ms >= since_ms), default=-math.inf)

    def _down(self, fit: Approach) -> bool:
        """Whether it comes, or came, from above."""
        return self._turned or self._way is Place.FALLING or fit.rest_c < -0.1

    def _slow(self, fit: Approach) -> bool:
        """Whether it came slowly though not as in meat: metal that cools, steam that swings and a twist do that."""
        return fit.lean <= SLOW_LEAN and self._took_s(fit.end_c)[0] > SLOW_HALF_S

    def _doubted(self, fit: Approach) -> bool:
        """Whether it has to prove itself."""
        return self._down(fit) or self._slow(fit)

    def _last(self, length_ms: int) -> list[tuple[int, float]]:
        begin_ms = self._samples[-1][0] - length_ms
        found = []
        for sample in reversed(self._samples):
            if sample[0] < begin_ms:
                break
            found.append(sample)
        return found[::-1]

    def _watch(self, at_ms: int, newest_c: float) -> None:
        """Notice movement."""
        if newest_c > HOTTEST_C:
            self._hot, self._coolest_c = True, newest_c
        elif self._hot:
            self._coolest_c = min(self._coolest_c, newest_c)
        window = [each for each in self._last(FALL_MS)[:-1] if each[0] >= self._arrived_ms]
        window.append((at_ms, newest_c))
        recent = [each for each in window if each[0] >= at_ms - RECENT_MS]
        lowest_c, highest_c = min(value for _, value in recent), max(value for _, value in recent)
        long_c = max(value for _, value in window)
        if highest_c - newest_c > MOVED_C:
            self._moved(Place.FALLING, max(at for at, value in recent if value > highest_c - NOISE_C), highest_c)
        elif newest_c - lowest_c > MOVED_C:
            self._moved(Place.RISING, max(at for at, value in recent if value < lowest_c + NOISE_C), lowest_c)
            self._rose = True
        elif long_c - newest_c > MOVED_C and self._way is None:
            self._moved(Place.FALLING, max(at for at, value in window if value > long_c - NOISE_C), long_c)
        if newest_c - lowest_c >= PLUNGE_C:
            self._plunged_ms = at_ms
        if self._rest_c is None or abs(newest_c - self._rest_c) <= MOVED_C:
            return
        if self._way:
            self.place = self._way
        elif newest_c < self._rest_c:
            self.place = Place.UNKNOWN
        self._rest_c, self.medium = None, ""
        self._fits.clear()

    def _moved(self, way: Place, since_ms: int, from_c: float) -> None:
        if self._way is not way:
            self._way, self._began_ms, self._from_c = way, since_ms, from_c
        if self._rest_c is None:
            self.place = way

    def _fit(self, newest_c: float) -> Approach | None:
        """The fit to the newest stretch of approach, if the needle may have settled by it."""
        stretch = self._stretch(newest_c)
        if not stretch or self._doubtful(stretch):
            return None
        means, counts = in_bins(stretch)
        while len(means) >= LEAST_SAMPLES:
            fit = fitted(means, counts, *self._laws(means[0][0], newest_c))
            if fit.left_c <= max(MISFIT * white_c(stretch), LEAST_LEFT_C):
                return fit
            stretch = stretch[len(stretch) // 3 :]
            means, counts = in_bins(stretch)
        return None

    def _laws(self, oldest_ms: int, newest_c: float) -> tuple[tuple[float, float], tuple[float, float]]:
        """The origins and the lags, in seconds, that can be: a needle that came fast at first has no long lag."""
        if self._way is None:
            return ORIGINS_S, LAGS_S
        since_s, half_s = (oldest_ms - self._began_ms) / 1000, self._after_s(0.5, newest_c)
        late_s, times, plus_s = ORIGIN_S
        origins_s = (max(since_s - late_s, 0.15), max(since_s, 0.3) + min(times * half_s + plus_s, MOST_ORIGIN_S))
        times, plus_s, least_s = LAG_S
        return origins_s, (LAGS_S[0], min(max(times * half_s + plus_s, least_s), LAGS_S[1]))

    def _doubtful(self, stretch: Samples) -> bool:
        """Whether too many samples were corrected."""
        if not self._corrected:
            return False
        if sum(at_ms >= stretch[0][0] for at_ms in self._corrected) > MOST_CORRECTED * len(stretch):
            return True
        since = [sum(at >= at_ms for at, _ in self._samples) for at_ms in reversed(self._corrected)]
        return any(many > MOST_CORRECTED * length for many, length in enumerate(since[1:], 2))

    def _stretch(self, newest_c: float) -> list[tuple[int, float]]:
        """The samples since the needle had done the first two fifths of its newest way; all, if it did not move."""
        samples = list(self._samples)
        far_c = max([abs(value - newest_c) for _, value in samples])
        if far_c <= MOVED_C:
            return samples
        begin = max([number for number, (_, value) in enumerate(samples) if abs(value - newest_c) > SEEN * far_c])
        return samples[begin + 1 :]

    def _stood(self, at_ms: int) -> Approach | None:
        """The newest fit, if the fits have agreed for long enough."""
        fits = self._fits
        slow = bool(fits) and self._doubted(fits[-1][1])
        stand_ms, stand_c = (STAND_DOWN_MS, STAND_DOWN_C) if slow else (STAND_MS, STAND_C)
        while len(fits) > LEAST_FITS and fits[1][0] <= at_ms - STAND_DOWN_MS:
            fits.popleft()
        if len(fits) < LEAST_FITS or fits[0][0] > at_ms - stand_ms:
            return None
        since_ms = max(fitted_ms for fitted_ms, _ in fits if fitted_ms <= at_ms - stand_ms)
        since_ms = min(since_ms, fits[-LEAST_FITS][0])
        stood = [fit for fitted_ms, fit in fits if fitted_ms >= since_ms]
        ends = [fit.now_c + fit.rest_c for fit in stood]
        fell_c = fits[0][1].now_c - stood[-1].now_c
        return fits[-1][1] if max(ends) - min(ends) <= stand_c and fell_c <= FELL_C else None

    def _arrived(self, at_ms: int, fit: Approach, end_c: float) -> bool:
        """Whether it came to rest; and if so, whether that is a new spot, the same as before, or none."""
        if (self._way is Place.FALLING or self._slow(fit)) and not level(self._last(LEVEL_MS), LEVEL_MS):
            return False
        around = [each for each in self._last(SWING_MS) if abs(each[1] - end_c) <= MOVED_C]
        if FLOOR_C <= end_c < BOILING_C and swing(around):
            return False
        if self._hot and FLOOR_C <= end_c <= HOTTEST_C and self._coolest_c > end_c - COOLED_C:
            self.place, self.medium = Place.METAL, UNSURE
            return False
        self._hot = end_c > HOTTEST_C
        if self._way is None:
            return True
        stay = self._stay(fit, end_c)
        recent = self._plunged_ms is not None and at_ms - self._plunged_ms <= PLUNGE_MS
        plunged = self._way is Place.RISING and recent
        self._arrived_ms, self._settle_ms = at_ms, at_ms - self._began_ms
        self._half_s, self._most_s = stay.half_s, stay.most_s
        if end_c > HOTTEST_C:
            self.place = Place.METAL
        elif quick(stay) and (end_c >= FLOOR_C or end_c <= COLD_C or plunged):
            self.place = Place.FOOD
            self.spot += 1
            self._colder, self._rose = not self._rose, False
            if medium(stay) == WATER:
                self.lag_s = lag_s([each for each in self._samples if each[0] >= self._began_ms], end_c) or self.lag_s
                self.first_lag_s = self.first_lag_s or self.lag_s
        else:
            self.place = Place.AIR
        self._rose = self._rose or self.place is not Place.FOOD
        return True

    def _stay(self, fit: Approach, end_c: float) -> Stay:
        way_c = abs(end_c - self._from_c)
        return Stay(end_c, way_c, *self._took_s(end_c), fit.lean, self._hot)

    @property
    def _moving(self) -> bool:
        """Whether it is on a way that was seen, and not yet at rest."""
        return self._rest_c is None and self._way is not None

    def _took_s(self, end_c: float) -> tuple[float, float]:
        """How long half of the way took, and four fifths of it: of a needle at rest, the way by which it came there."""
        if self._moving:
            return self._after_s(0.5, end_c), self._after_s(0.8, end_c)
        return self._half_s, self._most_s

    def _after_s(self, share: float, end_c: float) -> float:
        """How long after it began to move it had done so much of the way to there."""
        way_c = end_c - self._from_c
        goal_c, sign = self._from_c + share * way_c, 1 if way_c > 0 else -1
        for at_ms, value in self._samples if self._samples[0][0] <= self._began_ms else self._course:
            if at_ms >= self._began_ms and (value - goal_c) * sign >= 0:
                return max(at_ms - self._began_ms, 1) / 1000
        return math.inf
