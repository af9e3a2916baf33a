"""The buses that the converters are on, on any board that MicroPython runs on. With `main.py` all that knows pins.

An SPI bus is opened again for each clock phase, with all it needs in one call: what `init` keeps of the pins differs
between boards. A board whose bus has pins of its own (CLOCK_PIN = None) is given none.
"""

from machine import I2C, SPI, Pin


class SpiBus:
    def __init__(self, settings):
        self._settings = settings
        self._bus = None
        self._phase = None

    def transfer(self, pin, phase):
        """One exchange with the chip behind this select pin: `transfer(out)` gives back as many bytes."""
        select = Pin(pin, Pin.OUT, value=1)

        def exchange(out):
            if phase != self._phase:
                self._open(phase)
            answer = bytearray(len(out))
            select.value(0)
            self._bus.write_readinto(out, answer)
            select.value(1)
            return bytes(answer)

        return exchange

    def _open(self, phase):
        settings, pins = self._settings, {}
        if settings.CLOCK_PIN is not None:
            pins = {
                "sck": Pin(settings.CLOCK_PIN),
                "mosi": Pin(settings.OUT_PIN),
                "miso": Pin(settings.IN_PIN),
            }
        self._bus = SPI(settings.SPI, baudrate=settings.SPI_HZ, polarity=0, phase=phase, **pins)
        self._phase = phase


class I2cBus:
    def __init__(self, settings):
        pins = {}
        if settings.I2C_CLOCK_PIN is not None:
            pins = {"scl": Pin(settings.I2C_CLOCK_PIN), "sda": Pin(settings.I2C_DATA_PIN)}
        self._bus = I2C(settings.I2C, freq=settings.I2C_HZ, **pins)

    def registers(self, address):
        """The chip at this address: `read(register, count)` and `write(register, data)`; `OSError` if it is silent."""
        return I2cRegisters(self._bus, address)


class I2cRegisters:
    def __init__(self, bus, address):
        self._bus, self._address = bus, address

    def read(self, register, count):
        return self._bus.readfrom_mem(self._address, register, count)

    def write(self, register, data):
        self._bus.writeto_mem(self._address, register, data)
