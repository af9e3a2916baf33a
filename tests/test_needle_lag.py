"""The needle's lag: read from a bath, given in the station file, used, and missed when it has grown."""

import logging
import math
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder.clock import ManualClock
from recorder.commands.probe_check import _learned
from recorder.config import ConfigError, load
from recorder.demo.devices.serial_board import framed
from recorder.probes.channels import Channels
from recorder.probes.probe import Probe
from recorder.probes.serial.port import SerialSettings
from recorder.probes.source import Chunk
from recorder.probes.thinning import Thinning


class Baths:
    """A board in place of its port: 25 °C air, and ice water in which the needle has one lag after another."""

    def __init__(self, clock: ManualClock, *lags_s: float) -> None:
        self._clock, self._lags_s = clock, lags_s

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        number = 0
        for lag_s in self._lags_s:
            for step in range(200):
                left = 1.0 if step < 40 else math.exp(-(step - 40) / (4 * lag_s))
                self._clock.advance(250)
                number += 1
                yield Chunk(framed("needle", number % 1000, f"{25 * left + 0.05 * (step % 3 - 1):.2f}C"))


def tried(*lags_s: float, known_s: float | None = None) -> Probe:
    clock = ManualClock(0)
    settings = SerialSettings("serial", "/dev/null", ("needle",))
    probe = Probe(settings, clock, Baths(clock, *lags_s), lag_s=known_s)
    probe.run(lambda event: None, threading.Event())
    return probe


def test_a_bath_shows_the_lag_and_a_needle_that_became_slow_is_named_once(caplog: pytest.LogCaptureFixture) -> None:
    probe = tried(1.2)
    assert probe.lag_s() == pytest.approx(1.2, abs=0.3)
    assert probe.slowed() == ""
    slow = tried(1.2, 4.0, 4.0)
    assert slow.lag_s() == pytest.approx(4.0, abs=0.5)
    said = [each.getMessage() for each in caplog.records if each.levelno == logging.WARNING]
    assert len(said) == 1
    assert "the needle has become slow: its lag in the bath was 1." in said[0] and "replace the needle" in said[0]


def test_the_lag_of_the_station_file_is_what_it_is_compared_with() -> None:
    assert "was 1.0 s and is" in tried(4.0, known_s=1.0).slowed()
    assert tried(4.0, known_s=3.8).slowed() == ""


def test_where_no_bath_was_there_is_no_lag() -> None:
    assert Thinning("vat1").lags_s is None
    assert Thinning("needle").lags_s is None
    assert Thinning("needle", lag_s=1.5).lags_s == (1.5, 1.5)
    assert Channels(("vat1",), 10, 30, 1.5).lags_s() is None
    probe = tried()
    assert (probe.lag_s(), probe.slowed()) == (None, "")


def test_the_check_says_what_to_do_with_it() -> None:
    assert _learned(1.44).endswith("With needle_lag_s = 1.4 in the station file it settles more surely.")
    assert _learned(2.2).endswith("So slow a needle settles late or never; use one of 1.6 mm or less.")


def station(folder: Path, line: str) -> Path:
    path = folder / "station.toml"
    path.write_text(f'station = "line-1"\n{line}\n')
    return path


def test_the_station_file_keeps_it(tmp_path: Path) -> None:
    assert load(station(tmp_path, "")).needle_lag_s is None
    assert load(station(tmp_path, "needle_lag_s = 1.4")).needle_lag_s == 1.4
    assert load(station(tmp_path, "needle_lag_s = 12")).needle_lag_s == 12
    for wrong in ("0", "-1", "12.1"):
        with pytest.raises(ConfigError, match=r"needle_lag_s is .*; write the seconds that probe-check prints"):
            load(station(tmp_path, f"needle_lag_s = {wrong}"))
