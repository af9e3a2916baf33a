"""At what temperature water boils: what a probe should show in a boiling pot. Pure.

The saturation line is region 4 of IAPWS-IF97 (International Association for the Properties of Water and Steam,
Industrial Formulation 1997, equation 31), the air the troposphere of the International Standard Atmosphere (ISO
2533:1975). tests/test_water.py compares both with the package `iapws` and with published tables. Weather moves the
air's pressure by 3 kPa and the boiling point by 0.8 °C; an ice bath needs no such care.
"""

import math

ICE_POINT_C = 0.0
"""Melting ice in air-saturated water at one atmosphere, by the definition of the Celsius scale before ITS-90."""

ATMOSPHERE_KPA = 101.325

PRESSURES_KPA = (1.0, 2_000.0)
ALTITUDES_M = (-500.0, 5_000.0)

# IAPWS-IF97, table 34: n1 to n10.
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def boiling_point_c(pressure_kpa: float) -> float:
    """°C at which pure water boils under an absolute pressure in kPa, within 0.001 °C of IAPWS-95.

    Raises `ValueError` outside `PRESSURES_KPA`. Source: IAPWS-IF97, equation 31.
    """
    low, high = PRESSURES_KPA
    if not low <= pressure_kpa <= high:
        raise ValueError(f"{pressure_kpa} kPa is outside {low:g} to {high:g} kPa; give the absolute pressure")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    beta = (pressure_kpa / 1000) ** 0.25
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2 * g / (-f - math.sqrt(f**2 - 4 * e * g))
    kelvin = (n10 + d - math.sqrt((n10 + d) ** 2 - 4 * (n9 + n10 * d))) / 2
    return float(kelvin - 273.15)


def pressure_kpa(altitude_m: float) -> float:
    """The standard atmosphere's pressure in kPa at a height above the sea in m.

    Raises `ValueError` outside `ALTITUDES_M`. Source: ISO 2533:1975, the troposphere, 6.5 °C colder for each 1000 m.
    """
    low, high = ALTITUDES_M
    if not low <= altitude_m <= high:
        raise ValueError(f"{altitude_m} m is outside {low:g} to {high:g} m; give the height above the sea in metres")
    return float(ATMOSPHERE_KPA * (1 - 0.0065 * altitude_m / 288.15) ** 5.25588)


def boiling_point_at_c(altitude_m: float) -> float:
    """°C at which water boils at a height in m under the standard atmosphere; raises as `pressure_kpa` does."""
    return boiling_point_c(pressure_kpa(altitude_m))


def saturation_c(gauge_kpa: float, altitude_m: float = 0.0) -> float:
    """°C at which water boils in a closed vessel whose gauge shows so many kPa over the air's pressure at `altitude_m`.

    Raises `ValueError` for a vacuum (below 0 kPa), and as `boiling_point_c` and `pressure_kpa` do.
    """
    if not gauge_kpa >= 0:
        raise ValueError(f"the gauge shows {gauge_kpa} kPa; give 0 or more")
    return boiling_point_c(gauge_kpa + pressure_kpa(altitude_m))
