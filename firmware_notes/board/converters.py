"""The two converter chips: how to ask them, and their answer as a value of the line protocol.

No arithmetic on temperatures: an answer goes out whole, and the recorder judges it. `transfer(out)` is one exchange
with the chip selected: it sends the bytes of `out` and gives back as many. Registers and bits: published-values.md 4.5
and 4.6, read from open drivers. The data sheets could not be read; what is marked M is from memory: check it there.
"""

from binascii import hexlify

FAULT = "fault"
"""The protocol's word of a board that can't measure."""

ONE_SHOT = 0x40
"""In CR0: begin one measurement. The chip takes the bit back when it is done (read from an open driver)."""
OPEN_DETECT = 0x10
"""In CR0: look for an open circuit, at less than 5 kilohms of wire (M)."""
FILTER_50 = 0x01
"""In CR0: filter 50 Hz out, not 60."""
KINDS = {"J": 2, "K": 3, "T": 7}
"""In CR1: the thermocouple type. The upper half stays 0: no averaging."""
WRITE = 0x80
"""Added to a register's address to write it (M)."""


class MAX31855:
    """It can only be read. It measures by itself, about ten times a second (M)."""

    BUS, PHASE = "spi", 0
    """The clock's phase: SPI mode 0 (M)."""

    @staticmethod
    def shortest_ms(mains_hz):
        """Of its period: it measures by itself every 100 ms at the longest (M)."""
        return 100

    def __init__(self, transfer, kind, mains_hz):
        if kind != "K":
            raise ValueError(f"a MAX31855 reads type K here, not {kind}; use a MAX31856")
        self._transfer = transfer

    def value(self):
        """Its word as it is: fault bits and a stuck bus are in it."""
        return "Kw" + _hex(self._transfer(bytes(4)))


class MAX31856:
    """Each value is a measurement of its own, begun when the last one was read, so that no value is sent twice."""

    BUS, PHASE = "spi", 1
    """The clock's phase: SPI mode 1 (M)."""

    @staticmethod
    def shortest_ms(mains_hz):
        """Of its period: one measurement, and the look for an open circuit at less than 5 kilohms.

        Data sheet, "Electrical Characteristics" and table 4, from memory (M): 185 ms at 50 Hz and 155 ms at 60 Hz, and
        44 ms.
        """
        return 229 if mains_hz == 50 else 199

    def __init__(self, transfer, kind, mains_hz):
        if kind not in KINDS:
            raise ValueError(f"thermocouple type {kind} is none of K, J, T")
        self._transfer = transfer
        self._kind = kind
        self._settings = bytes((OPEN_DETECT | (FILTER_50 if mains_hz == 50 else 0), KINDS[kind]))
        self._fit = self._set_up()
        """Whether it is measuring, as it was set to."""

    def value(self):
        """All its registers; or "fault", when its settings do not hold or it has not finished: then it is set again."""
        registers = self._registers()
        if self._fit and registers[:2] == self._settings:
            self._fit = self._begin()
            return self._kind + "r" + _hex(registers)
        self._fit = self._set_up()
        return FAULT

    def _set_up(self):
        """The self-test: whether the settings that are written can be read, and it begins to measure."""
        self._transfer(bytes((WRITE,)) + self._settings)
        return self._registers()[:2] == self._settings and self._begin()

    def _begin(self):
        """Whether it has heard: without that, what it measured before would be sent again."""
        begun = self._settings[0] | ONE_SHOT
        self._transfer(bytes((WRITE, begun)))
        return self._transfer(bytes(2))[1] == begun

    def _registers(self):
        return self._transfer(bytes(17))[1:]


def _hex(data):
    return hexlify(data).decode().upper()
