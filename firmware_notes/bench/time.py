"""Stands in for MicroPython's `time`: it passes only in sleep. As on a board, it begins again after 2**30 ms."""

from machine import answer, tell

PERIOD_MS = 1 << 30

_now_ms = PERIOD_MS - 5_000


def ticks_ms():
    return _now_ms


def ticks_add(ticks, ms):
    return (ticks + ms) % PERIOD_MS


def ticks_diff(later, earlier):
    return (later - earlier + PERIOD_MS // 2) % PERIOD_MS - PERIOD_MS // 2


def sleep_ms(ms):
    global _now_ms
    tell("sleep", ms)
    answer(1)
    _now_ms = ticks_add(_now_ms, ms)
