"""Stands in for MicroPython's `machine` on a PC: whoever started the program plays pins, chips and watchdog.

What the board does goes to stdout as a line that begins with "!", which no line of the protocol does:

    !bus PINS PHASE HEX   an exchange with these chip-select pins low; as many bytes come back on stdin
    !i2c ADDRESS REGISTER COUNT [HEX]
                          a read of so many bytes, or a write; a byte comes back, 0 if the chip is there, then they
    !watchdog MS          it runs from now on
    !feed                 it is fed
    !room                 may a line be written? "1" or "0" comes back
    !sleep MS             (`time`) nothing happens for so long; one byte comes back when it is over
"""

import os
import sys
from binascii import hexlify


def tell(*words):
    """One line to whoever started the program."""
    sys.stdout.write("!" + " ".join(str(word) for word in words) + "\n")


def answer(length):
    """What comes back; the program ends with whoever started it."""
    data = sys.stdin.buffer.read(length)
    if len(data) < length:
        raise SystemExit
    return data


PWRON_RESET, HARD_RESET, WDT_RESET, SOFT_RESET = 1, 2, 3, 5


def reset_cause():
    return int(os.getenv("BENCH_RESET") or PWRON_RESET)


def unique_id():
    return b"bench"


_low = set()


class Pin:
    IN, OUT = 0, 1

    def __init__(self, number, mode=IN, value=1):
        self._number = number

    def value(self, level):
        (_low.discard if level else _low.add)(self._number)


class SPI:
    """As on most boards; where BENCH_PINS is "own", as on those whose bus takes no pins."""

    def __init__(self, number, baudrate, polarity, phase, **pins):
        if (os.getenv("BENCH_PINS") == "own") is not (not pins):
            raise TypeError("extra keyword arguments given" if pins else "this board's bus needs its pins")
        self._phase = phase

    def write_readinto(self, out, into):
        pins = ",".join(str(pin) for pin in sorted(_low)) or "-"
        tell("bus", pins, self._phase, hexlify(out).decode())
        into[:] = answer(len(out))


class I2C:
    def __init__(self, number, freq, **pins):
        pass

    def readfrom_mem(self, address, register, count):
        tell("i2c", address, register, count)
        data = answer(1 + count)
        if data[0]:
            raise OSError(19)
        return data[1:]

    def writeto_mem(self, address, register, data):
        tell("i2c", address, register, 0, hexlify(data).decode())
        if answer(1)[0]:
            raise OSError(19)


class WDT:
    def __init__(self, timeout):
        tell("watchdog", timeout)

    def feed(self):
        tell("feed")
