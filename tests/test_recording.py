"""A recording of a probe's raw bytes, played again, makes the same events at the same times."""

import io
import json
import threading
import time
from pathlib import Path

import pytest

from recorder.clock import ManualClock
from recorder.config import ConfigError, load
from recorder.core.events import Event, ProbeBack, ProbeLost, Reading
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware, framed
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.probe import Probe
from recorder.probes.recording import OVER, Recording, ReplaySettings
from recorder.probes.serial.port import SerialSettings
from tests.waiting import until


class Running:
    """A probe that runs in a thread, started again when its device goes, as the daemon does."""

    def __init__(self, probe: Probe) -> None:
        self.events: list[Event] = []
        self.lost: list[str] = []
        self.stop = threading.Event()
        self._probe = probe
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        while not self.stop.is_set() and self.lost[-1:] != [OVER]:
            try:
                self._probe.run(self.events.append, self.stop)
            except DriverLost as lost:
                if not self.lost or self.lost[-1] != lost.reason:
                    self.lost.append(lost.reason)
                time.sleep(0.001)

    def end(self) -> None:
        self.stop.set()
        self.thread.join(5)
        assert not self.thread.is_alive()


def recorded(path: Path) -> list[Event]:
    """A minute of a needle that is dipped, pulled and unplugged is recorded in `path`; the events of it."""
    board, clock = SimulatedFirmware(Kitchen()), ManualClock(0)
    settings = SerialSettings("serial", board.port, ("needle", "vat", "cabinet"))
    with path.open("x", encoding="utf-8") as file:
        source = Recording(settings, file, clock)
        probe = Probe(settings, clock, source)
        run = Running(probe)
        until(probe.listening.is_set)
        for half in range(120):
            if half == 10:
                board.kitchen.insert(84.0)
            if half == 50:
                board.kitchen.pull_connector()
            if half == 54:
                board.kitchen.put_back()
            if half == 80:
                board.unplug()
                until(lambda: not probe.listening.is_set())
                until(lambda: "unplugged" in run.lost)
            if half == 90:
                board.plug_in()
                until(probe.listening.is_set)
            clock.advance(500)
            goal = probe.ended - board.sent
            board.advance(500)
            until(lambda goal=goal: probe.ended - board.sent >= goal)  # type: ignore[misc]
        run.end()
        source.end()
    board.close()
    return run.events


def played(settings: ReplaySettings, seconds: float, step_ms: int = 100) -> tuple[list[Event], list[str]]:
    """The events of a recording that is played for so long, and for what reasons the device was lost."""
    clock = ManualClock(0)
    run = Running(Probe(settings, clock))
    for _ in range(round(seconds * 1000 / step_ms)):
        clock.advance(step_ms)
        time.sleep(0.012)
    time.sleep(0.2)
    run.end()
    return run.events, run.lost


def test_a_recording_played_again_makes_the_same_events(tmp_path: Path) -> None:
    made = recorded(tmp_path / "minute.jsonl")
    assert {type(event) for event in made} == {Reading, ProbeLost, ProbeBack}
    assert any(isinstance(event, Reading) and event.settled for event in made)
    settings = ReplaySettings("replay", str(tmp_path / "minute.jsonl"))
    assert settings.names() == ("needle", "vat1", "cabinet")
    again, lost = played(settings, 61, 250)
    assert [event for event in again if not (isinstance(event, ProbeLost) and event.reason == OVER)] == made
    assert lost == ["unplugged", OVER]
    assert {event.channel for event in again if isinstance(event, ProbeLost) and event.reason == OVER} == {
        "needle",
        "vat1",
        "cabinet",
    }


def test_a_recording_without_an_end_is_followed_and_its_silence_told(tmp_path: Path) -> None:
    path, clock = tmp_path / "growing.jsonl", ManualClock(0)
    header = json.dumps({"probe": {"driver": "serial", "port": "/dev/none"}}) + "\n"
    path.write_text(header)
    probe = Probe(ReplaySettings("replay", str(path)), clock)
    run = Running(probe)
    until(probe.listening.is_set)
    line = json.dumps({"ms": 0, "hex": framed("needle", 1, "71.25C").hex()}) + "\n"
    with path.open("a") as file:
        file.write(line[:20])
        file.flush()
        time.sleep(0.1)
        assert run.events == []
        file.write(line[20:])
    until(lambda: run.events == [Reading(0, "needle", 71.25)])
    clock.advance(10_000)
    until(lambda: run.events[1:] == [ProbeLost(10_000, "needle", "silent")])
    run.end()


def test_nothing_comes_before_its_time(tmp_path: Path) -> None:
    path, clock = tmp_path / "one.jsonl", ManualClock(5_000)
    entry = {"ms": 1_000, "hex": framed("needle", 1, "71.25C").hex()}
    path.write_text(json.dumps({"probe": {"driver": "serial", "port": "x"}}) + "\n" + json.dumps(entry) + "\n")
    probe = Probe(ReplaySettings("replay", str(path)), clock)
    run = Running(probe)
    until(probe.listening.is_set)
    clock.advance(999)
    time.sleep(0.1)
    assert run.events == []
    clock.advance(1)
    until(lambda: run.events == [Reading(6_000, "needle", 71.25)])
    run.end()


@pytest.mark.parametrize(
    "text", ["", "no json\n", "[]\n", "{}\n", '{"probe": 3}\n', '{"probe": {"driver": "magic"}}\n', "\x80"]
)
def test_what_is_no_recording_is_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "bad.jsonl"
    path.write_text(text, "latin-1")
    with pytest.raises(ValueError, match=r"bad\.jsonl, which is no recording that can be read"):
        ReplaySettings("replay", str(path))
    (tmp_path / "station.toml").write_text('station = "a"\n[[probe]]\ndriver = "replay"\nfile = "bad.jsonl"')
    with pytest.raises(ConfigError, match=r"line 4: probe\.file is .*bad\.jsonl, which is no recording"):
        load(tmp_path / "station.toml")
    with pytest.raises(ValueError, match="nowhere, which is no recording"):
        ReplaySettings("replay", "nowhere")


@pytest.mark.parametrize("line", ["no json", '{"ms": 0, "hex": "xy"}', "[1]"])
def test_a_damaged_line_ends_it_with_the_file_named(tmp_path: Path, line: str) -> None:
    path = tmp_path / "torn.jsonl"
    path.write_text(json.dumps({"probe": {"driver": "serial", "port": "x"}}) + "\n" + line + "\n")
    events: list[Event] = []
    with pytest.raises(DriverUnavailable, match=r"torn\.jsonl can't be played"):
        Probe(ReplaySettings("replay", str(path)), ManualClock(0)).run(events.append, threading.Event())
    assert events == [ProbeLost(0, "needle", "driver unavailable")]


def test_the_file_has_settings_chunks_with_times_and_an_end() -> None:
    file, clock = io.StringIO(), ManualClock(0)
    board = SimulatedFirmware(Kitchen())
    settings = SerialSettings("serial", board.port)
    source = Recording(settings, file, clock)
    probe = Probe(settings, clock, source)
    run = Running(probe)
    until(probe.listening.is_set)
    clock.advance(700)
    assert board.send(b"\xffneedle")
    until(lambda: probe.bytes_read == 7)
    run.end()
    source.end()
    board.close()
    header, chunk, end = map(json.loads, file.getvalue().splitlines())
    assert (header["probe"]["driver"], header["probe"]["port"]) == ("serial", board.port)
    assert (chunk, end) == ({"ms": 700, "hex": b"\xffneedle".hex()}, {"ms": 700, "over": True})
