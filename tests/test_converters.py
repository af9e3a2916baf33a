"""Converter words and registers: published-values.md 4.5 and 4.6 (read there from open drivers)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.thermal.converters import SENSITIVITY_MV, Converted, Unfit, max31855k, max31856
from recorder.thermal.thermocouple import emf_mv

COLD = (0.0, 25.0, 40.0, 50.0, 60.0)
# published-values.md 4.5: what the straight line reports minus the truth, for each cold junction above.
BEFORE = {
    0.0: (0.00, 0.77, 0.95, 0.99, 0.97),
    57.2: (-0.98, -0.21, -0.03, 0.01, -0.01),
    73.9: (-0.90, -0.13, 0.05, 0.09, 0.07),
    100.0: (-0.76, 0.01, 0.19, 0.23, 0.21),
    162.8: (-1.63, -0.86, -0.68, -0.64, -0.66),
    176.7: (-2.06, -1.30, -1.11, -1.08, -1.09),
    190.6: (-2.52, -1.76, -1.57, -1.54, -1.55),
}


def word(hot_c: float, cold_c: float) -> int:
    return (round(hot_c * 4) & 0x3FFF) << 18 | (round(cold_c * 16) & 0xFFF) << 4


@pytest.mark.parametrize(
    ("frame", "hot_c", "cold_c"),
    [
        (0x01901900, 25, 25),
        (0x064C1900, 100.75, 25),
        (0x04A01F40, 74, 31.25),
        (0x0B0C2800, 176.75, 40),
        (0xFFFC0000, -0.25, 0),
        (0xFFF0FF00, -1, -1),
    ],
)
def test_whole_words_say_their_fields(frame: int, hot_c: float, cold_c: float) -> None:
    made = max31855k(frame)
    assert isinstance(made, Converted)
    assert (made.reported_c, made.cold_junction_c) == (hot_c, cold_c)
    assert frame == word(hot_c, cold_c)


def test_the_straight_line_is_put_right() -> None:
    print("\nMAX31855K, reported minus true and corrected minus true, °C, at cold junctions", COLD)
    for true_c, errors in BEFORE.items():
        after = []
        for cold_c, error in zip(COLD, errors, strict=True):
            reported_c = cold_c + (emf_mv("K", true_c) - emf_mv("K", cold_c)) / SENSITIVITY_MV
            assert reported_c - true_c == pytest.approx(error, abs=0.00501)
            made = max31855k(word(reported_c, cold_c))
            if (true_c, cold_c) == (0, 0):
                assert made == Unfit(("bus stuck at zeros",))
                continue
            assert isinstance(made, Converted)
            after.append(made.temp_c - true_c)
            assert abs(after[-1]) < 0.135, "half of the chip's step of 0.25 °C, by the true slope"
        print(f"{true_c:6.1f}", *(f"{error:+.2f}" for error in errors), "|", *(f"{error:+.2f}" for error in after))


@pytest.mark.parametrize(
    ("frame", "fault"),
    [
        (0x00011901, "open circuit"),
        (0x00011902, "short to ground"),
        (0x00011904, "short to supply"),
        (0, "bus stuck at zeros"),
        (0xFFFFFFFF, "bus stuck at ones"),
        (0x01901900 | 1 << 17, "bits at odds"),
        (0x01901908, "bits at odds"),
        (0x01911900, "bits at odds"),
        (word(30, -60), "cold junction out of range"),
        (word(1800, 25), "hot junction out of range"),
        (0xF060C900, "hot junction out of range"),  # -250.00/-55 by the straight line is below type K altogether
    ],
)
def test_a_word_without_a_reading_names_why(frame: int, fault: str) -> None:
    assert max31855k(frame) == Unfit((fault,))


@given(st.integers(0, 0xFFFFFFFF))
def test_any_word_is_a_reading_in_range_or_a_fault(frame: int) -> None:
    made = max31855k(frame)
    assert made.faults if isinstance(made, Unfit) else -270 <= made.temp_c <= 1372 and not frame & 0x3000F


def test_a_word_has_32_bits() -> None:
    with pytest.raises(ValueError, match="not a word of 32 bits"):
        max31855k(1 << 32)


def registers(hot: str, cold: str = "1900", fault: int = 0, settings: int = 3) -> bytes:
    return bytes([0x80, settings]) + bytes(8) + bytes.fromhex(cold + hot) + bytes([fault])


@pytest.mark.parametrize(
    ("hot", "hot_c"),
    [
        ("3E8000", 1000),
        ("064F00", 100.9375),
        ("019000", 25),
        ("000100", 0.0625),
        ("FFFF00", -0.0625),
        ("FFFC00", -0.25),
        ("FFF000", -1),
        ("F06000", -250),
        ("04A000", 74),
        ("000020", 0.0078125),
    ],
)
def test_hot_registers(hot: str, hot_c: float) -> None:
    assert max31856(registers(hot), "K") == Converted(hot_c, 25, hot_c)


@pytest.mark.parametrize(
    ("cold", "cold_c"),
    [("7D00", 125), ("1980", 25.5), ("0004", 0.015625), ("FFFC", -0.015625), ("E700", -25), ("C900", -55)],
)
def test_cold_registers(cold: str, cold_c: float) -> None:
    assert max31856(registers("04A000", cold, settings=0x17), "T") == Converted(74, cold_c, 74)


@pytest.mark.parametrize(
    ("frame", "faults"),
    [
        (bytes(16), ("bus stuck at zeros",)),
        (b"\xff" * 16, ("bus stuck at ones",)),
        (registers("04A000", fault=0x03), ("open circuit", "voltage out of range")),
        (registers("04A000", fault=0x40), ("hot junction out of range",)),
        (registers("640000", fault=0x40), ("hot junction out of range",)),  # 1600 °C
        (registers("04A000", "7E00"), ("cold junction out of range",)),
        (registers("04A000", settings=7), ("set to another type",)),
        (registers("000000", "0000"), ("no conversion yet",)),
    ],
)
def test_registers_without_a_reading_name_why(frame: bytes, faults: tuple[str, ...]) -> None:
    assert max31856(frame, "K") == Unfit(faults)


def test_registers_come_whole_and_for_a_known_type() -> None:
    with pytest.raises(ValueError, match="6 registers instead of 16"):
        max31856(bytes(6), "K")
    with pytest.raises(ValueError, match="'N' is not known: use one of K, J, T"):
        max31856(bytes(16), "N")
