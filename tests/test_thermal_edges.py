"""The thermal room at its very edges: ends of ranges, single bits, values on a line, and what adds to a fault."""

import math
from itertools import pairwise

import numpy as np
import pytest

from recorder.thermal import lethality, sampling
from recorder.thermal.converters import Converted, Unfit, max31855k, max31856
from recorder.thermal.its90 import INVERSES
from recorder.thermal.thermocouple import emf_mv, temp_c

# MAX31856, fault status register 0F hex, bit 0 first (published-values.md section 4.6).
FAULTS = (
    "open circuit",
    "voltage out of range",
    "hot junction below its alarm",
    "hot junction above its alarm",
    "cold junction below its alarm",
    "cold junction above its alarm",
    "hot junction out of range",
    "cold junction out of range",
)


def registers(hot_c: float, cold_c: float, faults: int = 0, kind: int = 3) -> bytes:
    """Registers 00 to 0F hex of a MAX31856; `kind` is the type in register 01: 2 for J, 3 for K, 7 for T."""
    cold = round(cold_c * 256).to_bytes(2, signed=True)
    hot = round(hot_c * 4096).to_bytes(3, signed=True)
    return bytes([0x80, 0x20 | kind]) + bytes(8) + cold + hot + bytes([faults])


def word(hot_c: float, cold_c: float) -> int:
    """A MAX31855's word without a fault."""
    return (round(hot_c * 4) & 0x3FFF) << 18 | (round(cold_c * 16) & 0xFFF) << 4


@pytest.mark.parametrize("bit", range(8))
def test_each_bit_of_the_fault_register_has_its_own_name(bit: int) -> None:
    assert max31856(registers(80, 25, 1 << bit), "K") == Unfit((FAULTS[bit],))


def test_faults_are_named_in_the_order_of_their_bits_and_each_once() -> None:
    assert max31856(registers(80, 25, 0xFF), "K") == Unfit(FAULTS)
    assert max31856(registers(1400, 25, 0x41, kind=7), "K") == Unfit(
        ("open circuit", "hot junction out of range", "set to another type")
    )
    assert max31856(registers(1400, 126), "K") == Unfit(("hot junction out of range", "cold junction out of range"))
    broken = 0b101 | 1 << 3  # open circuit, short to supply, a reserved bit, and no summary bit
    assert max31855k(word(80, 25) | broken) == Unfit(("open circuit", "short to supply", "bits at odds"))


def test_a_fault_is_named_though_the_chip_has_not_converted_yet() -> None:
    assert max31856(registers(0, 0, 1), "K") == Unfit(("open circuit",))


@pytest.mark.parametrize(("kind", "number"), [("J", 2), ("K", 3), ("T", 7)])
def test_the_chip_must_be_set_to_the_thermocouple_that_it_has(kind: str, number: int) -> None:
    """MAX31856, register 01, lowest four bits: B 0, E 1, J 2, K 3, N 4, R 5, S 6, T 7."""
    for other in range(8):
        found = max31856(registers(100, 25, kind=other), kind)
        assert found == (Converted(100, 25, 100) if other == number else Unfit(("set to another type",)))


@pytest.mark.parametrize(("kind", "number", "low_c", "high_c"), [("K", 3, -270, 1372), ("J", 2, -210, 1200)])
def test_the_ends_of_a_range_are_inside_it(kind: str, number: int, low_c: float, high_c: float) -> None:
    for hot_c in (low_c, high_c):
        assert max31856(registers(hot_c, 25, kind=number), kind) == Converted(hot_c, 25, hot_c)
    for hot_c in (low_c - 0.0625, high_c + 0.0625):
        assert max31856(registers(hot_c, 25, kind=number), kind) == Unfit(("hot junction out of range",))


def test_the_ends_of_the_cold_junctions_range_are_inside_it() -> None:
    for cold_c in (-55.0, 125.0):
        assert isinstance(max31856(registers(80, cold_c), "K"), Converted)
        assert isinstance(max31855k(word(80, cold_c)), Converted)
    for cold_c in (-55.0625, 125.0625):
        assert max31856(registers(80, cold_c), "K") == Unfit(("cold junction out of range",))
        assert max31855k(word(80, cold_c)) == Unfit(("cold junction out of range",))


@pytest.mark.parametrize(("hot_c", "cold_c"), [(1200.25, 25.0), (1024.0, 64.0625), (-100.5, -0.0625), (600, 100.9375)])
def test_each_bit_of_a_word_counts(hot_c: float, cold_c: float) -> None:
    found = max31855k(word(hot_c, cold_c))
    assert isinstance(found, Converted)
    assert (found.reported_c, found.cold_junction_c) == (hot_c, cold_c)


def test_a_word_below_zero_is_none() -> None:
    with pytest.raises(ValueError, match="is not a word of 32 bits"):
        max31855k(-1)


def test_a_lethal_rate_takes_any_z_above_zero_and_no_infinity() -> None:
    assert lethality.lethal_rate(70.5, 70, 0.5) == pytest.approx(10)
    for bad in ((math.inf, 70, 10), (70, math.inf, 10), (70, 70, math.inf), (70, 70, math.nan)):
        with pytest.raises(ValueError, match="must be finite"):
            lethality.lethal_rate(*bad)


def test_one_time_that_falls_among_others_that_rise_is_refused() -> None:
    for times_s in ([0, 10, 5, 20], [0, 10, math.inf, 20]):
        with pytest.raises(ValueError, match="must not fall"):
            lethality.f_value(times_s, [70, 70, 70, 70], 70, 10)


def test_a_log_reduction_at_its_ends() -> None:
    assert lethality.log_reduction(0, 0.5) == 0
    assert lethality.log_reduction(0.5, 0.25) == 2
    for bad in ((math.inf, 1), (1, math.inf), (-0.5, 1), (1, 0)):
        with pytest.raises(ValueError, match="both finite"):
            lethality.log_reduction(*bad)


@pytest.mark.parametrize("species", lethality.TABLES)
def test_a_dwell_time_is_the_same_on_both_scales(species: str) -> None:
    """Each printed °F, and the same in °C, which no float holds exactly."""
    for temp_f in sorted(lethality.TABLES[species]):
        in_c = lethality.hold_needed_s(species, 12, (temp_f - 32) / 1.8, "C")
        assert in_c == lethality.hold_needed_s(species, 12, temp_f, "F") == lethality.TABLES[species][temp_f][11]


def test_all_fat_is_the_fattest_column() -> None:
    assert lethality.hold_needed_s("chicken", 100, 150, "F") == lethality.hold_needed_s("chicken", 12, 150, "F")


@pytest.mark.parametrize("bad", [(0, 0.95, 0.95, 3), (4, 0.95, 1.0, 3), (4, 0.95, 1.5, 3), (4, 1.0, 0.95, 3)])
def test_no_tolerance_factor_with_the_degrees_of_a_pooled_spread(bad: tuple[int, float, float, int]) -> None:
    with pytest.raises(ValueError, match=r"carry no bound|must be from"):
        sampling.tolerance_factor(*bad)


INVERSE_RANGES_C = {"K": (-200, 0, 500, 1372), "J": (-210, 0, 760, 1200), "T": (-200, 0, 400)}
"""NIST SRD 60: where each published inverse function begins and ends."""


@pytest.mark.parametrize("kind", INVERSES)
def test_the_published_inverses_are_as_good_as_published(kind: str) -> None:
    """NIST SRD 60 gives their errors as up to 0.06 °C, over ranges whose ends are voltages to 0.001 mV."""
    ends = INVERSE_RANGES_C[kind]
    assert [(each.low_mv, each.high_mv) for each in INVERSES[kind]] == [
        (pytest.approx(emf_mv(kind, low), abs=0.0006), pytest.approx(emf_mv(kind, high), abs=0.0006))
        for low, high in pairwise(ends)
    ]
    for inverse, (low, high) in zip(INVERSES[kind], pairwise(ends), strict=True):
        for true_c in np.linspace(low, high, 400):
            found_c = np.polynomial.polynomial.polyval(emf_mv(kind, float(true_c)), inverse.coefficients)
            assert abs(found_c - true_c) < 0.065
            assert temp_c(kind, emf_mv(kind, float(true_c))) == pytest.approx(true_c, abs=0.001), "and put right"


@pytest.mark.parametrize(("kind", "low_c", "high_c"), [("K", -270, 1372), ("J", -210, 1200), ("T", -270, 400)])
def test_a_rounded_voltage_past_an_end_is_the_end_and_a_farther_one_is_none(
    kind: str, low_c: float, high_c: float
) -> None:
    """A printed table has three digits of a millivolt: half of the last is 0.0005 mV."""
    for end_c, way in ((low_c, -1), (high_c, 1)):
        end_mv = emf_mv(kind, end_c)
        assert temp_c(kind, end_mv) == pytest.approx(end_c, abs=1e-4)
        assert temp_c(kind, end_mv + way * 0.00049) == pytest.approx(end_c, abs=1e-4)
        with pytest.raises(ValueError, match=f"is outside type {kind}"):
            temp_c(kind, end_mv + way * 0.00051)
        with pytest.raises(ValueError, match=f"is outside type {kind}"):
            emf_mv(kind, end_c + way * 0.001)
        for step in (1, 30):
            assert temp_c(kind, emf_mv(kind, end_c - way * step)) == pytest.approx(end_c - way * step, abs=1e-3)


@pytest.mark.parametrize("mean_range", [0.0, 0.25, 0.99, 1.0])
def test_limits_go_with_a_range_however_small(mean_range: float) -> None:
    """A2, D3 and D4 of four pieces: 0.729, 0 and 2.282 (ASTM E2587, table 1)."""
    means, ranges = sampling.mean_limits(80, mean_range, 4), sampling.range_limits(mean_range, 4)
    assert (means.low, means.centre, means.high) == (
        pytest.approx(80 - 0.729 * mean_range, abs=0.001),
        80,
        pytest.approx(80 + 0.729 * mean_range, abs=0.001),
    )
    assert (ranges.low, ranges.centre, ranges.high) == (0, mean_range, pytest.approx(2.282 * mean_range, abs=0.001))
    for bad in (-0.01, math.nan):
        with pytest.raises(ValueError, match="is none; it is zero or more"):
            sampling.range_limits(bad, 4)


def test_two_points_are_enough_to_move() -> None:
    """Their range over d2 of two pieces, 1.128 (ASTM E2587)."""
    assert sampling.moving_sd([70, 71.128]) == pytest.approx(1, abs=0.001)
    with pytest.raises(ValueError, match="1 points do not move"):
        sampling.moving_sd([70])
