"""A needle that is measured too seldom to settle: named at the start, with what to do."""

import logging
import math

import pytest

from recorder.demo.devices.serial_board import framed
from recorder.probes.pace import SLOWEST_NEEDLE_MS, Pace
from recorder.probes.thinning import Thinning
from tests.serial_bench import Bench


def looks(*times_ms: int) -> list[int | None]:
    """What is said of a needle that is measured at these times, at each of them."""
    pace, said = Pace(), []
    for at_ms in times_ms:
        pace.feed(at_ms)
        said.append(pace.look(at_ms))
    return said


@pytest.mark.parametrize(
    ("every_ms", "slow"), [(250, False), (SLOWEST_NEEDLE_MS, False), (SLOWEST_NEEDLE_MS + 1, True)]
)
def test_the_limit_itself_is_often_enough(every_ms: int, slow: bool) -> None:
    assert looks(*range(0, 6 * every_ms, every_ms)) == [None] * 3 + [every_ms if slow else None] * 3


def test_too_few_samples_are_a_pace_too_but_not_while_the_needle_is_lost() -> None:
    pace = Pace()
    pace.feed(1_000)
    assert (pace.look(7_000), pace.look(7_001)) == (None, 6_001)
    pace.feed(9_000)
    assert (pace.look(9_000), pace.look(17_000)) == (8_000, 8_000)
    pace.interrupted()
    assert pace.look(60_000) is None


def settled(every_ms: int, lag_s: float) -> bool:
    """Whether a needle goes from 34 °C into a piece at 84 °C and settles there within two minutes."""
    thinning, begin_ms = Thinning("needle"), 20 * every_ms
    found = 0
    for at_ms in range(0, begin_ms + 120_000, every_ms):
        since_s = max(at_ms - begin_ms, 0) / 1000
        noise = 0.08 * ((at_ms // every_ms * 7919) % 11 - 5) / 5
        reading = thinning.feed(at_ms, 84 - 50 * math.exp(-since_s / lag_s) + noise)
        found += reading is not None and reading.settled and since_s > 0
    return bool(found)


@pytest.mark.parametrize("lag_s", [1.5, 3])
def test_each_pace_up_to_the_limit_settles(lag_s: float) -> None:
    """With 1.4 s between samples, and with 1.8 s and more, a needle with a lag of 3 s never settled: the fits that had
    agreed were forgotten a moment before they had agreed for long enough."""
    assert [every for every in range(500, SLOWEST_NEEDLE_MS + 1, 100) if not settled(every, lag_s)] == []


def test_beyond_the_limit_none_does() -> None:
    """Movement is looked for among three samples within four seconds."""
    assert not settled(SLOWEST_NEEDLE_MS + 50, 3)


def test_one_gap_is_no_pace() -> None:
    assert looks(0, 500, 9_000, 9_500, 10_000) == [None] * 5


@pytest.mark.parametrize(("channel", "warned"), [("needle", True), ("vat", False)])
def test_a_slow_needle_is_told_once_with_the_remedy(
    channel: str, warned: bool, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench((channel,)).start()
    try:
        for number in range(8):
            bench.clock.advance(5_000)
            bench.send(framed(channel, number, "71.25C"))
        said = [each.getMessage() for each in caplog.records if each.levelno == logging.WARNING]
        expected = (
            f"serial {bench.board.port}: the needle is measured every 5.0 s; less often than every 2 s"
            " it can't settle, and no check reads it. Have the board send its line 2 to 10 times a second (in our"
            " firmware: the period in settings.py)."
        )
        assert said == ([expected] if warned else [])
        assert bool(bench.probe.slow()) is warned
    finally:
        bench.close()
