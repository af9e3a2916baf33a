"""The serial driver on a real pseudo terminal: the far end is a simulated board, or bytes as they are."""

import logging
import os
import pty
import socket
import threading
import time
import tty
from collections.abc import Iterator

import pytest

from recorder import supervisor
from recorder.clock import ManualClock
from recorder.core.events import Event, ProbeBack, ProbeLost, Reading
from recorder.demo.devices.serial_board import framed
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.probe import Probe
from recorder.probes.serial.port import SerialSettings
from tests.serial_bench import Bench
from tests.waiting import until


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.01)


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made.start()
    made.close()


def plain_bench(**settings: object) -> Bench:
    return Bench(("vat2",), form="plain", **{"unit": "C", **settings})


def test_lines_become_readings_however_they_are_cut(bench: Bench) -> None:
    line = framed("needle", 0, "71.25C")
    assert bench.send(line[:9]) == []
    assert bench.send(line[9:-1]) == []
    assert bench.send(line[-1:] + framed("vat", 0, "338.00F")) == [
        Reading(0, "needle", 71.25),
        Reading(0, "vat1", 170.0),
    ]


def test_time_is_the_clocks_when_the_line_ends(bench: Bench) -> None:
    line = framed("needle", 0, "71.25C")
    bench.send(line[:9])
    bench.clock.advance(700)
    assert bench.send(line[9:]) == [Reading(700, "needle", 71.25)]


def test_garbage_is_counted_and_what_is_between_is_read(bench: Bench) -> None:
    got = bench.send(b"\x00\xff" * 60, b"\n", framed("needle", 0, "71.25C"), b"noise\r\n", b"needle 1 99.99C 0000\n")
    assert got == [Reading(0, "needle", 71.25)]
    assert bench.probe.reader.bad == {"too long": 1, "not of the protocol": 1, "wrong checksum": 1}
    assert bench.probe.ended == 4


def test_a_fault_is_told_once_and_so_is_its_end(bench: Bench) -> None:
    bench.play(5)
    bench.board.kitchen.pull_connector()
    assert bench.play(3) == [ProbeLost(5_500, "needle", "open circuit")]
    bench.board.kitchen.short_circuit()
    assert bench.play(1) == []
    bench.board.kitchen.put_back()
    back, reading, *_ = bench.play(1)
    assert back == ProbeBack(9_500, "needle")
    assert isinstance(reading, Reading)
    assert (reading.at_ms, reading.channel) == (9_500, "needle")


def test_a_short_circuit_is_told_as_such(bench: Bench) -> None:
    bench.board.kitchen.short_circuit()
    assert bench.play(1) == [ProbeLost(500, "needle", "short circuit")]


def test_one_silent_channel_is_told_while_the_others_speak(bench: Bench) -> None:
    bench.play(5)
    bench.board.quiet.add("vat")
    lost = [event for event in bench.play(30) if isinstance(event, ProbeLost | ProbeBack)]
    assert lost == [ProbeLost(15_000, "vat1", "silent")]
    bench.board.quiet.clear()
    assert ProbeBack(40_000, "vat1") in bench.play(5)


def test_a_channel_that_never_spoke_is_silent_too(bench: Bench) -> None:
    assert bench.idle(9.9) == []
    assert sorted(event.channel for event in bench.idle(0.1) if isinstance(event, ProbeLost)) == [
        "cabinet",
        "needle",
        "vat1",
    ]
    assert bench.idle(100) == []


def test_bad_lines_do_not_hide_that_a_channel_is_silent() -> None:
    bench = Bench(("needle",)).start()
    try:
        got: list[Event] = []
        for _ in range(11):
            bench.clock.advance(1000)
            got += bench.send(b"needle 1 99.99C 0000\n")
        assert got == [ProbeLost(10_000, "needle", "silent")]
    finally:
        bench.close()


def test_unplugging_loses_every_channel_and_plugging_in_brings_them_back(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.play(5)
    with caplog.at_level(logging.WARNING):
        bench.board.unplug()
        until(lambda: len(bench.events) == 3, "all channels are lost")
        until(lambda: "unplugged" in caplog.text, "it is logged")
    assert bench.taken() == [ProbeLost(5_000, channel, "unplugged") for channel in ("needle", "vat1", "cabinet")]
    bench.clock.advance(60_000)
    bench.board.plug_in()
    bench.plugged_in()
    got = bench.play(5)
    assert [event.channel for event in got if isinstance(event, ProbeBack)] == ["needle", "vat1", "cabinet"]
    assert not any(isinstance(event, ProbeLost) for event in got)
    assert bench.probe.reader.bad.total() == 0


def test_half_a_line_from_before_the_unplugging_is_forgotten(bench: Bench) -> None:
    bench.send(framed("needle", 0, "71.25C")[:9])
    bench.board.unplug()
    until(lambda: len(bench.events) == 3, "all channels are lost")
    bench.board.plug_in()
    bench.plugged_in()
    bench.taken()
    assert bench.send(framed("needle", 0, "71.25C")[9:]) == []
    assert bench.send(framed("needle", 0, "71.25C")) == [ProbeBack(0, "needle"), Reading(0, "needle", 71.25)]


def test_spots_go_on_counting_after_an_unplugging(bench: Bench) -> None:
    def spots(seconds: float) -> set[int]:
        return {event.spot for event in bench.play(seconds) if isinstance(event, Reading) and event.settled}

    bench.play(10)
    bench.board.kitchen.insert(84.0)
    assert spots(30) == {1}
    bench.board.unplug()
    until(lambda: len(bench.events) == 3, "all channels are lost")
    bench.board.plug_in()
    bench.plugged_in()
    assert spots(20) == set(), "nobody saw how it came to rest there"
    bench.board.kitchen.withdraw()
    bench.play(20)
    bench.board.kitchen.insert(80.0)
    assert spots(30) == {2}


def test_a_port_that_is_not_there_is_lost_once_and_found_when_it_comes() -> None:
    bench = Bench(("needle",))
    bench.board.unplug()
    bench.keeper.start()
    try:
        until(lambda: bool(bench.events), "the probe is lost")
        time.sleep(0.1)
        assert bench.taken() == [ProbeLost(0, "needle", "unplugged")]
        bench.board.plug_in()
        bench.plugged_in()
        assert bench.send(framed("needle", 0, "71.25C"))[0] == ProbeBack(0, "needle")
    finally:
        bench.close()


def test_the_driver_says_how_its_run_ended() -> None:
    stop, events = threading.Event(), list[Event]()
    probe = Probe(SerialSettings("serial", "/nowhere/port"), ManualClock(7))
    with pytest.raises(DriverLost, match="unplugged: there is no /nowhere/port; batch-recorder probes lists"):
        probe.run(events.append, stop)
    assert events == [ProbeLost(7, "needle", "unplugged")]
    not_a_port = Probe(SerialSettings("serial", "/dev/null"), ManualClock(7))
    with pytest.raises(DriverLost, match="port refused"):
        not_a_port.run(events.append, stop)
    assert events[1:] == [ProbeLost(7, "needle", "port refused")]
    with pytest.raises(DriverUnavailable, match="foo://here is no port"):
        Probe(SerialSettings("serial", "foo://here"), ManualClock(7)).run(events.append, stop)


def test_a_port_that_another_has_is_refused(bench: Bench) -> None:
    events: list[Event] = []
    second = Probe(SerialSettings("serial", bench.board.port), ManualClock(0))
    with pytest.raises(DriverLost, match=f"port refused: another program has {bench.board.port} open"):
        second.run(events.append, threading.Event())
    assert events == [ProbeLost(0, "needle", "port refused")]
    assert bench.send(framed("needle", 0, "71.25C")) == [Reading(0, "needle", 71.25)]


def test_lines_of_channels_that_are_not_wired_are_not_used_unless_none_is_named() -> None:
    for channels, wanted in ((("vat",), ["vat1"]), ((), ["needle", "vat1"])):
        bench = Bench(channels).start()
        try:
            got = bench.send(framed("needle", 0, "71.25C"), framed("vat1", 0, "170.00C"))
            assert [event.channel for event in got if isinstance(event, Reading)] == wanted
            assert bench.probe.reader.good == 2
            bench.board.unplug()
            until(lambda bench=bench, wanted=wanted: len(bench.events) == len(wanted), "lost")  # type: ignore[misc]
        finally:
            bench.close()


def test_the_plain_form_is_one_channel() -> None:
    bench = plain_bench(unit="F").start()
    try:
        assert bench.send(b"38.0\n", b"338.0\r\n", b"170.5 C\r\n", b"open\r\n", b"-127 C\n") == [
            Reading(0, "vat2", 170.0)
        ]
        assert bench.probe.reader.bad == {"first, maybe cut": 1, "not a number": 1, "out of range": 1}
        assert bench.idle(10) == [ProbeLost(10_000, "vat2", "silent")]
    finally:
        bench.close()


def test_a_board_on_the_network_is_read_by_its_url() -> None:
    """pyserial's URL ports: the same driver over TCP; the connection's end is its unplugging."""
    events: list[Event] = []
    lost: list[str] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        probe = Probe(SerialSettings("serial", url, ("needle",)), ManualClock(0))

        def run() -> None:
            try:
                probe.run(events.append, threading.Event())
            except DriverLost as error:
                lost.append(str(error))

        thread = threading.Thread(target=run)
        thread.start()
        far, _ = server.accept()
        with far:
            until(probe.listening.is_set, "the port is open")
            far.sendall(framed("needle", 0, "71.25C"))
            until(lambda: len(events) == 1, "the line is read")
        thread.join(5)
    assert events == [Reading(0, "needle", 71.25), ProbeLost(0, "needle", "unplugged")]
    assert len(lost) == 1


def test_a_hang_up_in_the_middle_of_a_flood_is_survived() -> None:
    board, far = pty.openpty()
    tty.setraw(far)
    name = os.ttyname(far)
    os.close(far)
    events: list[Event] = []
    probe = Probe(SerialSettings("serial", name, ("needle",)), ManualClock(0))
    flood = threading.Thread(target=_flood, args=(board, probe.listening))
    flood.start()
    with pytest.raises(DriverLost, match="unplugged"):
        probe.run(events.append, threading.Event())
    flood.join()
    assert events[-1] == ProbeLost(0, "needle", "unplugged")
    assert not probe.listening.is_set()


def _flood(board: int, listening: threading.Event) -> None:
    listening.wait(5)
    os.set_blocking(board, True)
    for number in range(500):
        os.write(board, framed("needle", number, "71.25C"))
    os.close(board)


@pytest.mark.parametrize(
    ("settings", "complaint"),
    [
        ({"channels": ("oven",)}, "channels has 'oven'; write one of needle"),
        ({"form": "modern"}, 'write "framed" or "plain"'),
        ({"form": "plain", "channels": ("needle", "vat")}, "a plain board has one; write only that"),
        ({"form": "plain"}, r'unit is missing, .*write unit = "F" or "C".*&unit=F'),
        ({"form": "plain", "unit": "K"}, 'write "C" or "F"'),
        ({"unit": "K"}, 'write "C" or "F"'),
        ({"silence_s": 0.0}, "more than 0"),
        ({"baud": -1}, "more than 0"),
    ],
)
def test_senseless_settings_are_refused_with_a_remedy(settings: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        SerialSettings("serial", "/dev/ttyACM0", **settings)  # type: ignore[arg-type]
