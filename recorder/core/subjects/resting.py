"""What the needle rests in, decided for a whole spot: the one place that says whether it may be a piece, or a bath.

A spot is no piece for good once one reading of it says "air", "steam", "oil" or "water", or is as hot as no piece is.
What an "unsure" reading leaves open, a later one of the same spot may settle. Rules 6 went by each reading alone.
"""

from recorder.core.events import Reading
from recorder.core.procedure import COLDEST_MEAT_C
from recorder.core.world import Spot

HOTTEST_SPOT_C = 105.0
"""A bath is no hotter than boiling water, with some room for salt and for the probe; metal and oil are."""

HOTTEST_PIECE_C = 97.0
"""Nor is a piece near as hot inside while it is moist; what rests above may be steam (common practice, no source)."""

SPOT_GRACE_MS = 15_000
"""A needle that came to rest longer ago than this before the words "probe ..." rests in something else."""

UNSURE = "unsure"

TOO_HOT = "too hot"
"""What a reading says that is hotter than any piece."""

NO_BATH = ("air", "oil")


def spot(before: Spot | None, reading: Reading, at_ms: int) -> Spot:
    """The spot that `reading` is of; `before` is what was known of it."""
    known = before or Spot(reading, at_ms)
    said = reading.medium if reading.medium != UNSURE else ""
    said = said or (TOO_HOT if reading.temp_c > HOTTEST_PIECE_C else "")
    media = known.media if not said or said in known.media else (*known.media, said)
    return Spot(reading, known.since_ms, media)


def may_be_piece(spot: Spot, rules: int) -> bool:
    """Whether the needle may rest in a piece there."""
    if rules < 6:
        return True
    likely = not spot.reading.medium and spot.reading.temp_c <= HOTTEST_PIECE_C
    return likely and not (rules >= 7 and spot.media)


def may_be_bath(spot: Spot, rules: int) -> bool:
    """Whether it may rest in ice or in boiling water there."""
    return spot.reading.medium not in NO_BATH and not (rules >= 7 and {*spot.media} & {*NO_BATH})


def possible(reading: Reading) -> bool:
    """Whether it rests in anything at all that counts."""
    return COLDEST_MEAT_C <= reading.temp_c <= HOTTEST_SPOT_C
