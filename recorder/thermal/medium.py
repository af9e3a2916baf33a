"""What a needle rests in, if that is no piece, by how it came there and how it stands. Pure; it knows no probe.

A needle that goes through a hot crust comes to rest as it does in a fluid: the crust's heat makes up for what the cold
needle takes. So a fluid at the heat of food looks like food, and nothing here tries to separate them. What does:

- **oil**, or metal out of it: hotter than wet food can be;
- **water** with ice at its melting point, and **water** that boils: there food is not; steam at rest looks alike;
- **steam**: not far below boiling point, and come to as to a fluid; so does water that boils high up;
- **air**: it takes a needle along too slowly;
- **unsure**: the needle was hotter than food and has not cooled since, so its own heat may be what it shows.

How often each is found, and found wrongly: `tests.bench.settle`, whose table stands in NEEDLE.md.
"""

from dataclasses import dataclass

PIECE, AIR, STEAM, OIL, WATER, UNSURE = "", "air", "steam", "oil", "water", "unsure"
"""As `Reading.medium` has them."""

HOTTEST_C = 105.0
"""Food is no hotter than its boiling water, with some room for salt and for the probe; metal and oil are."""
BOILING_C = 97.0
"""So hot is no piece that still has its juice (common practice, no source); water boils here up to 900 m of height."""
STEAMY_C = 93.0
"""Above this only what came as meat makes it come is taken for a piece."""
ICE_C = 1.0
"""Ice water is within this of its melting point, and the needle within its tolerance (Food Code 2022, 4-203.11)."""
QUICK_S, SLOW_S, TAIL = 5.5, 10.0, 2.8
"""Food takes a needle half of the way within the first; or within the second, if four fifths of it took so many times
as long, as only meat makes it (the bench's tuning half)."""
FLUID_LEAN = -0.5
"""The fits say: a fluid (`Approach.lean`)."""
NO_WAY_C = 3.0
"""A way shorter than this does not show how a needle came."""


@dataclass(frozen=True, slots=True)
class Stay:
    """How a needle came to where it is, and how it stands there."""

    temp_c: float
    """What it settles to."""
    way_c: float
    """How far it came, without sign."""
    half_s: float
    """How long half of the way took,"""
    most_s: float
    """and four fifths of it; infinite where it was not seen."""
    lean: float
    """Which law it follows, from -1, a fluid's, to 1, meat's."""
    hot: bool
    """Whether it was hotter than food, and has not been colder than here since."""


def quick(stay: Stay) -> bool:
    """Whether it came as fast as in food, or at first fast and then slowly."""
    if stay.way_c < NO_WAY_C:
        return True
    return stay.half_s <= QUICK_S or (stay.half_s <= SLOW_S and stay.most_s >= TAIL * stay.half_s)


def medium(stay: Stay) -> str:
    """What it rests in: `AIR`, `STEAM`, `OIL`, `WATER` or `UNSURE`; `PIECE` for what looks like one."""
    if stay.temp_c > HOTTEST_C:
        return OIL
    if stay.hot:
        return UNSURE
    if not quick(stay):
        return AIR
    if abs(stay.temp_c) <= ICE_C or stay.temp_c >= BOILING_C:
        return WATER
    return STEAM if stay.temp_c >= STEAMY_C and stay.lean <= FLUID_LEAN else PIECE
