"""How much a cook has killed: lethal rate, its integral, and the dwell times of the FSIS guideline. Pure.

Advice for a reader of the record, never a verdict: what a check must reach is the Food Code's temperature in the
procedure (`core/procedure.py`). Nothing here knows a probe, a batch or a limit.
"""

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

from recorder.thermal import appendix_a

FATS = range(1, 13)
"""The tables' columns, % of fat."""


def _seconds(cell: str) -> float:
    value = float(cell[:-1])
    return round(value * 60, 6) if cell.endswith("m") else value


def _table(printed: str) -> Mapping[int, tuple[float, ...]]:
    """°F -> seconds at each of `FATS`."""
    lines = (line.split() for line in printed.splitlines())
    return {int(temp_f): tuple(map(_seconds, cells)) for temp_f, *cells in lines}


_CHICKEN, _TURKEY = _table(appendix_a.CHICKEN), _table(appendix_a.TURKEY)
_MIXED = {
    temp_f: tuple(map(max, cells, other))
    for (temp_f, cells), other in zip(_CHICKEN.items(), _TURKEY.values(), strict=True)
}
TABLES = {"chicken": _CHICKEN, "turkey": _TURKEY, "poultry": _MIXED}
"""By species; "poultry" is mixed or any other kind, for which the guideline takes the longer of the two (page 36)."""


def lethal_rate(temp_c: float, ref_c: float, z_c: float) -> float:
    """How many times as fast as at `ref_c` is killed at `temp_c`: 10^((T - Tref) / z), without a unit.

    `z_c`, in °C, is the rise that makes it ten times as fast. Raises `ValueError` unless it is above zero and all three
    are finite. Source: the usual thermal-death model (AMI Foundation, process lethality determination, steps 4 to 6).
    """
    if not (math.isfinite(temp_c) and math.isfinite(ref_c) and math.isfinite(z_c)) or z_c <= 0:
        raise ValueError(f"{temp_c} °C, reference {ref_c} °C and z {z_c} °C must be finite, and z above zero")
    try:
        return float(10 ** ((temp_c - ref_c) / z_c))
    except OverflowError:
        raise ValueError(f"{temp_c} °C is too far above the reference of {ref_c} °C for z = {z_c} °C") from None


def f_value(times_s: Sequence[float], temps_c: Sequence[float], ref_c: float, z_c: float) -> float:
    """The time at `ref_c` that kills as much as this course of temperatures: seconds, by the trapezoid rule.

    `times_s` and `temps_c` have one shape, two or more values each; a time may stand twice, as for a step, but none is
    before the last. Raises `ValueError` where that is not so, and as `lethal_rate` does. Source: as there.
    """
    if len(times_s) != len(temps_c):
        raise ValueError(f"{len(times_s)} times for {len(temps_c)} temperatures; give one for each")
    if len(times_s) < 2:
        raise ValueError(f"{len(times_s)} readings make no course; give two or more")
    steps = [later - earlier for earlier, later in pairwise(times_s)]
    if not all(math.isfinite(step) and step >= 0 for step in steps):
        raise ValueError("the times must be finite and must not fall; put the readings in order")
    rates = [lethal_rate(temp_c, ref_c, z_c) for temp_c in temps_c]
    return math.fsum(step * (one + two) / 2 for step, (one, two) in zip(steps, pairwise(rates), strict=True))


def log_reduction(f_s: float, d_s: float) -> float:
    """Decimal orders of magnitude that are killed in `f_s` seconds at the reference temperature, F / D.

    `d_s`: the seconds at that temperature that kill nine in ten. Raises `ValueError` for a negative `f_s`, and unless
    `d_s` is above zero. Source: as for `lethal_rate`.
    """
    if not (f_s >= 0 and d_s > 0 and math.isfinite(f_s) and math.isfinite(d_s)):
        raise ValueError(f"F = {f_s} s must not be negative and D = {d_s} s must be above zero, both finite")
    return f_s / d_s


def hold_needed_s(species: str, fat_percent: float | None, temp: float, unit: str) -> float:
    """Seconds that poultry must stay at `temp` (°C or °F, by `unit` "C" or "F") for 7 log10 of Salmonella; 0.0 at once.

    Between two temperatures or two fats the longest time of the cells around counts, so the answer is never shorter
    than a printed cell that covers the case. Above 12 % of fat, or where it is None (unknown), the 12 % column counts,
    as the guideline says (page 39); below 1 % the 1 % column. Above 165 °F the 165 °F line counts. Raises `ValueError`
    below 136 °F (57.8 °C), where the tables say nothing, for fat outside 0 to 100 %, and for a `species` that `TABLES`
    lacks. Source: `appendix_a`. °C is converted exactly; the printed °C are rounded.
    """
    if species not in TABLES:
        raise ValueError(f"there is no table for {species!r}; there is one for {', '.join(TABLES)}")
    if unit not in ("C", "F"):
        raise ValueError(f'unit is {unit!r}; write "C" or "F"')
    temp_f = round(temp * 9 / 5 + 32 if unit == "C" else temp, 6)  # takes back the float error of 60 °C
    table = TABLES[species]
    coldest, hottest = min(table), max(table)
    if not coldest <= temp_f < math.inf:
        raise ValueError(
            f"{temp:g} °{unit} is outside the tables, which begin at {coldest} °F ({(coldest - 32) / 1.8:.1f} °C)"
        )
    if fat_percent is not None and not 0 <= fat_percent <= 100:
        raise ValueError(f"fat is {fat_percent} %; give 0 to 100, or None where it is not known")
    row = math.floor(min(temp_f, hottest))
    fat = min(max(FATS[-1] if fat_percent is None else fat_percent, FATS[0]), FATS[-1])
    leaner, fatter = math.floor(fat), math.ceil(fat)
    return max(table[row][leaner - 1], table[row][fatter - 1])
