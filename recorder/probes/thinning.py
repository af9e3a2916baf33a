"""Many samples to few readings, before anything is recorded: the recorder keeps what it is given. Pure."""

from recorder.core.events import NEEDLE, Reading
from recorder.thermal.settle import Settling

PERIOD_MS = 30_000
"""A channel that stays level is read this often."""
STEP_C = {NEEDLE: 5.0}
"""A change by this much is read at once."""
COMMON_STEP_C = 1.0
"""The same for channels that are not named above."""
LEAST_GAP_MS = 20
"""A needle's sample so soon after another is passed over: a board that floods must not cost the settling a core."""
REPEAT_MS = 2_000
"""A needle at rest in a spot is read this often, so that words may come after it."""


class Thinning:
    """One channel's samples to its readings."""

    def __init__(self, channel: str, period_ms: int = PERIOD_MS, lag_s: float | None = None) -> None:
        """`lag_s`: the needle's, as a bath showed it (`recorder.thermal.response`); None while it is not known."""
        self._channel = channel
        self._period_ms = period_ms
        self._step_c = STEP_C.get(channel, COMMON_STEP_C)
        self._settling = Settling(lag_s) if channel == NEEDLE else None
        self._last: Reading | None = None
        self._fed_ms: int | None = None

    def feed(self, at_ms: int, temp_c: float) -> Reading | None:
        """The reading that this sample makes, if it makes one.

        A reading of a needle at rest has what it settles to, any other has the sample itself. Only float error
        is rounded off, as `rules.in_unit` does: a board that says 180.00F must not come out below 180 °F.
        """
        if self._settling:
            if self._fed_ms is not None and at_ms - self._fed_ms < LEAST_GAP_MS:
                return None
            self._fed_ms = at_ms
        rest = self._settling.feed(at_ms, temp_c) if self._settling else None
        last = self._last
        if rest:
            judged = (round(rest.uncertainty_c, 3), rest.settle_ms, rest.colder, rest.medium)
            reading = Reading(at_ms, self._channel, round(rest.temp_c, 6), True, rest.spot, *judged)
            due = last is None or last.spot != rest.spot or at_ms - last.at_ms >= REPEAT_MS
        else:
            reading = Reading(at_ms, self._channel, round(temp_c, 6))
            moved = last is None or abs(temp_c - last.temp_c) >= self._step_c
            due = moved or last is None or at_ms - last.at_ms >= self._period_ms
        if not due:
            return None
        self._last = reading
        return reading

    @property
    def lags_s(self) -> tuple[float, float] | None:
        """The needle's lag as given or as its first bath showed it, and as the newest one did; None if not known."""
        settling = self._settling
        if settling is None or settling.first_lag_s is None or settling.lag_s is None:
            return None
        return settling.first_lag_s, settling.lag_s

    def interrupted(self) -> None:
        """The channel was lost: what it did meanwhile is unknown. Spots go on counting."""
        self._last = self._fed_ms = None
        if self._settling:
            self._settling.interrupted()
