"""Builds the board from its settings and runs it.

Whatever goes wrong here ends the program, and the watchdog then starts the board again.
"""

import select
import sys
import time

import about
import settings
from buses import I2cBus, SpiBus
from converters import MAX31855, MAX31856
from lines import Outgoing
from machine import WDT, Pin
from max31865 import MAX31865
from mcp9600 import MCP9600
from rounds import Channel, Rounds

CHIPS = {"MAX31855": MAX31855, "MAX31856": MAX31856, "MAX31865": MAX31865, "MCP9600": MCP9600, "MCP9601": MCP9600}

LOOK_MS = 20
"""While lines wait, it looks this often whether somebody reads."""

if settings.MAINS_HZ not in (50, 60):
    raise ValueError(f"MAINS_HZ is {settings.MAINS_HZ}; write 50 or 60")

watchdog = WDT(timeout=settings.WATCHDOG_MS)
buses = {}


def wired(chip, place):
    """What speaks to the chip at this select pin or address."""
    if chip.BUS not in buses:
        buses[chip.BUS] = (SpiBus if chip.BUS == "spi" else I2cBus)(settings)
    return buses["spi"].transfer(place, chip.PHASE) if chip.BUS == "spi" else buses["i2c"].registers(place)


for place in [place for _, chip, _, place, _ in settings.CHANNELS if CHIPS[chip].BUS == "spi"]:
    Pin(place, Pin.OUT, value=1)  # none listens while another is spoken to

channels = []
for name, chip, kind, place, period_ms in settings.CHANNELS:
    shortest_ms = CHIPS[chip].shortest_ms(settings.MAINS_HZ)
    if period_ms < shortest_ms:
        raise ValueError(
            f"{name}: the period is {period_ms} ms, and a {chip} needs {shortest_ms} ms; write that or more"
        )
    channels.append(Channel(name, CHIPS[chip](wired(CHIPS[chip], place), kind, settings.MAINS_HZ), period_ms))

try:
    reader = select.poll()
    reader.register(sys.stdout, select.POLLOUT)
except (AttributeError, OSError, TypeError):  # a port that can't say whether somebody reads: it just writes
    reader = None
outgoing = Outgoing(sys.stdout.write, lambda: reader is None or bool(reader.poll(0)))


def facts():
    return about.FACTS + (("lost", outgoing.lost),)  # noqa: RUF005 - MicroPython knows no other way


rounds = Rounds(channels, outgoing.say, watchdog.feed, time.ticks_ms(), settings.BOARD_TIME, facts)
while True:
    wait_ms = rounds.turn(time.ticks_ms())
    time.sleep_ms(min(wait_ms, LOOK_MS) if outgoing.flush() else wait_ms)
