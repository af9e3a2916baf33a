"""Whether the sound that comes in can be heard in: no silence, no offset, no clipping, no noise that drowns speech.

Pure; takes 16 kHz mono 16-bit sound and knows no microphone, no speech and no clock. Shares and powers are relative to
full scale; a level in dBFS is ten times the logarithm of such a power, so 0 dBFS is a full-scale square wave.
"""

import math
from array import array
from dataclasses import dataclass
from operator import mul

from recorder.core.events import CLIPPING, OFFSET, SILENT, TOO_LOUD

FULL = 32_768
"""Full scale of 16 bits."""

SLICE = 1_600
"""Samples in 0.1 s: pauses in speech are as long, so that the quiet slices of talk show what lies behind it."""

WINDOW_BYTES = 2 * 20 * SLICE
"""One measure: 2 s, about one spoken command."""

SURE = 5
"""So many windows in a row begin or end a trouble: 10 s. A clatter or a shout lasts for one or two."""

KEEPS = 0.5
"""While a trouble lasts, this share of its limit keeps it, so that sound at the limit does not flap."""

STILL = 2
"""Steps between lowest and highest sample of a dead input: a muted converter gives 0, or dithers by one step."""

RAIL = 32_000
"""From here to full scale a sample counts as clipped: a clipped wave that is resampled rings a little below it."""

CLIPPED = 0.01
"""Share of clipped samples that is trouble. Measured with the sphinx engine on the clips of share/voices, turned up:
35 of 35 heard right without clipping, 32 at 0.9 %, 26 at 3 %, 15 at 11 %."""

OFF_CENTRE = 0.3
"""Mean that is trouble: it takes 3 dB of the room that peaks have. An offset was measured not to hurt otherwise."""

LOUD = 0.01
"""Background power that is trouble, -20 dBFS: speech 10 dB above it has no room for its peaks. Measured on the same
clips, 10 dB above kitchen noise at -40, -30, -26, -20, -16 and -12 dBFS: 27, 26, 25, 25, 16 and 9 heard right."""


@dataclass(frozen=True, slots=True)
class Measure:
    """What a stretch of sound is like."""

    lowest: int
    """The lowest sample."""
    highest: int
    mean: float
    """Relative to full scale, -1 to 1."""
    clipped: float
    """Share of the samples at the rails."""
    background: float
    """Power without offset of the quieter part: a fifth of the slices are quieter still."""

    @property
    def peak_db(self) -> float:
        """The highest peak in dBFS; -infinity in silence."""
        return decibels((max(self.highest, -self.lowest) / FULL) ** 2)

    @property
    def background_db(self) -> float:
        """The background in dBFS; -infinity in silence."""
        return decibels(self.background)

    def shares(self) -> dict[str, float]:
        """How far each trouble goes, as a share of its limit (1 and more is trouble); the gravest stands first."""
        return {
            SILENT: float(self.highest - self.lowest <= STILL),
            OFFSET: abs(self.mean) / OFF_CENTRE,
            CLIPPING: self.clipped / CLIPPED,
            TOO_LOUD: self.background / LOUD,
        }

    def trouble(self) -> str:
        """The gravest trouble of this stretch alone; "" if there is none."""
        return next((what for what, share in self.shares().items() if share >= 1), "")


class AudioHealth:
    """Watches one stream: a trouble begins and ends only after some seconds, and is reported once."""

    def __init__(self, live: bool = True) -> None:
        """`live`: whether silence is a trouble; between files it is none."""
        self._ignored = () if live else (SILENT,)
        self.trouble = ""
        """The gravest trouble that there is now; "" if there is none."""
        self._waiting = bytearray()
        self._present: set[str] = set()
        self._against: dict[str, int] = {}

    def feed(self, pcm: bytes) -> list[str]:
        """Take sound in pieces of any size; what `trouble` became, each time that it changed.

        While another trouble draws near, the end of one is not reported.
        """
        changes = []
        self._waiting += pcm
        while len(self._waiting) >= WINDOW_BYTES:
            self._take(measure(bytes(self._waiting[:WINDOW_BYTES])))
            del self._waiting[:WINDOW_BYTES]
            gravest = next((what for what in self._against if what in self._present), "")
            if gravest != self.trouble and (gravest or not any(self._against.values())):
                self.trouble = gravest
                changes.append(gravest)
        return changes

    def _take(self, window: Measure) -> None:
        """Count for each trouble how many windows in a row speak against what is believed; change it when sure."""
        for what, share in window.shares().items():
            present = what in self._present
            speaks = what not in self._ignored and (share >= (KEEPS if present else 1)) != present
            self._against[what] = self._against.get(what, 0) + 1 if speaks else 0
            if self._against[what] == SURE:
                self._present ^= {what}
                self._against[what] = 0


def measure(pcm: bytes) -> Measure:
    """What `pcm` is like; takes at least 0.1 s of it."""
    samples = array("h", pcm[: len(pcm) // 2 * 2])
    lowest, highest = min(samples), max(samples)
    at_rails = 0
    if highest >= RAIL or lowest <= -RAIL:
        at_rails = sum(1 for sample in samples if not -RAIL < sample < RAIL)
    slices = range(0, len(samples) - SLICE + 1, SLICE)
    powers = sorted(_power(samples[at : at + SLICE]) for at in slices)
    return Measure(
        lowest,
        highest,
        sum(samples) / len(samples) / FULL,
        at_rails / len(samples),
        powers[len(powers) // 5],
    )


def decibels(power: float) -> float:
    """`power`, relative to full scale, in dBFS; -infinity for 0."""
    return 10 * math.log10(power) if power > 0 else -math.inf


def _power(samples: "array[int]") -> float:
    """Mean square about the mean, relative to full scale."""
    mean = sum(samples) / SLICE
    square: float = sum(map(mul, samples, samples)) / SLICE
    return max(0.0, square - mean * mean) / FULL**2
