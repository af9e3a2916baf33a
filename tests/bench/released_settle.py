"""As rules 5 were released with it, kept unchanged for `tests.bench.settle` to compare with.

When a needle has come to rest, where, and at what temperature. Pure; time is an argument. It knows no limit.

**Settled.** A curve that approaches its end exponentially is fitted to the samples (`approach`). The needle has settled
when the 95 % interval of the end is narrow (`SURE_C`) and the needle has nearly got there (`NEAR_C`), in two fits
running. It has settled to the end of the curve: a little beyond what the probe shows, as far as the interval is honest.

**A fall has to prove itself.** Too high is the unsafe side, and a needle in air falls too: one that came down has
settled only when it has also been level for `LEVEL_MS`. One that begins to fall is no longer settled.

**A spot.** A resting place is a spot in food when the needle came to it by clear movement (more than `MOVED_C` within
`RECENT_MS`) to something hot (`FLOOR_C` or more) or icy (`COLD_C` or less). Up to anything between it must be a plunge
(`PLUNGE_C` within that window, at most `PLUNGE_MS` before it settled, with a lag of `PLUNGE_LAG_S` or less). So a
needle in air or on the table is in no spot, but a raw piece and an ice bath are found. Nor is anything hotter than
`HOTTEST_C`: a piece is wet, so that is the basket or the oil. A slow drift up, as of a piece that is still warming,
stays in its spot; a slow drift down leaves it for none. A rest whose beginning was not seen, at the start or after a
gap, is no spot.

**A doubtful needle settles nowhere.** A single sample far from its neighbours is not believed; a neighbour's value
stands for it. The needle has not settled with more than one in ten corrected like this (`MOST_CORRECTED`), with a
converter that is stuck, or for `QUIET_MS` after an excursion (`contact`); then it must move again to be in a spot.

**What it can't do.** It needs a sample in four seconds or more, and six of them on the way. With a resolution of 1 °C
it settles late or by luck. A cold needle that warms up in a strong draught looks like a plunge into something cool; a
basket that has cooled to the heat of food looks like food. In a piece that warms the needle with two lags it settles
low, on the careful side. How well it does: tests/test_settle.py, `tests.bench.settle`.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import fmean, median

from recorder.thermal.contact import SPIKE_C, Contact
from tests.bench.released_approach import LEAST_SAMPLES, Approach, fitted

RECENT_MS = 4_000
"""Movement is looked for within this window; a longer gap is an interruption."""
WINDOW_MS = 20_000
"""The fit takes no older samples."""
LEAST_MS = 2_000
"""The fit takes no shorter stretch."""
FIT_MS = 400
"""The fit is made this often at most; between fits the last judgement stands."""
SURE_C = 0.5
"""Most for half of the 95 % interval of the end."""
NEAR_C = 2.0
"""Most that may be left of the way to the end."""
MOST_CORRECTED = 0.1
"""Largest share of corrected samples with which a needle can have settled."""
FALLING_C_PER_S = 0.06
"""A needle that falls as fast over `RECENT_MS` is not at rest."""
LEVEL_MS = 8_000
LEVEL_C_PER_S = 0.03
"""Most that the line through `LEVEL_MS` of samples may rise or fall when the needle came down."""
NOISE_C = 1.0
"""A sample this near to the one farthest off shows no movement yet."""
MOVED_C = 3.0
"""So much within `RECENT_MS` is clear movement; so far from where it rested, the needle is at rest no longer."""
FLOOR_C = 45.0
"""Air and table are below this, also beside a fryer (common practice, no source),"""
COLD_C = 5.0
"""and above this; the Food Code's cold holding (2022, 3-501.16(A)(2)) is at or below it."""
HOTTEST_C = 105.0
"""Food is no hotter than its boiling water, with some room for salt and for the probe; metal and oil are."""
PLUNGE_C = 5.0
PLUNGE_MS = 20_000
PLUNGE_LAG_S = 6.0
"""Food takes a needle along faster than air does, even in a draught (common practice, no source)."""

Samples = Sequence[tuple[int, float]]


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
    """Half of the 95 % interval of `temp_c`: what the samples leave open, not the probe's own error."""
    settle_ms: int
    """From when it began to move until it settled in this spot."""
    colder: bool
    """Whether it came down to this spot from the one before without a rise, as when it is moved within a piece."""


class Settling:
    """Judges one needle, sample by sample."""

    def __init__(self) -> None:
        self.spot = 0
        """The newest spot; it only ever rises."""
        self._contact = Contact()
        self._forget()

    def interrupted(self) -> None:
        """The needle was not seen for a while: what it did meanwhile is unknown, and so is the rest that it is in."""
        self._contact.interrupted()
        self._forget()

    def _forget(self) -> None:
        self.place = Place.UNKNOWN
        self._samples: deque[tuple[int, float]] = deque()
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
        self._colder = False
        """See `Rest`."""
        self._plunged_ms: int | None = None
        """When it last rose fast since it was at rest."""
        self._fit_ms: int | None = None
        """When the last fit was due."""
        self._fits: tuple[Approach | None, Approach | None] = (None, None)
        """The last two fits, where it would have settled by them."""

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
        newest_c = median(value for _, value in list(samples)[-3:])
        if len(samples) > 2 and abs(samples[-2][1] - newest_c) > SPIKE_C:
            samples[-2] = (samples[-2][0], newest_c)
            corrected.append(samples[-2][0])
        while samples[0][0] < at_ms - WINDOW_MS:
            samples.popleft()
        while corrected and corrected[0] < samples[0][0]:
            corrected.popleft()
        self._watch(at_ms, newest_c)
        if self._fit_ms is None or at_ms - self._fit_ms >= FIT_MS:
            self._fit_ms = at_ms
            self._fits = (self._fits[1], self._settled(newest_c))
        if contact.stuck or contact.unquiet:
            self._fits = (None, None)
        before, fit = self._fits
        if fit is None or (self._rest_c is None and (before is None or not self._arrived(at_ms, fit))):
            return None
        self._rest_c, self._way, self._plunged_ms = fit.end_c, None, None
        if self.place is not Place.FOOD:
            return None
        return Rest(self.spot, fit.end_c, fit.half_c, self._arrived_ms - self._began_ms, self._colder)

    def _last(self, length_ms: int) -> Samples:
        begin_ms = self._samples[-1][0] - length_ms
        return [sample for sample in self._samples if sample[0] >= begin_ms]

    def _watch(self, at_ms: int, newest_c: float) -> None:
        """Notice movement."""
        since_ms = max(at_ms - RECENT_MS, self._arrived_ms)
        window = [*(each for each in self._samples if since_ms <= each[0] < at_ms), (at_ms, newest_c)]
        lowest_c, highest_c = min(value for _, value in window), max(value for _, value in window)
        if highest_c - newest_c > MOVED_C:
            self._moved(Place.FALLING, max(at for at, value in window if value > highest_c - NOISE_C))
        elif newest_c - lowest_c > MOVED_C:
            self._moved(Place.RISING, max(at for at, value in window if value < lowest_c + NOISE_C))
            self._rose = True
        if newest_c - lowest_c >= PLUNGE_C:
            self._plunged_ms = at_ms
        if self._rest_c is None or abs(newest_c - self._rest_c) <= MOVED_C:
            return
        if self._way:
            self.place = self._way
        elif newest_c < self._rest_c:
            self.place = Place.UNKNOWN
        self._rest_c, self._fits = None, (None, None)

    def _moved(self, way: Place, since_ms: int) -> None:
        if self._way is not way:
            self._way, self._began_ms = way, since_ms
        if self._rest_c is None:
            self.place = way

    def _settled(self, newest_c: float) -> Approach | None:
        """The fit to the newest stretch of approach, if the needle has settled by it."""
        stretch = self._stretch(newest_c)
        if len(stretch) < LEAST_SAMPLES or stretch[-1][0] - stretch[0][0] < LEAST_MS:
            return None
        if self._doubtful(stretch):
            return None
        recent = self._last(RECENT_MS)
        if recent[0] != recent[-1] and _slope(recent) < -FALLING_C_PER_S and self._way is not Place.FALLING:
            return None
        fit = fitted(stretch)
        return fit if fit.half_c <= SURE_C and abs(fit.to_go_c) <= NEAR_C else None

    def _doubtful(self, stretch: Samples) -> bool:
        """Whether too many samples were corrected."""
        if sum(at_ms >= stretch[0][0] for at_ms in self._corrected) > MOST_CORRECTED * len(stretch):
            return True
        since = [sum(at >= at_ms for at, _ in self._samples) for at_ms in reversed(self._corrected)]
        return any(many > MOST_CORRECTED * length for many, length in enumerate(since[1:], 2))

    def _stretch(self, newest_c: float) -> Samples:
        """The samples since the needle had done the first two fifths of its newest way; all, if it did not move."""
        samples = list(self._samples)
        far_c = max(abs(value - newest_c) for _, value in samples)
        if far_c <= MOVED_C:
            return samples
        begin = max(number for number, (_, value) in enumerate(samples) if abs(value - newest_c) > 0.6 * far_c)
        return samples[begin + 1 :]

    def _arrived(self, at_ms: int, fit: Approach) -> bool:
        """Whether it came to rest; and if so, whether that is a new spot, the same as before, or none."""
        if self._way is Place.FALLING and not _level(self._last(LEVEL_MS)):
            return False
        if self._way is None:
            return True
        recent = self._plunged_ms is not None and at_ms - self._plunged_ms <= PLUNGE_MS
        plunged = self._way is Place.RISING and recent and fit.lag_s <= PLUNGE_LAG_S
        self._arrived_ms = at_ms
        if fit.end_c > HOTTEST_C:
            self.place = Place.METAL
        elif fit.end_c >= FLOOR_C or fit.end_c <= COLD_C or plunged:
            self.place = Place.FOOD
            self.spot += 1
            self._colder, self._rose = not self._rose, False
        else:
            self.place = Place.AIR
        self._rose = self._rose or self.place is not Place.FOOD
        return True


def _level(samples: Samples) -> bool:
    """Whether they are long enough, and the line through them is nearly level."""
    return samples[-1][0] - samples[0][0] >= LEVEL_MS * 3 // 4 and abs(_slope(samples)) <= LEVEL_C_PER_S


def _slope(samples: Samples) -> float:
    """Least-squares slope, °C per second; the samples must span some time."""
    mean_ms, mean_c = fmean(at for at, _ in samples), fmean(value for _, value in samples)
    over = sum((at - mean_ms) * (value - mean_c) for at, value in samples)
    return 1000 * over / sum((at - mean_ms) ** 2 for at, _ in samples)
