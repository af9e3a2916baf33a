"""What two thermocouple converter chips say: words and registers to temperatures or named faults. Pure: no bus.

A bus that is stuck reads as all zeros or all ones. All zeros would be 0 °C; it is refused, and a true 0.00 °C at a
chip of 0.0000 °C with it, since the two look the same. Layouts: published-values.md sections 4.5 and 4.6, read
there from open drivers, not from the data sheets.
"""

from dataclasses import dataclass

from recorder.thermal.its90 import PIECES
from recorder.thermal.thermocouple import temp_c

COLDEST_C, HOTTEST_C = -55.0, 125.0
"""What a converter's own cold junction can be: the ends of the chips' tables."""

SENSITIVITY_MV = 0.041276
"""Millivolts a degree by which a MAX31855K turns voltage into degrees, in a straight line."""

STUCK_ZEROS, STUCK_ONES = "bus stuck at zeros", "bus stuck at ones"

_FAULTS_31855 = ("open circuit", "short to ground", "short to supply")
"""Bit 0 first."""
_FAULTS_31856 = (
    "open circuit",
    "voltage out of range",
    "hot junction below its alarm",
    "hot junction above its alarm",
    "cold junction below its alarm",
    "cold junction above its alarm",
    "hot junction out of range",
    "cold junction out of range",
)
"""Bit 0 of the fault register first."""
_KINDS_31856 = {"J": 2, "K": 3, "T": 7}


@dataclass(frozen=True, slots=True)
class Converted:
    """A converter's reading."""

    temp_c: float
    """°C of the hot junction by ITS-90."""
    cold_junction_c: float
    """°C of the chip."""
    reported_c: float
    """°C of the hot junction as the chip itself says."""


@dataclass(frozen=True, slots=True)
class Unfit:
    """A converter that has no reading."""

    faults: tuple[str, ...]
    """At least one."""


def max31855k(word: int) -> Converted | Unfit:
    """The reading of a MAX31855K's 32-bit word (first bit on the wire highest), put right to ITS-90.

    The chip's straight line is undone with its own cold junction: its millivolts are found again and turned by
    `temp_c`. Range: hot junction as type K in `temp_c`, cold junction -55 to 125 °C; outside, faulty or stuck: `Unfit`.
    A word that is not one of 32 bits: ValueError. Source: published-values.md section 4.5, ITS-90 by NIST SRD 60.
    """
    if not 0 <= word <= 0xFFFFFFFF:
        raise ValueError(f"{word:#x} is not a word of 32 bits; read the four bytes again")
    if word in (0, 0xFFFFFFFF):
        return Unfit((STUCK_ONES if word else STUCK_ZEROS,))
    faults = _named(word & 0b111, _FAULTS_31855)
    if word & 1 << 17 or word & 1 << 3 or bool(word & 1 << 16) != bool(faults):
        faults = (*faults, "bits at odds")
    if faults:
        return Unfit(faults)
    reported_c, cold_c = _signed(word >> 18, 14) / 4, _signed(word >> 4 & 0xFFF, 12) / 16
    return _converted("K", SENSITIVITY_MV * (reported_c - cold_c), cold_c, reported_c)


def max31856(registers: bytes, kind: str) -> Converted | Unfit:
    """The reading of a MAX31856's 16 registers 00 to 0F hex, for a thermocouple of `kind` ("K", "J" or "T").

    The chip follows ITS-90 itself, so nothing is put right. Each bit of its fault register is a fault. So is another
    type in its settings (a chip that lost its power turns back to K), and 0 °C at both junctions, as before a first
    conversion. Range: hot junction as in `temp_c`, cold junction -55 to 125 °C; outside, faulty or stuck: `Unfit`.
    Not 16 bytes, or an unknown kind: ValueError. Source: published-values.md section 4.6.
    """
    if len(registers) != 16:
        raise ValueError(f"{len(registers)} registers instead of 16; read 00 to 0F hex in one go")
    if kind not in _KINDS_31856:
        raise ValueError(f"thermocouple type {kind!r} is not known: use one of {', '.join(PIECES)}")
    if registers in (bytes(16), b"\xff" * 16):
        return Unfit((STUCK_ONES if any(registers) else STUCK_ZEROS,))
    faults = _named(registers[15], _FAULTS_31856)
    if registers[1] & 0xF != _KINDS_31856[kind]:
        faults = (*faults, "set to another type")
    cold_c = int.from_bytes(registers[10:12], signed=True) / 256
    hot_c = int.from_bytes(registers[12:15], signed=True) / 4096
    if not faults and hot_c == cold_c == 0:
        faults = ("no conversion yet",)
    low, high = PIECES[kind]
    if not low.low_c <= hot_c <= high.high_c:
        faults = (*faults, "hot junction out of range")
    if not COLDEST_C <= cold_c <= HOTTEST_C:
        faults = (*faults, "cold junction out of range")
    return Unfit(tuple(dict.fromkeys(faults))) if faults else Converted(hot_c, cold_c, hot_c)


def _converted(kind: str, emf_mv: float, cold_c: float, reported_c: float) -> Converted | Unfit:
    if not COLDEST_C <= cold_c <= HOTTEST_C:
        return Unfit(("cold junction out of range",))
    try:
        return Converted(temp_c(kind, emf_mv, cold_c), cold_c, reported_c)
    except ValueError:
        return Unfit(("hot junction out of range",))


def _named(bits: int, names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(name for bit, name in enumerate(names) if bits >> bit & 1)


def _signed(bits: int, width: int) -> int:
    """Two's complement."""
    return bits - (1 << width) if bits >> width - 1 & 1 else bits
