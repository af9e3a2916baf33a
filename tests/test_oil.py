"""Oil at work. The courses are invented; that the limits of the law are 24 to 30 % is a vendor's table of countries
(filtrox.com, 16 October 2023), read at second hand."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.thermal.oil import Use, polar_met, recovery_s, slower, use_since


def test_recovery_ends_where_the_oil_crosses_back_for_good() -> None:
    times_s = [0, 30, 60, 90, 120, 150, 180]
    temps_c = [170, 158, 155, 160, 166, 162, 168]
    assert recovery_s(times_s, temps_c, 164) == pytest.approx(150 + 30 * 2 / 6)
    assert recovery_s(times_s[:6], temps_c[:6], 164) is None, "it has sunk again"


@given(st.floats(10, 300), st.floats(5, 30))
def test_recovery_of_an_exponential_is_its_closed_form(lag_s: float, dip_c: float) -> None:
    """T = 170 - dip exp(-t / lag) is back at 169 after lag ln(dip)."""
    times_s = [0.0] + [0.1 + lag_s / 200 * n for n in range(1, 1200)]
    temps_c = [170.0] + [170 - dip_c * math.exp(-at / lag_s) for at in times_s[1:]]
    assert recovery_s(times_s, temps_c, 169) == pytest.approx(lag_s * math.log(dip_c), rel=0.01)


@pytest.mark.parametrize(
    "temps_c",
    [
        [170.0, 169.0, 170.0],  # hardly felt
        [170.0, 166.0, 170.0],  # felt, but never below
        [170.0, 150.0, 160.0],  # not back
        [160.0],
    ],
)
def test_no_recovery(temps_c: list[float]) -> None:
    assert recovery_s(list(range(len(temps_c))), temps_c, 165) is None


@pytest.mark.parametrize(
    ("temps_c", "seconds"),
    [
        ([167.0, 165.0, 167.0], None),  # pulled down by DIP_C to the very line, which is not below it
        ([166.9, 164.9, 167.0], 1 + 0.1 / 2.1),  # pulled down by just DIP_C
        ([166.8, 164.9, 167.0], None),  # by less than DIP_C from where it was, whatever it rose to
        ([170.0, 160.0, 165.0, 165.0], 2.0),  # back on the line is back
    ],
)
def test_recovery_at_its_very_limits(temps_c: list[float], seconds: float | None) -> None:
    """`DIP_C` is 2 °C, as the module says; the line is 165 °C."""
    found = recovery_s(list(range(len(temps_c))), temps_c, 165)
    assert found == (None if seconds is None else pytest.approx(seconds))


def test_recovery_counts_from_the_load_whenever_that_was() -> None:
    times_s, temps_c = [1000, 1030, 1060], [170.0, 158.0, 168.0]
    assert recovery_s(times_s, temps_c, 164) == pytest.approx(30 + 30 * 6 / 10)


@pytest.mark.parametrize(
    ("times_s", "temps_c", "complaint"),
    [([], [], "0 times"), ([0, 1], [170], "2 times and 1"), ([0, 0], [170, 160], "must rise")],
)
def test_no_course(times_s: list[float], temps_c: list[float], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        recovery_s(times_s, temps_c, 165)


def test_slower_than_its_own_history() -> None:
    usual = [180, 186, 178, 184, 182, 188, 179, 183, 185, 181]
    assert slower(usual) == ()
    assert 1 in slower([*usual, 240])
    assert slower([*usual, 100]) == (), "quicker is no trouble"
    assert slower([*usual, 192]) == (), "its usual is 182.5 s, and three standard deviations of it end at 198 s"


def test_use_since_it_was_cared_for() -> None:
    hour = 3_600_000
    assert use_since(hour, 4 * hour, [0, hour, 2 * hour, 4 * hour]) == Use(3.0, 2)
    assert use_since(hour, hour, [hour]) == Use(0.0, 0), "this very moment"
    with pytest.raises(ValueError, match="is before the oil was cared for"):
        use_since(hour, 0, [])


@pytest.mark.parametrize(("percent", "met"), [(24.0, True), (24.1, False), (0.0, True), (100.0, False)])
def test_polar_compounds_against_the_sites_own_limit(percent: float, met: bool) -> None:
    assert polar_met(percent, 24.0) is met


@pytest.mark.parametrize("bad", [-0.1, 100.1, math.nan, math.inf])
def test_no_share_of_polar_compounds(bad: float) -> None:
    for percent, limit in ((bad, 24.0), (20.0, bad)):
        with pytest.raises(ValueError, match="is no share of polar compounds"):
            polar_met(percent, limit)
