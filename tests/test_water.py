"""Boiling water, against IAPWS-IF97's own check values, the package iapws and published tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95, IAPWS97
from iapws.iapws97 import _TSat_P

from recorder.thermal import water

PSI_KPA = 6.894757


@pytest.mark.parametrize(("mpa", "kelvin"), [(0.1, 372.755919), (1.0, 453.035632)])
def test_check_values_of_the_formulation(mpa: float, kelvin: float) -> None:
    """IAPWS-IF97, table 36 (from memory; the package iapws 1.5 gives the same)."""
    assert water.boiling_point_c(mpa * 1000) + 273.15 == pytest.approx(kelvin, abs=5e-7)


@given(st.floats(*water.PRESSURES_KPA))
def test_everywhere_as_the_package_iapws(kpa: float) -> None:
    assert water.boiling_point_c(kpa) + 273.15 == pytest.approx(_TSat_P(kpa / 1000), abs=1e-9)


@pytest.mark.parametrize("kpa", [60, 70, 80, 90, 100, 101.325, 110, 200])
def test_as_the_scientific_formulation(kpa: float) -> None:
    """IAPWS-95, of the package iapws: the other way to the same line."""
    assert water.boiling_point_c(kpa) == pytest.approx(IAPWS95(P=kpa / 1000, x=0).T - 273.15, abs=0.002)
    assert water.boiling_point_c(kpa) == pytest.approx(IAPWS97(P=kpa / 1000, x=0).T - 273.15, abs=1e-6)


# ISA and IF97, computed apart from this code; with the gas constant 8.31446 where ISO 2533 has 8.31432 J/(mol K), which
# makes up to 0.5 Pa.
HEIGHTS = [
    (0, 101325.0, 99.974),
    (100, 100129.5, 99.642),
    (300, 97772.6, 98.977),
    (500, 95460.9, 98.313),
    (1000, 89874.8, 96.649),
    (1500, 84556.3, 94.983),
    (1609.344, 83427.9, 94.619),
    (2000, 79495.5, 93.315),
    (2500, 74682.9, 91.645),
    (3000, 70109.0, 89.972),
]


@pytest.mark.parametrize(("metres", "pascal", "celsius"), HEIGHTS)
def test_heights(metres: float, pascal: float, celsius: float) -> None:
    assert water.pressure_kpa(metres) * 1000 == pytest.approx(pascal, abs=0.5)
    assert water.boiling_point_at_c(metres) == pytest.approx(celsius, abs=0.0006)


def test_the_standard_atmosphere_at_a_thousand_metres() -> None:
    """ISO 2533:1975, 898.746 hPa (from memory)."""
    assert water.pressure_kpa(1000) == pytest.approx(89.8746, abs=0.00005)


def test_the_sea_boils_at_less_than_a_hundred() -> None:
    """99.974 °C on ITS-90: 100.000 is the old definition."""
    assert round(water.boiling_point_c(101.325), 3) == 99.974


@pytest.mark.parametrize(("kpa", "celsius"), [(98, 99.042), (100, 99.606), (103, 100.434), (105, 100.976)])
def test_weather(kpa: float, celsius: float) -> None:
    assert water.boiling_point_c(kpa) == pytest.approx(celsius, abs=0.0006)


FEET_F = [(0, 212.0), (500, 211.1), (1000, 210.2), (2000, 208.4), (3000, 206.6), (4000, 204.8), (5000, 203.0)]
FEET_F += [(6000, 201.1), (7000, 199.3), (8000, 197.4), (10000, 193.6)]


@pytest.mark.parametrize(("feet", "fahrenheit"), FEET_F)
def test_a_published_table_in_feet(feet: float, fahrenheit: float) -> None:
    """straighthealth.com, read at second hand; it begins at 212.0 instead of 211.95 °F and is up to 0.18 °F high."""
    assert water.boiling_point_at_c(feet * 0.3048) * 1.8 + 32 == pytest.approx(fahrenheit, abs=0.18)


@pytest.mark.parametrize(
    ("psi", "metres", "celsius"),
    [
        (12, 0, 117.606),
        (12, 1609, 114.450),
        (15, 0, 120.955),
        (15, 1609, 118.075),
        (5, 0, 108.391),
        (9, 0, 113.934),
        (10, 0, 115.198),
        (14, 0, 119.870),
    ],
)
def test_under_a_lid(psi: float, metres: float, celsius: float) -> None:
    assert water.saturation_c(psi * PSI_KPA, metres) == pytest.approx(celsius, abs=0.001)


@given(st.floats(0, 3000), st.floats(0, 3000))
def test_higher_up_it_boils_cooler(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert water.boiling_point_at_c(high) <= water.boiling_point_at_c(low)


@pytest.mark.parametrize("bad", [0.5, 2_001, -1, math.nan, math.inf])
def test_no_such_pressure(bad: float) -> None:
    with pytest.raises(ValueError, match="kPa is outside 1 to 2000 kPa"):
        water.boiling_point_c(bad)


@pytest.mark.parametrize("bad", [-501, 5_001, math.nan])
def test_no_such_height(bad: float) -> None:
    with pytest.raises(ValueError, match="m is outside -500 to 5000 m"):
        water.boiling_point_at_c(bad)


def test_no_vacuum() -> None:
    with pytest.raises(ValueError, match="the gauge shows -1 kPa"):
        water.saturation_c(-1)


def test_ice_melts_at_zero_degrees() -> None:
    """By the definition of the Celsius scale before ITS-90."""
    assert water.ICE_POINT_C == 0


def test_the_ends_of_what_is_known_are_inside() -> None:
    """ISO 2533:1975, table 5: 54.02 kPa at 5000 m, 107.48 kPa at -500 m (rounded)."""
    assert water.pressure_kpa(5_000) == pytest.approx(54.02, abs=0.01)
    assert water.pressure_kpa(-500) == pytest.approx(107.48, abs=0.01)
    for bad in (5_000.01, -500.01):
        with pytest.raises(ValueError, match="is outside -500 to 5000 m"):
            water.pressure_kpa(bad)
    assert water.saturation_c(0) == water.boiling_point_c(101.325) == pytest.approx(99.974, abs=0.001)
    for kpa in (1.0, 2_000.0):
        assert water.boiling_point_c(kpa) > 0
    for bad in (0.999, 2_000.001):
        with pytest.raises(ValueError, match="is outside 1 to 2000 kPa"):
            water.boiling_point_c(bad)
    with pytest.raises(ValueError, match="give 0 or more"):
        water.saturation_c(-0.001)
