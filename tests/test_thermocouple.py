"""ITS-90 for K, J and T against NIST SRD 60 (published-values.md 4.1) and two other copies of it."""

import re
from itertools import pairwise

import numpy as np
import pytest
import thermocouples
import thermocouples_reference
from hypothesis import given
from hypothesis import strategies as st

from recorder.thermal.its90 import PIECES
from recorder.thermal.thermocouple import emf_mv, temp_c

RANGES = {"K": (-270.0, 1372.0), "J": (-210.0, 1200.0), "T": (-270.0, 400.0)}
"""SRD 60's; published-values.md 4.2."""

# published-values.md 4.1 (computed there from SRD 60): °C, then mV of K, J and T to four decimals.
TABLE = """
-200 -5.8914 -7.8905 -5.6030 | -100 -3.5536 -4.6325 -3.3786 | -50 -1.8894 -2.4313 -1.8190 | -40 -1.5269 -1.9606 -1.4750
-20 -0.7775 -0.9947 -0.7568 | -10 -0.3919 -0.5007 -0.3831 | 0 0 0 0 | 1 0.0395 0.0504 0.0388 | 25 1.0002 1.2773 0.9920
57.2 2.3205 2.9668 2.3462 | 73.9 3.0132 3.8586 3.0830 | 74 3.0174 3.8640 3.0875 | 100 4.0962 5.2689 4.2785
121.1 4.9649 6.4206 5.2815 | 162.8 6.6524 8.7170 7.3512 | 176.7 7.2083 9.4865 8.0654 | 190.6 7.7631 10.2571 8.7910
200 8.1385 10.7787 9.2881 | 250 10.1534 13.5552 12.0134 | 300 12.2086 16.3272 14.8619 | 400 16.3971 21.8481 20.8720
"""
ROWS = [tuple(map(float, row.split())) for row in re.split(r"[|\n]", TABLE) if row.strip()]


def grid(kind: str, count: int = 4_001) -> list[float]:
    low, high = RANGES[kind]
    return [low + (high - low) * at / (count - 1) for at in range(count)]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: str(row[0]))
def test_the_published_table_is_met_to_its_last_digit_both_ways(row: tuple[float, ...]) -> None:
    for kind, mv in zip("KJT", row[1:], strict=True):
        assert round(emf_mv(kind, row[0]), 4) == mv
        assert temp_c(kind, mv) == pytest.approx(row[0], abs=0.00005 / 0.015)


def test_the_spot_values_have_their_printed_digits() -> None:
    """published-values.md 4.1: K at 200 °C is 8.138, not the 8.139 of some copies; K at -200 °C is past its inverse."""
    found = [round(emf_mv("K", at), 6) for at in (100, 200, -50)]
    assert found == [4.096230, 8.138473, -1.889383]
    assert (round(emf_mv("T", 100), 6), round(emf_mv("J", 100), 6)) == (4.278519, 5.268916)
    assert emf_mv("K", -200) < -5.891
    assert temp_c("K", emf_mv("K", -200)) == pytest.approx(-200, abs=1e-5)


@pytest.mark.parametrize("kind", RANGES)
def test_two_other_copies_say_the_same_over_the_whole_range(kind: str) -> None:
    """PyPI thermocouples_reference 0.20 and thermocouples 2.1 (the source of a lost sign would show here)."""
    first, second = thermocouples_reference.thermocouples[kind], thermocouples.get_thermocouple(kind)
    theirs = first.func(np.array(grid(kind)))  # NumPy 2 lets it take arrays only
    for at, their_mv in zip(grid(kind), theirs, strict=True):
        ours = emf_mv(kind, at)
        assert ours == pytest.approx(float(their_mv), abs=1e-7)  # at J's joint the pieces differ by 7e-8 mV
        assert ours == pytest.approx(second.temp_to_volt(at) * 1e3, abs=1e-7)


@pytest.mark.parametrize("kind", RANGES)
def test_the_inverse_is_that_of_the_forward_function_over_the_whole_range(kind: str) -> None:
    worst_c = max(abs(temp_c(kind, emf_mv(kind, at)) - at) for at in grid(kind, 20_001))
    assert worst_c < 0.00005


@pytest.mark.parametrize("kind", RANGES)
def test_voltage_rises_all_the_way(kind: str) -> None:
    assert all(low < high for low, high in pairwise(emf_mv(kind, at) for at in grid(kind)))


@given(st.sampled_from("KJT"), st.floats(0, 1), st.floats(-55, 125))
def test_any_cold_junction_is_made_good_in_volts(kind: str, share: float, cold_c: float) -> None:
    low, high = RANGES[kind]
    hot_c = low + share * (high - low)
    measured_mv = emf_mv(kind, hot_c) - emf_mv(kind, cold_c)
    assert temp_c(kind, measured_mv, cold_c) == pytest.approx(hot_c, abs=0.00005)


@pytest.mark.parametrize("kind", RANGES)
@pytest.mark.parametrize(("hot_c", "cold_c"), [(2.0, 30.0), (-18.0, 25.0), (-40, -20), (25, 25), (-150, 60)])
def test_a_hot_junction_may_be_the_colder_one(kind: str, hot_c: float, cold_c: float) -> None:
    """The voltage comes from another copy: PyPI thermocouples_reference 0.20."""
    hot, cold = np.array([hot_c]), np.array([cold_c])
    (measured_mv,) = thermocouples_reference.thermocouples[kind].emf_mVC(hot, Tref=cold)
    assert temp_c(kind, float(measured_mv), cold_c) == pytest.approx(hot_c, abs=0.0001)


def test_the_range_of_the_inverse_is_chosen_by_the_sum_not_by_the_probe() -> None:
    """A documented error of public copies: here the probe's voltage is below 0 and the temperature above."""
    assert temp_c("K", emf_mv("K", 10) - emf_mv("K", 40), 40) == pytest.approx(10, abs=0.0001)


@pytest.mark.parametrize("kind", RANGES)
def test_out_of_range_names_the_range(kind: str) -> None:
    low, high = RANGES[kind]
    named = f"type {kind}.*{low:g} to {high:g} °C"
    for at in (low - 0.01, high + 0.01, float("nan"), float("inf")):
        with pytest.raises(ValueError, match=named):
            emf_mv(kind, at)
    for mv in (emf_mv(kind, low) - 0.001, emf_mv(kind, high) + 0.001, float("nan"), float("-inf")):
        with pytest.raises(ValueError, match=named):
            temp_c(kind, mv)
    with pytest.raises(ValueError, match=named):
        temp_c(kind, 1.0, high + 1)
    assert (temp_c(kind, emf_mv(kind, low)), temp_c(kind, emf_mv(kind, high))) == pytest.approx((low, high))


def test_an_unknown_kind_is_told_which_are_known() -> None:
    assert set(PIECES) == set(RANGES)
    for call in (emf_mv, temp_c):
        with pytest.raises(ValueError, match="'X' is not known: use one of K, J, T"):
            call("X", 1.0)
