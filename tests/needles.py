"""Needles as the tests of settling move them."""

import math
import random

from recorder.thermal.settle import Rest, Settling

AIR_C = 30.0


class Needle:
    """A needle in the judge's hands: what it feels, sample by sample."""

    def __init__(self, hz: float = 2, noise_c: float = 0.0, seed: int = 1, temp_c: float = AIR_C) -> None:
        self.settling = Settling()
        self.at_ms = 0
        self.temp_c = temp_c
        self._hz, self._noise_c, self._random = hz, noise_c, random.Random(seed)

    def go(self, goal_c: float, lag_s: float, seconds: float) -> list[tuple[int, Rest]]:
        """Drawn towards `goal_c` for so long: each rest, with the ms since the draw began."""
        began_ms = self.at_ms
        found = []
        for _ in range(round(seconds * self._hz)):
            self.temp_c += (goal_c - self.temp_c) * (1 - math.exp(-1 / (self._hz * lag_s)))
            if rest := self.say(self.temp_c + self._random.gauss(0, self._noise_c)):
                found.append((self.at_ms - began_ms, rest))
        return found

    def drift(self, c_per_s: float, seconds: float) -> list[Rest]:
        """It warms or cools evenly."""
        found = []
        for _ in range(round(seconds * self._hz)):
            self.temp_c += c_per_s / self._hz
            if rest := self.say(self.temp_c + self._random.gauss(0, self._noise_c)):
                found.append(rest)
        return found

    def say(self, temp_c: float) -> Rest | None:
        self.at_ms += round(1000 / self._hz)
        return self.settling.feed(self.at_ms, temp_c)


def probed(temp_c: float = 84.0, lag_s: float = 2.0, **how: float) -> Needle:
    """A needle that lay in air and now rests in a piece."""
    needle = Needle(**how)  # type: ignore[arg-type]
    assert needle.go(AIR_C, 9, 10) == []
    assert needle.go(temp_c, lag_s, 60)
    return needle
