"""Whether a channel's samples come from a sound contact and a live converter. Pure; time is an argument.

**A spike** is one sample far from both its neighbours, beyond them. One comes with static. Many are a bad contact.

**An excursion** is a step to another level and a step back, each within one sample. No needle heats and cools so fast,
so whatever it did in between was not the needle's temperature. A contact that opens and closes does this.

**Stuck** is a converter that repeats one value bit by bit on a channel that had noise.

A channel with more than `MOST_SPIKES` of `RECENT` samples spiked, or with `MOST_EXCURSIONS`, has a bad contact. It is
sound again after `RECENT` samples and `QUIET_MS` without either.

**What it can't do.** A step is judged only between samples that are close enough in time (`step_ms`): a thin needle
that speaks every two seconds may truly go so far. A contact that is bad and steady looks like any temperature. Noise
finer than the converter's steps does not show that it lives.
"""

from collections import deque
from itertools import pairwise

SPIKE_C = 2.0
"""A sample this far from both its neighbours, beyond them, is a spike."""
STEP_C = 3.0
"""Least step of an excursion."""
SAME_C, SAME = 0.5, 0.1
"""An excursion ends this near to where it began, or within this share of the way back."""
NEEDLE_STEP_MS = 1_200
"""The thinnest needle takes longer than this to get there and back (common practice, no source)."""
SLOW_STEP_MS = 10_000
"""So does oil or a cabinet."""
EXCURSION_MS = 20_000
"""One that takes longer is not noticed."""

RECENT = 40
"""Samples that are judged together."""
MOST_SPIKES = 4
"""One in ten."""
MOST_EXCURSIONS, EXCURSIONS_MS = 3, 120_000
"""So many within so long are too many."""
QUIET_MS = 20_000

NOISE_SAMPLES = 20
NOISE_VALUES, NOISE_TURNS, NOISE_RANGE_C = 6, 5, 1.0
"""A channel has noise when so many samples have so many values so near together, and turn up or down so often."""
STUCK_SAMPLES, STUCK_MS = 12, 5_000
"""With noise, so many equal samples over so long come about by chance less than once in a million."""
FROZEN_MS = 60_000
"""Stuck for so long is a fault."""

BAD_CONTACT, FROZEN = "bad contact", "frozen value"
"""Faults, as records have them."""


class Contact:
    """Judges one channel, sample by sample."""

    def __init__(self, step_ms: int = NEEDLE_STEP_MS) -> None:
        """`step_ms`: samples that are farther apart show no excursion."""
        self._step_ms = step_ms
        self.interrupted()

    def interrupted(self) -> None:
        """The channel was not seen for a while: nothing is known of it."""
        self.returned = False
        """Whether the newest sample ends an excursion that was longer than a spike."""
        self.unquiet = False
        """Whether an excursion ended within the last `QUIET_MS`."""
        self.stuck = False
        """Whether the newest samples are the same value again and again, though there was noise."""
        self.fault = ""
        """`BAD_CONTACT`, `FROZEN` or "", as of the newest sample."""
        self._samples: deque[tuple[int, float]] = deque(maxlen=NOISE_SAMPLES)
        self._noisy = False
        self._same_since_ms, self._same = 0, 0
        self._origins: deque[tuple[int, float, int, int]] = deque()
        """Of steps that have not been taken back: when, from what temperature, as which samples, first and last."""
        self._count = 0
        self._spikes: deque[bool] = deque(maxlen=RECENT)
        self._excursions: deque[int] = deque()
        self._bad_ms: int | None = None
        """When the last spike or excursion was."""
        self._bad_contact = False

    def doubted(self, at_ms: int) -> None:
        """A sample came that could be no temperature of this channel at all: as good as a spike."""
        self._spikes.append(True)
        self._bad_ms = at_ms

    def feed(self, at_ms: int, temp_c: float) -> str:
        """The fault of the channel after this sample; "" for none. `at_ms` must not be before the last one."""
        self._count += 1
        samples = self._samples
        spiked = len(samples) > 1 and spike(samples[-2][1], samples[-1][1], temp_c)
        self._spikes.append(spiked)
        self.returned = self._excursion(at_ms, temp_c)
        if self.returned:
            self._excursions.append(at_ms)
        if spiked or self.returned:
            self._bad_ms = at_ms
        self._still(at_ms, temp_c)
        samples.append((at_ms, temp_c))
        self.fault = self._judged(at_ms)
        return self.fault

    def _excursion(self, at_ms: int, temp_c: float) -> bool:
        """Whether this sample steps back to where an earlier step began, and not from a spike."""
        if not self._samples:
            return False
        before_ms, before_c = self._samples[-1]
        origins = self._origins
        while origins and origins[0][0] < at_ms - EXCURSION_MS:
            origins.popleft()
        if at_ms - before_ms > self._step_ms or abs(temp_c - before_c) < STEP_C:
            return False
        for place, (_, origin_c, first, _) in enumerate(origins):
            away_c = abs(before_c - origin_c)
            if away_c >= STEP_C and abs(temp_c - origin_c) <= max(SAME_C, SAME * away_c):
                while len(origins) > place:
                    origins.pop()
                return first < self._count - 1
        origin_c, first = before_c, self._count
        if origins and origins[-1][3] == self._count - 1 and (before_c > origins[-1][1]) == (temp_c > before_c):
            _, origin_c, first, _ = origins.pop()  # the next step of the same way, as of a needle that heats up
        origins.append((at_ms, origin_c, first, self._count))
        return False

    def _still(self, at_ms: int, temp_c: float) -> None:
        """Notice a value that does not change any more."""
        if self._samples and self._samples[-1][1] == temp_c:
            self._same += 1
        else:
            self._same_since_ms, self._same = at_ms, 1
        values = [value for _, value in self._samples]
        level = len(values) == NOISE_SAMPLES and max(values) - min(values) <= NOISE_RANGE_C
        if not self._noisy and level and len(set(values)) >= NOISE_VALUES:
            ways = [b > a for a, b in pairwise(values) if a != b]
            self._noisy = sum(a != b for a, b in pairwise(ways)) >= NOISE_TURNS
        self.stuck = self._noisy and self._same >= STUCK_SAMPLES and at_ms - self._same_since_ms >= STUCK_MS

    def _judged(self, at_ms: int) -> str:
        self.unquiet = bool(self._excursions) and at_ms - self._excursions[-1] < QUIET_MS
        while self._excursions and self._excursions[0] < at_ms - EXCURSIONS_MS:
            self._excursions.popleft()
        if sum(self._spikes) > MOST_SPIKES or len(self._excursions) >= MOST_EXCURSIONS:
            self._bad_contact = True
        elif self._bad_contact:
            assert self._bad_ms is not None
            self._bad_contact = any(self._spikes) or at_ms - self._bad_ms < QUIET_MS
        if self._bad_contact:
            return BAD_CONTACT
        return FROZEN if self.stuck and at_ms - self._same_since_ms >= FROZEN_MS else ""


def spike(before_c: float, temp_c: float, after_c: float) -> bool:
    """Whether the one in the middle is far from both others, beyond them."""
    beyond = (temp_c > max(before_c, after_c)) or (temp_c < min(before_c, after_c))
    return beyond and min(abs(temp_c - before_c), abs(temp_c - after_c)) > SPIKE_C
