"""Whether a temperature can be one at all, before it counts. Pure."""

from recorder.core.limits import to_c
from recorder.probes.source import Doubt, Sample

LOWEST_C, HIGHEST_C = -40.0, 400.0
"""What a probe at a fryer can read at all."""

JUMP_C = 60.0
"""A temperature this far from the channel's last one counts only when the next one is near it.

The steepest true step is a thin needle (1 s) that goes from air into oil, 55 °C in half a second; it costs one sample.
"""


class Plausible:
    """What each channel read last, to judge the next by."""

    def __init__(self) -> None:
        self._last_c: dict[str, float] = {}
        self._doubted_c: dict[str, float] = {}

    def judge(self, channel: str, value: float, unit: str) -> Sample | Doubt:
        """The sample of `value` in `unit` ("C" or "F"), or why it is absurd."""
        temp_c = to_c(value, unit)
        if not LOWEST_C <= temp_c <= HIGHEST_C:
            return Doubt(channel, "out of range")
        known = (self._last_c.get(channel), self._doubted_c.pop(channel, None))
        steps = [abs(temp_c - known_c) for known_c in known if known_c is not None]
        if steps and min(steps) >= JUMP_C:
            self._doubted_c[channel] = temp_c
            return Doubt(channel, "jump")
        self._last_c[channel] = temp_c
        return Sample(channel, temp_c)
