"""Thermocouple voltages to temperatures and back by ITS-90. Pure. It knows no probe, no chip and no limit.

A thermocouple's voltage says how its hot junction differs from its cold one, and not in a straight line. So the cold
junction is made good in millivolts: its own voltage against 0 °C is added, and the sum is turned into a temperature.
"""

import math

from recorder.thermal.its90 import INVERSES, PIECES, Coefficients, Piece

NEAR_C = 0.01
"""A Newton step shorter than this is the last: what then remains is below 0.0001 °C."""
ROUNDING_MV = 0.0005
"""So far past the end of a range a voltage may lie by the rounding of the printed tables; it then is the end."""


def emf_mv(kind: str, temp_c: float) -> float:
    """Millivolts of a thermocouple of `kind` ("K", "J" or "T") at `temp_c` °C against 0 °C.

    Range: K -270 to 1372 °C, J -210 to 1200 °C, T -270 to 400 °C; outside, or not a number: ValueError.
    Source: NIST SRD 60.
    """
    low, high = _pieces(kind)
    if not low.low_c <= temp_c <= high.high_c:
        raise ValueError(f"{temp_c} °C is outside type {kind}: {low.low_c:g} to {high.high_c:g} °C; check the probe")
    return _voltage(low if temp_c <= low.high_c else high, temp_c)


def temp_c(kind: str, emf_mv: float, cold_junction_c: float = 0.0) -> float:
    """°C of the hot junction, from the measured millivolts and the cold junction's °C; `kind` is "K", "J" or "T".

    The result's own `emf_mv` is the measured voltage plus that of the cold junction, to better than 0.001 °C; up to
    0.0005 mV past an end of the range, as by the rounding of a printed table, it is that end.
    Range: the results and the cold junction are those of `emf_mv`; outside, or not a number: ValueError.
    Source: NIST SRD 60; the published inverse is where Newton's steps begin.
    """
    low, high = _pieces(kind)
    sum_mv = emf_mv + _cold_mv(kind, cold_junction_c)
    least_mv, joint_mv, most_mv = _ENDS_MV[kind]
    if not least_mv - ROUNDING_MV <= sum_mv <= most_mv + ROUNDING_MV:
        raise ValueError(
            f"{sum_mv:.4f} mV is outside type {kind}: {least_mv:.3f} to {most_mv:.3f} mV "
            f"({low.low_c:g} to {high.high_c:g} °C); check the probe and its type"
        )
    sum_mv = min(max(sum_mv, least_mv), most_mv)
    piece = low if sum_mv < joint_mv else high
    return _solved(piece, _SLOPES[kind, piece.low_c], sum_mv, _begin(kind, sum_mv))


def _pieces(kind: str) -> tuple[Piece, Piece]:
    try:
        low, high = PIECES[kind]
    except KeyError:
        raise ValueError(f"thermocouple type {kind!r} is not known: use one of {', '.join(PIECES)}") from None
    return low, high


def _polynomial(coefficients: Coefficients, x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


def _bell(piece: Piece, temp_c: float) -> tuple[float, float]:
    """The added exponential and its slope."""
    if piece.bell is None:
        return 0.0, 0.0
    a0, a1, a2 = piece.bell
    height = a0 * math.exp(a1 * (temp_c - a2) ** 2)
    return height, 2 * a1 * (temp_c - a2) * height


def _voltage(piece: Piece, temp_c: float) -> float:
    return _polynomial(piece.forward, temp_c) + _bell(piece, temp_c)[0]


_cold_mv = emf_mv
"""`emf_mv` for `temp_c`, whose argument has that name."""
_SLOPES = {
    (kind, piece.low_c): tuple(power * coefficient for power, coefficient in enumerate(piece.forward))[1:]
    for kind, pieces in PIECES.items()
    for piece in pieces
}
_ENDS_MV = {
    kind: (_voltage(low, low.low_c), _voltage(high, low.high_c), _voltage(high, high.high_c))
    for kind, (low, high) in PIECES.items()
}


def _begin(kind: str, sum_mv: float) -> float:
    """°C by the published inverse; below its range that of its lower end."""
    inverse = next((each for each in INVERSES[kind] if sum_mv <= each.high_mv), INVERSES[kind][-1])
    return _polynomial(inverse.coefficients, max(sum_mv, inverse.low_mv))


def _solved(piece: Piece, slopes: Coefficients, sum_mv: float, begin_c: float) -> float:
    """°C within `piece` at `sum_mv`: Newton's steps, and a halving where one would leave what is known to hold it."""
    low_c, high_c = piece.low_c, piece.high_c
    at_c = min(max(begin_c, low_c), high_c)
    while True:
        height, tilt = _bell(piece, at_c)
        over_mv = _polynomial(piece.forward, at_c) + height - sum_mv
        if over_mv > 0:
            high_c = at_c
        else:
            low_c = at_c
        step_c = over_mv / (_polynomial(slopes, at_c) + tilt)
        if abs(step_c) < NEAR_C:
            return min(max(at_c - step_c, piece.low_c), piece.high_c)
        at_c = at_c - step_c if low_c < at_c - step_c < high_c else (low_c + high_c) / 2
