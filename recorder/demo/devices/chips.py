"""Two converter chips as a bus sees them: what a thermocouple feels becomes a MAX31855's word, a MAX31856's registers.

For boards without hardware. Layouts: published-values.md 4.5 and 4.6; what is marked M is from memory, since the data
sheets could not be read. Known to nobody but the simulated board.
"""

from collections.abc import Callable
from dataclasses import dataclass

from recorder.thermal.converters import SENSITIVITY_MV
from recorder.thermal.thermocouple import emf_mv, temp_c

KINDS = {2: "J", 3: "K", 7: "T"}
"""Low half of a MAX31856's CR1 -> thermocouple type."""

CONVERSION_MS = 185
"""A MAX31856's longest for one measurement, at 50 Hz (M)."""

DEFAULTS = bytes.fromhex("0003FF7FC07FFF80").ljust(16, b"\0")
"""A MAX31856's registers after power-up (M): off, type K, wide limits, no measurement."""

SETTINGS = frozenset(range(10))
"""Its registers that can be written."""

_ONE_SHOT, _OPEN_DETECT = 0x40, 0x30
_OPEN, _OVUV, _TCRANGE = 0x01, 0x02, 0x40


@dataclass(frozen=True, slots=True)
class Felt:
    """What is at a chip's inputs."""

    hot_c: float
    """°C of the hot junction."""
    cold_c: float
    """°C of the chip itself."""
    fault: str | None = None
    """ "open", or "short": a wire touches the supply."""


class Chip:
    """One chip on a bus, with a thermocouple of `kind`."""

    phase = 0
    """Of the clock; spoken to in another, it answers with ones."""

    def __init__(self, kind: str, feel: Callable[[], Felt]) -> None:
        self.stuck: int | None = None
        """The byte that its output reads as for ever, where the wire is broken."""
        self._kind = kind
        self._feel = feel

    def power_up(self) -> None:
        """It has power again: its settings are gone."""

    def exchange(self, out: bytes, phase: int, now_ms: int) -> bytes:
        """What it answers while it is sent `out`."""
        answer = self.answer(out, now_ms)
        stuck = self.stuck if phase == self.phase else 0xFF
        return answer if stuck is None else bytes([stuck] * len(out))

    def answer(self, out: bytes, now_ms: int) -> bytes:
        """The same of a whole chip on a whole bus."""
        raise NotImplementedError

    def volts_mv(self, felt: Felt) -> float:
        """The voltage between its inputs, mV, by ITS-90."""
        return emf_mv(self._kind, felt.hot_c) - emf_mv(self._kind, felt.cold_c)


class Max31855(Chip):
    """A MAX31855K: its straight line takes no part in ITS-90."""

    def answer(self, out: bytes, now_ms: int) -> bytes:
        """What it sends while `out` comes in."""
        felt = self._feel()
        hot = round(4 * (felt.cold_c + self.volts_mv(felt) / SENSITIVITY_MV)) & 0x3FFF
        fault = {None: 0, "open": 1 << 16 | 1, "short": 1 << 16 | 4}[felt.fault]
        word = hot << 18 | (round(16 * felt.cold_c) & 0xFFF) << 4 | fault
        return word.to_bytes(4).ljust(len(out), b"\0")[: len(out)]


class Max31856(Chip):
    """A MAX31856: it measures when CR0 asks for one measurement, and does ITS-90 of the type that CR1 names.

    An open circuit is only found where CR0 says so; else, and with a wire at the supply, its number is that of the
    chip's own temperature (invented, so that code which ignores the fault bits is found out).
    """

    phase = 1

    def __init__(self, kind: str, feel: Callable[[], Felt]) -> None:
        super().__init__(kind, feel)
        self.conversion_ms = CONVERSION_MS
        self.measured = 0
        """Measurements that it has finished."""
        self.deaf: frozenset[int] = frozenset()
        """Registers that take nothing; `SETTINGS`, where the wire to its input is broken."""
        self.power_up()

    def power_up(self) -> None:
        """Its registers are those of the data sheet."""
        self._registers = bytearray(DEFAULTS)
        self._begun_ms: int | None = None

    def answer(self, out: bytes, now_ms: int) -> bytes:
        """What it sends while `out` comes in."""
        if self._begun_ms is not None and now_ms - self._begun_ms >= self.conversion_ms:
            self._measure(self._feel())
        first, rest = out[0] & 0x7F, len(out) - 1
        if out[0] & 0x80:
            for address, byte in enumerate(out[1:], first):
                self._write(address, byte, now_ms)
            return bytes(len(out))
        return b"\0" + bytes(self._registers[address % 16] for address in range(first, first + rest))

    def _write(self, address: int, byte: int, now_ms: int) -> None:
        if address in SETTINGS and address not in self.deaf:
            self._registers[address] = byte
            if address == 0:
                self._begun_ms = now_ms if byte & _ONE_SHOT else None

    def _measure(self, felt: Felt) -> None:
        looks = bool(self._registers[0] & _OPEN_DETECT)
        fault = _OVUV if felt.fault == "short" else _OPEN if felt.fault and looks else 0
        try:
            kind = KINDS[self._registers[1] & 0xF]
            hot_c = felt.cold_c if felt.fault else temp_c(kind, self.volts_mv(felt), felt.cold_c)
        except (KeyError, ValueError):
            hot_c, fault = 0.0, fault | _TCRANGE
        self._registers[10:12] = (round(felt.cold_c * 64) * 4).to_bytes(2, signed=True)
        self._registers[12:15] = (round(hot_c * 128) * 32).to_bytes(3, signed=True)
        self._registers[15] = fault
        self._registers[0] &= ~_ONE_SHOT
        self._begun_ms = None
        self.measured += 1


CHIPS = {"MAX31855": Max31855, "MAX31856": Max31856}
