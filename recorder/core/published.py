"""Published limits that a kitchen's own are compared with: FDA Food Code 2022. Values only.

The Code gives temperature and time together where time counts, and a lower temperature for longer. It writes each
temperature twice, in °F and in °C, and its pairs are rounded: both stand here, and each is compared in its own unit.
"""

from dataclasses import dataclass

from recorder.core.limits import Limit

MINUTE_S = 60


@dataclass(frozen=True, slots=True)
class Pair:
    """So hot in all parts, for so long."""

    f: float
    c: float
    seconds: int
    """0: at once."""

    def limit(self, unit: str) -> Limit:
        """Its temperature in `unit`, "F" or "C"."""
        return Limit(self.f if unit == "F" else self.c, unit)

    def text(self, unit: str) -> str:
        """For people: "145 °F for 15 s"."""
        return self.limit(unit).text() + (f" for {self.seconds} s" if self.seconds else "")


@dataclass(frozen=True, slots=True)
class Food:
    """What food of one kind is heated to, and where the Code says so."""

    pairs: tuple[Pair, ...]
    """Any of them is enough; the lowest temperature first."""
    source: str
    coldest_c: float
    """No food of this kind is done below: such a limit is in the other unit, or mistyped."""

    def meets(self, limit: Limit, seconds: float) -> bool:
        """Whether `limit`, kept for so long, is at least as safe as one of the pairs."""
        return any(limit.value >= pair.limit(limit.unit).value and seconds >= pair.seconds for pair in self.pairs)

    def asked(self, unit: str) -> str:
        """For people: all that is enough."""
        return " or ".join(pair.text(unit) for pair in self.pairs)


COLDEST_COOKED_C = 57.8
"""Below 136 °F (57.8 °C) no table of cooking times for poultry goes: FSIS, Cooking Guideline, 2021 (see thermal)."""

COLDEST_RARE_C = 54.0
"""Below 130 °F (54 °C) no cooking time of the Code goes: 3-401.11(B)(2), roasts."""

COLDEST_HOT_C = 50.0
"""Hot food that is colder is in the other unit (common practice, no source)."""

AT_ONCE = Pair(165, 74, 0)
"""What poultry needs, 3-401.11(A)(3), is enough for each food that the Code lets be done colder."""

FOODS = {
    "poultry": Food((AT_ONCE,), "3-401.11(A)(3)", COLDEST_COOKED_C),
    "fish": Food((Pair(145, 63, 15), AT_ONCE), "3-401.11(A)(1)", COLDEST_RARE_C),
    "whole meat": Food((Pair(145, 63, 15), AT_ONCE), "3-401.11(A)(1)", COLDEST_RARE_C),
    "ground meat": Food(
        (Pair(145, 63, 3 * MINUTE_S), Pair(150, 66, MINUTE_S), Pair(155, 68, 17), Pair(158, 70, 0)),
        "3-401.11(A)(2)",
        COLDEST_RARE_C,
    ),
    "reheated": Food((Pair(165, 74, 15),), "3-403.11(A)", COLDEST_COOKED_C),
    "packaged": Food((Pair(135, 57, 0),), "3-403.11(C)", COLDEST_HOT_C),
    "vegetable": Food((Pair(135, 57, 0),), "3-401.13", COLDEST_HOT_C),
}
"""By kind, as a part's `food` names it. "whole meat" is beef, pork or fish that was not ground, injected or pinned;
"ground meat" is what was; "reheated" was cooked and cooled here; "packaged" was made ready to eat by a food processing
plant; "vegetable" is plant food cooked for hot holding (3-401.13 by memory; the others by the Code's text)."""
