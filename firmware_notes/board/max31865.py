"""A converter for platinum resistance thermometers (RTD) on SPI. It knows its chip, and neither pins nor clock.

Registers and bits: MAX31865's data sheet (19-6478), tables 1, 6 and 10 to 12 and the section "Fault Threshold
Registers", read in part; (M) is from memory. From ohms to degrees by the Callendar-Van Dusen equation of IEC 60751,
below 0 °C without its third term (0.01 °C at -40 °C).
"""

from math import sqrt

FAULT = "fault"

BIAS, ONE_SHOT, THREE_WIRES, CLEAR, FILTER_50 = 0x80, 0x20, 0x10, 0x02, 0x01
"""Configuration bits. The chip takes ONE_SHOT and CLEAR back."""
WRITE = 0x80
A, B = 3.9083e-3, -5.775e-7
"""IEC 60751."""
COLDEST_C, HOTTEST_C = -40, 400
"""Outside, the element is open or short: no probe at a fryer reads this."""
NOMINAL = {"Pt100": 100.0, "Pt1000": 1000.0}
REFERENCE_OHM = {"Pt100": 430.0, "Pt1000": 4300.0}
"""The resistor beside the chip, 0.1 % or better; common on modules (common practice, no source)."""


class MAX31865:
    """Each value is a measurement of its own, begun when the last one was read."""

    BUS, PHASE = "spi", 1

    @staticmethod
    def shortest_ms(mains_hz):
        """Of its period: 66 ms at 50 Hz, 55 ms at 60 Hz (M), and the time of its input filter, under 10 ms."""
        return 80

    def __init__(self, transfer, kind, mains_hz):
        """`kind`: the element and its wires, such as "Pt1000-4"."""
        element, _, wires = kind.partition("-")
        if element not in NOMINAL or wires not in ("2", "3", "4"):
            raise ValueError(f"{kind} is no element and wires; write Pt100-4 or Pt1000-4, with 2, 3 or 4 wires")
        self._transfer = transfer
        self._ratio = REFERENCE_OHM[element] / NOMINAL[element] / 32768
        self._settings = BIAS | (THREE_WIRES if wires == "3" else 0) | (FILTER_50 if mains_hz == 50 else 0)
        limits = (self._code(HOTTEST_C), self._code(COLDEST_C))
        self._limits = b"".join(bytes((code >> 7, code << 1 & 0xFE)) for code in limits)
        self._fit = self._set_up()

    def value(self):
        """Degrees, or a fault word; where its settings do not hold or it has not finished, it is set again."""
        registers = self._transfer(bytes(9))[1:]
        if not (self._fit and registers[0] == self._settings and registers[3:7] == self._limits):
            self._fit = self._set_up()
            return FAULT
        self._fit = self._begin(CLEAR if registers[7] else 0)
        code = (registers[1] << 8 | registers[2]) >> 1
        if registers[7] & 0x80:
            return "open"
        if registers[7] & 0x40:
            return "short"
        if registers[7] or registers[2] & 1:
            return FAULT
        return f"{celsius(code * self._ratio):.2f}C"

    def _code(self, temp_c):
        """What the chip says at this temperature."""
        return round((1 + A * temp_c + B * temp_c * temp_c) / self._ratio)

    def _set_up(self):
        """Whether it keeps its settings, and begins to measure."""
        self._transfer(bytes((WRITE | 3,)) + self._limits)
        self._transfer(bytes((WRITE, self._settings | CLEAR)))
        registers = self._transfer(bytes(9))[1:]
        return registers[0] == self._settings and registers[3:7] == self._limits and self._begin(0)

    def _begin(self, clear):
        begun = self._settings | ONE_SHOT
        self._transfer(bytes((WRITE, begun | clear)))
        return self._transfer(bytes(2))[1] & ~CLEAR == begun


def celsius(ratio):
    """°C of an element with `ratio` times its resistance at 0 °C."""
    return (sqrt(A * A - 4 * B * (1 - ratio)) - A) / (2 * B)
