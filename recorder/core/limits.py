"""Arithmetic on limits and temperatures, and how they and lengths of time are written for people."""

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limit:
    """A temperature limit in the unit that it was written in."""

    value: float
    unit: str
    """ "F" or "C"."""

    @property
    def c(self) -> float:
        """The limit in °C: what limits of different units are compared by."""
        return to_c(self.value, self.unit)

    def met_by(self, temp_c: float) -> bool:
        """Whether `temp_c` is at or above the limit, compared in the limit's own unit."""
        return in_unit(temp_c, self.unit) >= self.value

    def passed_by(self, temp_c: float) -> bool:
        """Whether `temp_c` is above the limit, compared in the limit's own unit."""
        return in_unit(temp_c, self.unit) > self.value

    def text(self) -> str:
        """For people: "165 °F"."""
        return f"{self.value:g} °{self.unit}"


def plausible(temp_c: float) -> bool:
    """Whether `temp_c` can be a temperature at all: no NaN, above absolute zero, below any melting needle."""
    return -273.15 <= temp_c <= 2000


def in_unit(temp_c: float, unit: str) -> float:
    """`temp_c` (°C) in `unit` ("F" or "C"), to the millionth of a degree.

    The rounding takes back the float error of a there-and-back conversion: 165 °F is 73.888... °C and must be 165 °F
    again, not 164.99999999999997. It is far finer than any probe.
    """
    return round(temp_c * 9 / 5 + 32 if unit == "F" else temp_c, 6)


def to_c(value: float, unit: str) -> float:
    """`value` in `unit` ("F" or "C") as °C."""
    return (value - 32) * 5 / 9 if unit == "F" else value


def span_in_unit(span_c: float, unit: str) -> float:
    """A difference of temperatures, `span_c` (K), in degrees of `unit`, to the millionth."""
    return in_unit(span_c, unit) - in_unit(0, unit)


def degrees(temp_c: float, unit: str) -> str:
    """For people, to the tenth and never rounded up over a limit: 164.96 °F is "164.9"."""
    return tenths(in_unit(temp_c, unit))


def tenths(value: float) -> str:
    """`value` cut to the tenth, never rounded up over a limit."""
    return f"{math.floor(round(value * 10, 4)) / 10:.1f}"


def degrees_up(temp_c: float, unit: str) -> str:
    """As `degrees`, of what must not be above a limit: to the tenth and never rounded down to it, 41.04 °F is
    "41.1".
    """
    return tenths_up(in_unit(temp_c, unit))


def tenths_up(value: float) -> str:
    """`value` raised to the tenth, never rounded down to a limit."""
    return f"{math.ceil(round(value * 10, 4)) / 10:.1f}"


def temp_text(temp_c: float, unit: str) -> str:
    """`degrees` with its unit: "178.3 °F"."""
    return f"{degrees(temp_c, unit)} °{unit}"


def minutes_text(ms: int) -> str:
    """A length of time for people: "12 min 05 s", "40 s"; the part of a second is dropped."""
    minutes, seconds = divmod(max(ms, 0) // 1000, 60)
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"


def pieces_text(count: int | None) -> str:
    """For people: "1 piece", "12 pieces"; of no count "pieces"."""
    return "pieces" if count is None else f"{count} piece{'s' * (count != 1)}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """For people: "a", "a and b", "a, b and c"; `last` stands before the last one."""
    return f" {last} ".join([", ".join(words[:-1]), *words[-1:]]) if len(words) > 1 else "".join(words)


def lasting(ms: int) -> str:
    """A length of time as a procedure file has it: "4 h", "12 min", "45 s"."""
    for unit_ms, unit in ((3_600_000, "h"), (60_000, "min")):
        if ms >= unit_ms and ms % unit_ms == 0:
            return f"{ms // unit_ms} {unit}"
    return f"{ms / 1000:g} s"


def run_rules_text(numbers: Sequence[int]) -> str:
    """For people: "run rule 1", "run rules 2 and 3"."""
    return f"run rule{'s' if len(numbers) > 1 else ''} {' and '.join(map(str, numbers))}"
