"""Builds the board from its settings and runs it. The only file that knows pins.

Whatever goes wrong here ends the program, and the watchdog then starts the board again.
"""

import select
import sys
import time

import about
import settings
from converters import CHIPS
from lines import Outgoing
from machine import SPI, WDT, Pin
from rounds import Channel, Rounds

LOOK_MS = 20
"""While lines wait, it looks this often whether somebody reads."""

if settings.MAINS_HZ not in (50, 60):
    raise ValueError(f"MAINS_HZ is {settings.MAINS_HZ}; write 50 or 60")

watchdog = WDT(timeout=settings.WATCHDOG_MS)
bus = SPI(
    settings.SPI,
    baudrate=settings.SPI_HZ,
    sck=Pin(settings.CLOCK_PIN),
    mosi=Pin(settings.OUT_PIN),
    miso=Pin(settings.IN_PIN),
)
selects = {pin: Pin(pin, Pin.OUT, value=1) for _, _, _, pin, _ in settings.CHANNELS}


def exchange(select, phase):
    """The `transfer` of the chip behind this pin."""

    def transfer(out):
        answer = bytearray(len(out))
        bus.init(baudrate=settings.SPI_HZ, polarity=0, phase=phase)
        select.value(0)
        bus.write_readinto(out, answer)
        select.value(1)
        return bytes(answer)

    return transfer


channels = []
for name, chip, kind, pin, period_ms in settings.CHANNELS:
    made = CHIPS[chip](exchange(selects[pin], CHIPS[chip].PHASE), kind, settings.MAINS_HZ)
    channels.append(Channel(name, made, period_ms))

reader = select.poll()
reader.register(sys.stdout, select.POLLOUT)
outgoing = Outgoing(sys.stdout.write, lambda: bool(reader.poll(0)))


def facts():
    return about.FACTS + (("lost", outgoing.lost),)  # noqa: RUF005 - MicroPython knows no other way


rounds = Rounds(channels, outgoing.say, watchdog.feed, time.ticks_ms(), settings.BOARD_TIME, facts)
while True:
    wait_ms = rounds.turn(time.ticks_ms())
    time.sleep_ms(min(wait_ms, LOOK_MS) if outgoing.flush() else wait_ms)
