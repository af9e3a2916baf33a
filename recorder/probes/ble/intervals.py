"""How often a Bluetooth probe measures, and how it is asked for more. By the SIG's profiles, all from memory (M).

Health Thermometer: Measurement Interval (0x2A21), whole seconds, 0 for none by itself; its Valid Range (0x2906) says
which it takes. Environmental Sensing: the Temperature's ES Measurement descriptor (0x290C) has the update interval; ES
Trigger Setting (0x290D) takes a fixed time between two notifications.
"""

import logging
from contextlib import suppress

from recorder.driver import DriverLost
from recorder.probes.ble.gatt import TEMPERATURE
from recorder.probes.ble.radio import Link

log = logging.getLogger(__name__)

INTERVAL, RANGE = "2A21", "2906"
ES_MEASUREMENT, ES_TRIGGER = "290C", "290D"

FIXED = 0x01
"""Condition of an ES Trigger Setting: a fixed time between two notifications."""

LONGEST_S = 0xFFFF
"""What a Measurement Interval can say."""


def interval_s(data: bytes) -> int | None:
    """Seconds of a Measurement Interval; None where it is malformed."""
    return int.from_bytes(data, "little") if len(data) == 2 else None


def valid_s(data: bytes | None) -> tuple[int, int]:
    """The least and the most that a Measurement Interval takes."""
    if data is None or len(data) != 4:
        return 1, LONGEST_S
    return int.from_bytes(data[:2], "little"), int.from_bytes(data[2:], "little")


def update_s(data: bytes | None) -> int | None:
    """Seconds of an ES Measurement's update interval; None where it is malformed, absent or 0, for not known."""
    return int.from_bytes(data[6:9], "little") or None if data is not None and len(data) == 11 else None


def trigger(seconds: int) -> bytes:
    """An ES Trigger Setting: a fixed time."""
    return bytes([FIXED]) + seconds.to_bytes(3, "little")


async def paced(link: Link, profile: str, wanted_s: int | None) -> str:
    """Have the probe measure every `wanted_s`, if that is given and it lets us; how often it measures, in words.

    "" where it does not say. What it refuses is said, and costs nothing else.
    """
    try:
        return await (_thermometer(link, wanted_s) if profile == "thermometer" else _environment(link, wanted_s))
    except DriverLost as refused:
        return f"does not say how often it measures ({refused})"


async def _thermometer(link: Link, wanted_s: int | None) -> str:
    if not link.has(INTERVAL):
        return ""
    now_s = interval_s(await link.read(INTERVAL))
    if wanted_s is None or now_s == wanted_s:
        return _said(now_s)
    if not link.writes(INTERVAL):
        return f"{_said(now_s)}, and can't be asked for {wanted_s} s"
    least_s, most_s = valid_s(await link.describe(INTERVAL, RANGE))
    asked_s = max(least_s, min(wanted_s, most_s))
    if asked_s != now_s:
        try:
            await link.write(INTERVAL, asked_s.to_bytes(2, "little"))
        except DriverLost as refused:
            return f"{_said(now_s)}, and refuses {asked_s} s ({refused})"
        now_s = interval_s(await link.read(INTERVAL))
    return _said(now_s) + (f", its limit for {wanted_s} s" if now_s == asked_s != wanted_s else "")


async def _environment(link: Link, wanted_s: int | None) -> str:
    said = ""
    with suppress(DriverLost):
        every_s = update_s(await link.describe(TEMPERATURE, ES_MEASUREMENT))
        said = _said(every_s) if every_s else ""
    if wanted_s is None or await link.describe(TEMPERATURE, ES_TRIGGER) is None:
        return said
    try:
        await link.redescribe(TEMPERATURE, ES_TRIGGER, trigger(wanted_s))
    except DriverLost as refused:
        return f"{said or 'does not say how often it measures'}, and refuses {wanted_s} s ({refused})"
    return f"is asked to measure every {wanted_s} s"


def _said(seconds: int | None) -> str:
    return "measures only when asked" if seconds == 0 else f"measures every {seconds} s" if seconds else "says nonsense"
