"""Bluetooth characteristics, against the published bytes of the SIG's documents."""

import struct
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.probes.ble.gatt import (
    BATTERY,
    INTERMEDIATE,
    MEASUREMENT,
    RESTARTED_AFTER,
    TEMPERATURE,
    GattReader,
    float_11073,
)
from recorder.probes.source import Charge, Chunk, Doubt, Fault, Found, Sample

# IEEE-11073 FLOATs and measurements: worked examples of a course text on the GATT Specification Supplement (Bluetooth
# SIG, 2026-09-09), and bytes computed from its layout; shared/reference/published-values.md section 7.
MEASUREMENTS = {
    "00 38 0E 00 FE": 36.40,
    "00 38 0E 00 FE E8 07 01 01 00 00 05": 36.40,  # flags say that no time stamp follows
    "00 6C 01 00 FF": 36.4,
    "00 E4 02 00 FF": 74.0,
    "00 43 FF FF FF": -18.9,
    "01 72 06 00 FF": (165.0 - 32) / 1.8,
    "01 A5 00 00 00": (165 - 32) / 1.8,
    "02 E4 02 00 FF E8 07 02 1D 17 3B 3A": 74.0,  # 2024-02-29 23:59:58
}
SPECIALS = {
    "FF FF 7F 00": "no value",
    "00 00 80 00": "not at this resolution",
    "FE FF 7F 00": "above its range",
    "02 00 80 00": "below its range",
    "01 00 80 00": "reserved value",
}
ENVIRONMENT = {"E8 1C": 74.00, "5A 16": 57.22, "03 45": 176.67, "F8 F8": -18.00, "64 08": 21.48}


def read(where: str, text: str, reader: GattReader | None = None) -> list[Found]:
    return (reader or GattReader("needle")).read(Chunk(bytes.fromhex(text), where))


def undated(where: str, text: str) -> list[Found]:
    """The same, without when it was measured."""
    return [each if isinstance(each, Charge) else replace(each, taken=None) for each in read(where, text)]


@pytest.mark.parametrize(("text", "temp_c"), MEASUREMENTS.items())
def test_a_measurement_is_read_as_published(text: str, temp_c: float) -> None:
    for where in (MEASUREMENT, INTERMEDIATE):
        (sample,) = read(where, text)
        assert isinstance(sample, Sample)
        assert sample.temp_c == pytest.approx(temp_c, abs=1e-9)


@pytest.mark.parametrize(("text", "reason"), SPECIALS.items())
def test_a_special_value_is_a_fault_and_never_a_number(text: str, reason: str) -> None:
    assert float_11073(bytes.fromhex(text)) == reason
    assert read(MEASUREMENT, f"00 {text}") == [Fault("needle", reason)]
    assert undated(MEASUREMENT, f"03 {text} E8 07 02 1D 17 3B 3A") == [Fault("needle", reason)]


def test_the_mantissa_has_a_sign() -> None:
    """Published as the usual mistake: read without a sign it comes out as 1,677,720.1."""
    assert float_11073(bytes.fromhex("F1 FF FF FF")) == -1.5


@pytest.mark.parametrize(("text", "temp_c"), ENVIRONMENT.items())
def test_environmental_sensing_is_read_as_published(text: str, temp_c: float) -> None:
    (sample,) = read(TEMPERATURE, text)
    assert isinstance(sample, Sample)
    assert sample.temp_c == pytest.approx(temp_c, abs=1e-9)


def test_an_unknown_value_of_environmental_sensing_is_a_fault() -> None:
    assert read(TEMPERATURE, "00 80") == [Fault("needle", "no value")]


@given(st.integers(-8_388_000, 8_388_000), st.integers(-6, 3))
def test_a_float_is_mantissa_times_ten_to_the_exponent(mantissa: int, exponent: int) -> None:
    data = struct.pack("<i", mantissa)[:3] + struct.pack("<b", exponent)
    assert float_11073(data) == pytest.approx(mantissa * 10.0**exponent, rel=1e-12)


@pytest.mark.parametrize(
    ("where", "text", "kind"),
    [
        (MEASUREMENT, "", "cut short"),
        (MEASUREMENT, "00 E4 02 00", "cut short"),
        (MEASUREMENT, "02 E4 02 00 FF E8 07 02 1D 17 3B", "cut short"),
        (MEASUREMENT, "00 E4 02 00 00", "out of range"),
        (TEMPERATURE, "E8", "cut short"),
        (TEMPERATURE, "E8 1C 00", "too long"),
        (TEMPERATURE, "00 81", "out of range"),
        (BATTERY, "65", "no percentage"),
        (BATTERY, "", "no percentage"),
        ("2A37", "00 48", "unknown characteristic"),
    ],
)
def test_what_is_wrong_is_counted_by_kind(where: str, text: str, kind: str) -> None:
    reader = GattReader("needle")
    assert read(where, text, reader) == ([Doubt("needle", kind)] if kind == "out of range" else [])
    assert reader.bad == {kind: 1}


def test_a_charge_is_a_percentage() -> None:
    assert read(BATTERY, "64") == [Charge("needle", 100)]
    assert read(BATTERY, "00") == [Charge("needle", 0)]


def stamped(temp_c: float, year: int, month: int = 1, day: int = 1, second: int = 0) -> str:
    value = struct.pack("<i", round(temp_c * 10))[:3] + b"\xff"
    return (b"\2" + value + struct.pack("<HBBBBB", year, month, day, 12, 0, second)).hex()


def test_the_same_measurement_twice_is_one_and_an_older_one_none() -> None:
    reader = GattReader("needle")
    assert read(MEASUREMENT, stamped(70.0, 2026, second=5), reader)
    assert read(MEASUREMENT, stamped(70.0, 2026, second=5), reader) == []
    assert read(MEASUREMENT, stamped(70.2, 2026, second=5), reader), "twice in one second, and another value"
    assert read(MEASUREMENT, stamped(71.0, 2026, second=4), reader) == []
    assert read(MEASUREMENT, stamped(71.0, 2026, second=6), reader)
    assert reader.bad == {"twice": 1, "out of order": 1}


def test_a_probe_whose_clock_was_set_anew_is_believed_soon() -> None:
    reader = GattReader("needle")
    assert read(MEASUREMENT, stamped(70.0, 2026), reader)
    heard = [bool(read(MEASUREMENT, stamped(70.0, 2000, second=at), reader)) for at in range(RESTARTED_AFTER + 2)]
    assert heard == [False] * (RESTARTED_AFTER - 1) + [True] * 3


def test_a_probe_whose_clock_stands_is_not_taken_for_an_echo_for_ever() -> None:
    reader = GattReader("needle")
    heard = [bool(read(MEASUREMENT, stamped(70.0, 2000), reader)) for _ in range(RESTARTED_AFTER + 2)]
    assert heard == [True] + [False] * (RESTARTED_AFTER - 1) + [True] * 2
    assert read(MEASUREMENT, stamped(70.1, 2000), reader), "another value is no echo at all"


def test_a_time_stamp_says_when_it_was_measured_and_a_clock_that_was_set_is_another_run() -> None:
    """Seconds over the end of a year, by another way of counting: 2024 has 366 days."""
    reader = GattReader("needle")
    taken = []
    for text in (stamped(70.0, 2024), stamped(70.1, 2024, second=59), stamped(70.2, 2025)):
        (sample,) = read(MEASUREMENT, text, reader)
        assert isinstance(sample, Sample) and sample.taken
        taken.append(sample.taken)
    assert [later.ms - earlier.ms for earlier, later in pairwise(taken)] == [59_000, 366 * 86_400_000 - 59_000]
    assert {each.run for each in taken} == {0} and {each.grain_ms for each in taken} == {1_000}
    reader.reopened()
    (sample,) = read(MEASUREMENT, stamped(70.0, 2020), reader)
    assert isinstance(sample, Sample) and sample.taken and sample.taken.run == 1


@pytest.mark.parametrize("day", [(0, 1, 1), (2026, 0, 1), (2026, 1, 0), (2026, 13, 1), (2026, 2, 30)])
def test_a_time_that_is_not_known_or_none_does_not_cost_the_value(day: tuple[int, int, int]) -> None:
    reader = GattReader("needle")
    assert read(MEASUREMENT, stamped(70.0, 2026), reader)
    assert read(MEASUREMENT, stamped(71.0, *day), reader) == [Sample("needle", 71.0)], "it counts as measured now"


@given(st.sampled_from([MEASUREMENT, INTERMEDIATE, TEMPERATURE, BATTERY, "", "2A37"]), st.binary(max_size=20))
def test_any_bytes_are_counted_and_none_is_absurd(where: str, data: bytes) -> None:
    reader = GattReader("needle")
    found = reader.read(Chunk(data, where))
    assert reader.good + reader.bad.total() == 1
    assert all(-40 <= each.temp_c <= 400 for each in found if isinstance(each, Sample))
