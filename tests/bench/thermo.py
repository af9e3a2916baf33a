"""Volts to °C, a second, against another package in the same run: `python -m tests.bench.thermo`.

The other is PyPI thermocouples_reference (with scipy), given the same voltages and cold junctions of type K one at a
time. It was written before NumPy 2, which no longer makes an array of a number with `copy=False`; here it gets a NumPy
that still does. CPU time, best of three runs each.
"""

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import thermocouples_reference
from thermocouples_reference import function_types

from recorder.thermal.thermocouple import emf_mv, temp_c

HOT_C = [-40 + 440 * at / 499 for at in range(500)]
COLD_C = 25.0
REPEATS = 20
"""Ours is too quick to time over the voltages once."""


class OlderNumpy:
    """NumPy, with the `array` of version 1."""

    def __getattr__(self, name: str) -> Any:
        return getattr(np, name)

    def array(self, value: object, copy: bool = True, order: Any = "K") -> Any:
        return np.array(value, copy=copy or None, order=order)


def rate(convert: Callable[[float], float], voltages: list[float], repeats: int) -> float:
    """Conversions a second."""
    costs = []
    for _ in range(3):
        begin = time.process_time()
        for _ in range(repeats):
            for each in voltages:
                convert(each)
        costs.append(time.process_time() - begin)
    return repeats * len(voltages) / min(costs)


def main() -> None:
    function_types.np = OlderNumpy()
    other = thermocouples_reference.thermocouples["K"]
    voltages = [emf_mv("K", hot_c) - emf_mv("K", COLD_C) for hot_c in HOT_C]

    def ours(mv: float) -> float:
        return temp_c("K", mv, COLD_C)

    def theirs(mv: float) -> float:
        return float(other.inverse_CmV(mv, Tref=COLD_C))

    apart_c = max(abs(ours(mv) - theirs(mv)) for mv in voltages)
    ours_rate, theirs_rate = rate(ours, voltages, REPEATS), rate(theirs, voltages, 1)
    print(f"ours                     {ours_rate:10,.0f} conversions a second")
    print(f"thermocouples_reference  {theirs_rate:10,.0f}")
    print(f"ratio                    {ours_rate / theirs_rate:10.1f}")
    print(f"furthest apart           {apart_c:10.6f} °C")


if __name__ == "__main__":
    main()
