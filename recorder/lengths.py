"""Numbers and lengths of time as a procedure file writes them; each reader raises `MisfitError`."""

import re
from typing import Annotated, Any

from recorder.misfits import MisfitError

UNIT_MS = {"h": 3_600_000, "min": 60_000, "s": 1000}

HIGHEST = 1e12
"""No number of a procedure is as high."""


def length_ms(text: Any) -> int:
    """A length of time, of text such as "12 min", "45 s" or "1 h 30 min"; raises `MisfitError`."""
    if not isinstance(text, str) or not re.fullmatch(r"(\d+(\.\d+)? ?(h|min|s) ?)+", text):
        raise MisfitError(f'is {text!r}; write it like "12 min", "45 s" or "1 h 30 min"')
    found = re.findall(r"(\d+(?:\.\d+)?) ?(h|min|s)", text)
    return round(number(sum(float(count) * UNIT_MS[unit] for count, unit in found)))


def number(value: Any) -> float:
    """A number of a size that a kitchen may have; raises `MisfitError`."""
    if type(value) not in (int, float):
        raise MisfitError(f"is {value!r}; write a number")
    if not -HIGHEST < value < HIGHEST:
        raise MisfitError("is out of range; write a number between -1e12 and 1e12")
    return float(value)


Length = Annotated[int, length_ms]
"""Milliseconds."""

Number = Annotated[float, number]
