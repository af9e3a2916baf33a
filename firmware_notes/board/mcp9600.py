"""A thermocouple converter on I2C. It knows its chip, and neither pins nor clock.

Registers: MCP9600's data sheet, DS20005426C, sections 5.1.1 (hot junction) and 5.2.1 (status), read; the others are
from memory (M): look there before you rely on them. It turns volts into degrees by NIST's coefficients itself, so the
line has degrees. **It can't find an open circuit**: the MCP9601 can, and reads the same way.
"""

FAULT = "fault"

HOT, STATUS, SENSOR, DEVICE, ID = 0x00, 0x04, 0x05, 0x06, 0x20
"""Registers; the last three (M)."""
UPDATED, OUT_OF_RANGE = 0x40, 0x10
"""In the status: a new conversion is there; the voltage is none of this type."""
OPEN, SHORT = 0x10, 0x20
"""The same of an MCP9601 (M): its range bit is its open circuit."""
KINDS = {"K": 0x00, "J": 0x10, "T": 0x20}
"""In the sensor's settings: the type, and no filter (M)."""
FINE = 0x00
"""The device's settings: cold junction in steps of 0.0625 °C, 18 bits, measuring by itself (M)."""
CHIPS = {0x40: "MCP9600", 0x41: "MCP9601"}
"""First byte of the ID (M)."""


class MCP9600:
    BUS = "i2c"

    @staticmethod
    def shortest_ms(mains_hz):
        """Of its period: 320 ms for 18 bits (M), 250 ms for its own temperature (section 5.1.3), at the same time."""
        return 350

    def __init__(self, registers, kind, mains_hz):
        if kind not in KINDS:
            raise ValueError(f"thermocouple type {kind} is none of K, J, T")
        self._registers = registers
        self._settings = bytes((KINDS[kind], FINE))
        self._finds_open = False
        self._fit = self._set_up()

    def value(self):
        """Degrees since the last time; or a fault word, and then it is set again."""
        try:
            if self._fit and self._holds():
                return self._converted()
            self._fit = self._set_up()
        except OSError:
            self._fit = False
        return FAULT

    def _converted(self):
        status = self._registers.read(STATUS, 1)[0]
        if self._finds_open and status & SHORT:
            return "short"
        if status & OUT_OF_RANGE:
            return "open" if self._finds_open else FAULT
        if not status & UPDATED:
            return FAULT
        self._registers.write(STATUS, bytes(1))
        high, low = self._registers.read(HOT, 2)
        sixteenths = (high << 8 | low) - (0x10000 if high & 0x80 else 0)
        return degrees(sixteenths * 25, 400)

    def _set_up(self):
        """Whether it is there, and keeps what it is set to."""
        try:
            chip = CHIPS.get(self._registers.read(ID, 1)[0])
            self._finds_open = chip == "MCP9601"
            self._registers.write(SENSOR, self._settings[:1])
            self._registers.write(DEVICE, self._settings[1:])
            self._registers.write(STATUS, bytes(1))
            return chip is not None and self._holds()
        except OSError:
            return False

    def _holds(self):
        return self._registers.read(SENSOR, 1) + self._registers.read(DEVICE, 1) == self._settings


def degrees(value, parts):
    """`value / parts` as the protocol writes it, with two decimals and without a float."""
    hundredths = (abs(value) * 200 + parts) // (2 * parts)
    sign = "-" if value < 0 and hundredths else ""
    return f"{sign}{hundredths // 100}.{hundredths % 100:02d}C"
