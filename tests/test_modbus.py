"""The Modbus driver and the scan on real lines: pymodbus' server behind a pty and over TCP, or bytes as they are."""

import logging
import os
import pty
import re
import socket
import threading
import time
import tomllib
import tty
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder import supervisor
from recorder.clock import ManualClock, SystemClock
from recorder.config import load
from recorder.core.events import Event, ProbeBack, ProbeLost, Reading
from recorder.demo.devices.modbus_transmitters import HOLD_S, REGISTERS, SimulatedTransmitters
from recorder.demo.devices.serial_board import Kitchen
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.modbus.line import Answer, Line
from recorder.probes.modbus.probe import ModbusSettings
from recorder.probes.modbus.registers import Register
from recorder.probes.modbus.scan import FIRST, Guess, scan
from recorder.probes.probe import Probe
from recorder.probes.urls import from_table
from recorder.probes.urls import settings as settings_of
from recorder.supervisor import Post, Supervisor
from tests.waiting import PATIENCE_S, until

TWO_DEVICES = (
    Register("needle", 1, 0, scale=0.01, unit="C"),
    Register("vat", 2, 8, "holding", "float32", "little", scale=1.0, unit="C"),
)


class Bench:
    """A driver, kept running as the daemon keeps it, transmitters at the far end, and a clock in the test's hand."""

    def __init__(self, tcp: bool = False, wired: tuple[Register, ...] = REGISTERS, **changes: object) -> None:
        self.far = SimulatedTransmitters(Kitchen(), wired, tcp)
        self.clock = ManualClock(0)
        self.probe = Probe(self.far.settings(**changes), self.clock)
        self.events: list[Event] = []
        self.keeper = Supervisor((Post(self.probe),), self.events.append)

    def start(self) -> "Bench":
        self.open_by(self.keeper.start)
        return self

    def open_by(self, cause: Callable[[], None]) -> None:
        """Let this happen, by which the driver opens the port and goes through its first round of polls."""
        rounds = self.rounds() + 1
        cause()
        until(self.probe.listening.is_set, "the port is open")
        until(lambda: self.rounds() >= rounds, "all registers are asked for")

    def rounds(self) -> int:
        return (self.probe.reader.missed + self.probe.ended) // len(self.far.registers)

    def play(self, seconds: float) -> list[Event]:
        """Let the story go on for so long; the events of it."""
        for _ in range(round(seconds * 2)):
            self.clock.advance(500)
            self.far.advance(500)
            until(lambda: self.probe.ended >= self.far.sent, "the driver has read all registers")
        return self.taken()

    def poll(self, times: int = 1, ms: int = 500) -> list[Event]:
        """Time passes so that a poll is due, so many times; the events of it."""
        for _ in range(times):
            rounds = self.rounds() + 1
            self.clock.advance(ms)
            until(lambda rounds=rounds: self.rounds() >= rounds, "a round is over")  # type: ignore[misc]
        return self.taken()

    def taken(self) -> list[Event]:
        taken, self.events[:] = list(self.events), []
        return taken

    def close(self) -> None:
        self.keeper.stop()
        self.far.close()


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.01)


@pytest.fixture(params=["rtu", "tcp"])
def tcp(request: pytest.FixtureRequest) -> bool:
    return bool(request.param == "tcp")


@pytest.fixture
def bench(tcp: bool) -> Iterator[Bench]:
    made = Bench(tcp)
    yield made.start()
    made.close()


def test_registers_become_readings_at_the_time_of_the_poll(bench: Bench) -> None:
    assert bench.taken() == [Reading(0, "needle", 34.0), Reading(0, "vat1", 170.0), Reading(0, "cabinet", 66.0)]
    bench.far.kitchen.insert(84.0)
    got = bench.play(1)
    assert next((event.at_ms, event.channel) for event in got if isinstance(event, Reading)) == (500, "needle")
    assert bench.probe.reader.good == bench.far.sent == 9
    assert bench.far.asked == {4: 3}, "neighbours are read in one request"


def test_a_settled_needle_is_judged_as_on_any_other_probe(bench: Bench) -> None:
    bench.far.kitchen.insert(84.0)
    settled = [event for event in bench.play(30) if isinstance(event, Reading) and event.settled]
    assert settled
    assert settled[-1].temp_c == pytest.approx(84.0, abs=0.5)


def test_only_reading_functions_ever_leave_the_driver_and_the_scan(tcp: bool) -> None:
    bench = Bench(tcp, TWO_DEVICES).start()
    try:
        bench.play(5)
        bench.far.unplug()
        until(lambda: not bench.probe.listening.is_set(), "the port is lost")
        bench.keeper.stop()
        bench.far.plug_in()
        assert [found.device for found in scan(bench.far.port, range(1, 4), 115_200)] == [1, 2]
        assert set(bench.far.asked) == {3, 4}
    finally:
        bench.close()


def test_every_type_comes_through_the_wire(tcp: bool) -> None:
    for register in (
        Register("vat", 9, 7, "holding", "int16", scale=0.1, unit="C"),
        Register("vat", 9, 7, "input", "uint16", scale=0.1, offset=-50.0, unit="C"),
        Register("vat", 9, 7, "holding", "int32", "little", scale=0.001, unit="C"),
        Register("vat", 9, 7, "input", "uint32", scale=0.01, unit="F"),
        Register("vat", 247, 65_534, "holding", "float32", "little", scale=1.0, unit="C"),
        Register("vat", 1, 0, "input", "float32", unit="F", scale=1.0),
    ):
        bench = Bench(tcp, (register,)).start()
        try:
            (reading,) = bench.taken()
            assert isinstance(reading, Reading)
            assert reading.channel == "vat1"
            assert reading.temp_c == pytest.approx(170.0, abs=0.06)
        finally:
            bench.close()


def test_stopping_ends_the_run_soon_and_again(tcp: bool) -> None:
    with closing(SimulatedTransmitters(Kitchen(), tcp=tcp)) as far:
        probe = Probe(far.settings(), SystemClock(None))
        for _ in range(2):
            events, stop = list[Event](), threading.Event()
            thread = threading.Thread(target=probe.run, args=(events.append, stop))
            thread.start()
            until(lambda events=events: len(events) >= 3, "all channels are read")  # type: ignore[misc]
            stop.set()
            thread.join(1)
            assert not thread.is_alive()
            assert not probe.listening.is_set()


def test_on_a_real_clock_it_polls_as_often_as_asked(tcp: bool) -> None:
    with closing(SimulatedTransmitters(Kitchen(), tcp=tcp)) as far:
        probe, stop = Probe(far.settings(poll_s=0.2), SystemClock(None)), threading.Event()
        thread = threading.Thread(target=probe.run, args=(lambda event: None, stop))
        thread.start()
        assert probe.listening.wait(PATIENCE_S)
        until(lambda: far.asked[4] > 0, "it polls")
        before, began_s = far.asked[4], time.monotonic()
        until(lambda: far.asked[4] >= before + 5, "it polls again and again")
        assert time.monotonic() - began_s > 4 * 0.2 * 0.9, "not more often than asked"
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def test_by_a_clock_moved_by_hand_it_asks_exactly_as_often_as_it_should(tcp: bool) -> None:
    bench = Bench(tcp, poll_s=0.2).start()
    try:
        for polls in range(2, 12):
            bench.far.measure("needle", 30.0 + polls)
            bench.poll(ms=200)
            assert bench.far.asked == {4: polls}, "neighbours are one request"
    finally:
        bench.close()


def test_the_line_vanishes_between_polls_and_returns(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    bench.play(5)
    with caplog.at_level(logging.DEBUG):
        bench.far.unplug()
        until(lambda: len(bench.events) == 3, "all channels are lost")
        assert bench.taken() == [ProbeLost(5_000, channel, "unplugged") for channel in ("needle", "vat1", "cabinet")]
        bench.clock.advance(60_000)
        bench.open_by(bench.far.plug_in)
    got = bench.taken()
    assert [event.channel for event in got if isinstance(event, ProbeBack)] == ["needle", "vat1", "cabinet"]
    assert not any(isinstance(event, ProbeLost) for event in got)
    assert bench.probe.reader.bad == {}
    assert {record.name.partition(".")[0] for record in caplog.records} == {"recorder"}, "pymodbus' log is its own"


def test_the_line_vanishes_while_an_answer_is_due(bench: Bench) -> None:
    bench.far.quiet.add("needle")
    bench.clock.advance(500)
    time.sleep(0.05)
    bench.taken()
    bench.far.unplug()
    until(lambda: len(bench.events) == 3, "all channels are lost")
    assert {event.reason for event in bench.taken() if isinstance(event, ProbeLost)} == {"unplugged"}


def test_a_line_that_is_not_there_is_lost_once_and_found_when_it_comes(tcp: bool) -> None:
    bench = Bench(tcp, TWO_DEVICES[:1])
    bench.far.unplug()
    bench.keeper.start()
    try:
        until(lambda: bool(bench.events), "the probe is lost")
        time.sleep(0.1)
        assert bench.taken() == [ProbeLost(0, "needle", "unreachable" if tcp else "unplugged")]
        bench.open_by(bench.far.plug_in)
        assert bench.taken()[0] == ProbeBack(0, "needle")
    finally:
        bench.close()


def test_one_silent_device_of_two_is_lost_and_the_other_is_read_on(tcp: bool) -> None:
    """The far end holds an answer back until something new is measured, for a tenth of a second: so here it is."""
    bench = Bench(tcp, TWO_DEVICES, timeout_s=0.8, silence_s=2.0).start()
    try:
        bench.taken()
        bench.far.quiet.add("vat")
        got = list[Event]()
        for _ in range(5):
            bench.far.measure("needle", 34.0)
            got += bench.poll()
        assert got == [ProbeLost(2_000, "vat1", "silent")]
        assert bench.probe.reader.missed == 5
        assert bench.probe.reader.good == 2 + 5
        bench.far.quiet.clear()
        assert [type(event) for event in bench.poll()] == [ProbeBack, Reading]
    finally:
        bench.close()


def test_a_silent_device_is_not_asked_twice_in_a_round(tcp: bool) -> None:
    """A late answer to the first request would look like an answer to the second."""
    registers = (
        Register("needle", 1, 0, scale=1.0, unit="C"),
        Register("cabinet", 1, 5, scale=1.0, unit="C"),
        Register("vat", 2, 5, scale=1.0, unit="C"),
    )
    bench = Bench(tcp, registers, timeout_s=0.25).start()
    try:
        bench.far.quiet.add("needle")
        before = bench.far.asked[4]
        bench.poll()
        assert bench.far.asked[4] == before + 2
        assert bench.probe.reader.missed == 2
    finally:
        bench.close()


def test_a_fault_is_told_once_and_so_is_its_end(bench: Bench) -> None:
    bench.play(5)
    bench.far.kitchen.pull_connector()
    assert bench.play(3) == [ProbeLost(5_500, "needle", "probe fault (2147483647)")]
    bench.far.kitchen.short_circuit()
    assert bench.play(1) == []
    bench.far.kitchen.put_back()
    assert [type(event) for event in bench.play(0.5)] == [ProbeBack, Reading]


@pytest.mark.parametrize(
    ("register", "reason"),
    [
        (Register("needle", 1, 0, type="float32", scale=1.0, unit="C"), "probe fault (nan)"),
        (Register("needle", 1, 0, faults=(-32_768,), scale=1.0, unit="C"), "probe fault (-32768)"),
        (Register("needle", 1, 0, scale=1.0, unit="C"), "exception 4: device failure"),
    ],
)
def test_a_device_tells_a_fault_by_nan_by_a_value_or_by_an_exception(
    tcp: bool, register: Register, reason: str
) -> None:
    bench = Bench(tcp, (register,)).start()
    try:
        bench.taken()
        bench.far.kitchen.pull_connector()
        assert bench.poll() == [ProbeLost(500, "needle", reason)]
    finally:
        bench.close()


def test_a_register_in_the_wrong_unit_is_absurd_and_not_a_temperature(tcp: bool) -> None:
    """The device says tenths of a degree, the configuration that they are whole °F: no reading, and then silence."""
    said, read = Register("vat", 1, 0, scale=0.1, unit="C"), Register("vat", 1, 0, unit="F", scale=1.0)
    bench = Bench(tcp, (said,), register=(read,)).start()
    try:
        assert bench.poll(ms=10_000) == [ProbeLost(10_000, "vat1", "silent")]
        assert bench.probe.reader.bad == {"out of range": 2}
    finally:
        bench.close()


@pytest.mark.parametrize(
    ("tcp", "spoil", "kind"),
    [
        (False, lambda data: data[:-1] + bytes([data[-1] ^ 1]), "wrong checksum"),
        (False, lambda data: data[:3] + bytes([data[3] ^ 0x80]) + data[4:], "wrong checksum"),
        (False, lambda data: data[:-2], "cut short"),
        (False, lambda data: b"\xff" * 9, "not of the protocol"),
        (False, lambda data: b"\xa5" * 2_000, "too long"),
        (False, lambda data: b"\x11\x03\x06\xae\x41\x56\x52\x43\x40\x49\xad", "of another request"),
        (True, lambda data: data[:-2], "cut short"),
        (True, lambda data: data[:7], "cut short"),
        (True, lambda data: b"\xff" * 9, "not of the protocol"),
        (True, lambda data: b"\xa5" * 2_000, "too long"),
        (True, lambda data: data[:1] + bytes([data[1] ^ 1]) + data[2:], "of another request"),
        (True, lambda data: data[:6] + b"\x11" + data[7:], "of another request"),
    ],
)
def test_answers_spoilt_on_the_wire_are_counted_by_kind_and_become_nothing(
    tcp: bool, spoil: Callable[[bytes], bytes], kind: str
) -> None:
    bench = Bench(tcp, timeout_s=0.25).start()
    try:
        bench.taken()
        bench.far.spoil = spoil
        bench.clock.advance(500)
        until(lambda: bench.probe.reader.bad[kind] == 1, f"an answer is counted as {kind}")
        assert bench.taken() == []
        bench.far.spoil = bytes
        good = bench.probe.reader.good
        bench.clock.advance(500)
        until(lambda: bench.probe.reader.good == good + 3, "the next round is read")
    finally:
        bench.close()


def test_a_good_answer_to_another_function_or_of_another_length_is_no_answer() -> None:
    """CRCs by pymodbus' own framer; it takes both for answers, for on RTU nothing says what is answered."""
    with scripted(lambda request: frame(b"\x01\x03\x02\x02\xe4")) as line:
        assert line.read(1, "input", 0, 1) == Answer(frame(b"\x01\x03\x02\x02\xe4"), "of another request")
        assert line.read(1, "holding", 0, 1) == Answer(b"\x02\xe4")
        assert line.read(1, "holding", 0, 2) == Answer(frame(b"\x01\x03\x02\x02\xe4"), "of another length")


def test_the_line_speaks_and_reads_the_published_bytes() -> None:
    """Requests, answer and exception of published-values.md section 8, on a pty."""
    heard: list[str] = []

    def answer(request: bytes) -> bytes:
        heard.append(request.hex(" ").upper())
        return bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD") if request[1] == 3 else frame(b"\x11\x84\x02")

    with scripted(answer) as line:
        assert line.read(17, "holding", 0x6B, 3) == Answer(bytes.fromhex("AE 41 56 52 43 40"))
        assert line.read(17, "input", 8, 1) == Answer(b"\x02")
    assert heard == ["11 03 00 6B 00 03 76 87", "11 04 00 08 00 01 B2 98"]


def test_what_nobody_asked_for_is_thrown_away_and_counted(bench: Bench) -> None:
    bench.taken()
    bench.far.send(b"\x01\x04\x08" + b"\0" * 40)
    until(lambda: bench.probe.reader.bad["unasked"] >= 1, "it is counted")
    assert bench.taken() == []
    assert [event for event in bench.play(1) if not isinstance(event, Reading)] == []
    assert bench.probe.reader.good == 9


def test_a_flood_costs_neither_the_driver_nor_the_stop(bench: Bench) -> None:
    bench.taken()
    end_s = time.monotonic() + 1
    while time.monotonic() < end_s:
        bench.far.send(os.urandom(1000))
        bench.clock.advance(100)
        time.sleep(0.001)
    assert not any(isinstance(event, ProbeLost) and event.reason != "silent" for event in bench.taken())
    assert bench.probe.reader.bad.total() > 10
    bench.far.said()
    until(lambda: read_whole(bench), "it reads when the flood is over")
    before = bench.probe.reader.good
    bench.poll(20, ms=500)
    assert bench.probe.reader.good - before == 20 * len(REGISTERS), "every one"
    bench.keeper.stop(PATIENCE_S)
    assert not bench.probe.listening.is_set(), "it has stopped"


def read_whole(bench: Bench) -> bool:
    """Whether the next round reads all registers: not while the flood's last bytes are still on the line."""
    before = bench.probe.reader.good
    bench.poll()
    return bench.probe.reader.good - before == len(REGISTERS)


@settings(max_examples=30, deadline=None)
@given(st.binary(min_size=1, max_size=300), st.sampled_from([1, 3]))
def test_no_bytes_on_the_wire_bring_the_line_down(noise: bytes, device: int) -> None:
    with scripted(lambda request: noise, timeout_s=0.02) as line:
        answer = line.read(device, "holding", 0, 2)
        assert answer.trouble or len(answer.data) in (1, 4)
        if not answer.trouble:
            assert noise.endswith((frame(noise[-9:-2]), frame(noise[-5:-2]))), "it was an answer"


def test_the_scan_finds_who_answers_and_what_it_may_mean(tcp: bool) -> None:
    registers = (
        Register("needle", 3, 0, scale=0.1, unit="C"),
        Register("vat", 3, 1, "holding", "float32", "little", scale=1.0, unit="C"),
        Register("cabinet", 5, 2, scale=1.0, unit="C"),
    )
    with closing(SimulatedTransmitters(Kitchen(), registers, tcp)) as far:
        found = scan(far.port, range(2, 7), 115_200, timeout_s=3 * HOLD_S)  # an answer may be held for a third of it
        assert [each.device for each in found] == [3, 5]
        needle, vat, cabinet = (
            Register("needle", 3, 0, scale=0.1, unit="C"),
            registers[1],
            Register("needle", 5, 2, scale=1.0, unit="C"),
        )
        first = {guess.register: guess.temp_c for guess in found[0].guesses}
        assert first[needle] == pytest.approx(34.0)
        assert first[
            Register("needle", 3, 1, vat.kind, vat.type, vat.word_order, scale=1.0, unit="C")
        ] == pytest.approx(170.0)
        assert Guess(cabinet, 66.0) in found[1].guesses
        assert found[0].likeliest() == Guess(needle, pytest.approx(34.0))  # type: ignore[arg-type]
        assert found[1].words["input"] == (0, 0, 66, *[0] * (FIRST - 3))
        assert set(far.asked) == {3, 4}


def test_a_device_of_few_registers_is_looked_at_one_by_one() -> None:
    def answer(request: bytes) -> bytes:
        function, address, count = request[1], int.from_bytes(request[2:4]), int.from_bytes(request[4:6])
        if function == 3:
            return frame(bytes([request[0], 0x83, 1]))
        if address + count > 2:
            return frame(bytes([request[0], 0x84, 2]))
        return frame(bytes([request[0], 4, 2, 2, 0xE4 + address]))

    with far_end(answer) as path:
        (found,) = scan(path, [4], 115_200)
    assert found.words == {"input": (740, 741), "holding": ()}
    assert {guess.register: guess.temp_c for guess in found.guesses}[
        Register("needle", 4, 1, scale=0.1, unit="C")
    ] == pytest.approx(74.1)


def test_the_driver_says_how_its_run_ended() -> None:
    for port, reason in (
        ("/nowhere/port", r"unplugged: there is no /nowhere/port"),
        ("/dev/null", "port refused: /dev/null is no serial port"),
        ("tcp://127.0.0.1:1", "unreachable: nobody takes a connection at 127.0.0.1 port 1"),
    ):
        events: list[Event] = []
        probe = Probe(ModbusSettings("modbus", port, TWO_DEVICES[:1]), ManualClock(7))
        with pytest.raises(DriverLost, match=reason):
            probe.run(events.append, threading.Event())
        assert events == [ProbeLost(7, "needle", reason.partition(":")[0])]


def test_a_port_that_another_has_is_refused() -> None:
    bench = Bench().start()
    try:
        with pytest.raises(DriverLost, match="port refused"):
            Probe(bench.far.settings(), bench.clock).run(lambda event: None, threading.Event())
    finally:
        bench.close()


def test_without_pymodbus_the_remedy_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pymodbus.client", None)
    with pytest.raises(DriverUnavailable, match=r"pip install -e '\.\[modbus\]'"):
        scan("/dev/null", [1], 9_600)


def test_a_connection_that_is_closed_between_polls_is_noticed_at_once() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        settings = ModbusSettings(
            "modbus", f"tcp://127.0.0.1:{server.getsockname()[1]}", TWO_DEVICES[:1], timeout_s=0.2
        )
        probe, events, lost = Probe(settings, ManualClock(0)), list[Event](), list[str]()

        def run() -> None:
            try:
                probe.run(events.append, threading.Event())
            except DriverLost as error:
                lost.append(str(error))

        thread = threading.Thread(target=run)
        thread.start()
        far, _ = server.accept()
        until(lambda: probe.reader.missed == 1, "the poll is not answered")
        far.close()
        thread.join(2)
    assert lost
    assert lost[0].startswith("unplugged")
    assert events == [ProbeLost(0, "needle", "unplugged")]


TABLE = """
driver = "modbus"
port = "/dev/ttyUSB0"
baud = 19200
parity = "E"
poll_s = 1
[[register]]
channel = "needle"
device = 1
address = 0
type = "float32"
scale = 1.0
unit = "C"
[[register]]
channel = "vat"
device = 2
address = 8
kind = "holding"
scale = 0.1
unit = "F"
faults = [0x7FFF, -1]
"""


def test_a_table_of_the_configuration_becomes_settings() -> None:
    made = from_table(tomllib.loads(TABLE))
    vat = Register("vat", 2, 8, "holding", scale=0.1, unit="F", faults=(0x7FFF, -1))
    wanted = (Register("needle", 1, 0, type="float32", scale=1.0, unit="C"), vat)
    assert made == ModbusSettings("modbus", "/dev/ttyUSB0", wanted, 19_200, "E", poll_s=1)
    assert made.names() == ("needle", "vat1")
    assert made.title() == "modbus /dev/ttyUSB0"
    assert settings_of(made.url()) == replace(made, register=wanted[:1])


def test_the_example_in_the_shipped_configuration_is_right(tmp_path: Path) -> None:
    example = files("recorder").joinpath("share/station.toml").read_text()
    block = example[example.index("# [[probe]]  ") : example.index("[voice]")]
    (tmp_path / "station.toml").write_text('station = "a"\n' + re.sub(r"(?m)^# ", "", block))
    *others, probe = load(tmp_path / "station.toml").probes
    assert [other.driver for other in others] == ["ble", "mqtt"]
    assert isinstance(probe, ModbusSettings)
    assert probe.register == (Register("vat", 1, 0, scale=0.1, faults=(0x7FFF,), unit="C"),)
    assert replace(probe, port="/dev/x", register=TWO_DEVICES) == ModbusSettings("modbus", "/dev/x", TWO_DEVICES)


def test_a_url_has_room_for_one_register() -> None:
    vat = Register("vat2", 9, 3, "holding", "int32", "little", 0.1, -50.0, "F", (0x7FFF, -1))
    made = ModbusSettings("modbus", "tcp://10.0.0.7:1502", (vat,), poll_s=2.0)
    assert settings_of(made.url()) == made


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('port = "/dev/ttyUSB0"', "", "port is missing"),
        ('port = "/dev/ttyUSB0"', 'port = "COM3"', "port is 'COM3'; write a device"),
        ('port = "/dev/ttyUSB0"', 'port = "tcp://"', "write a device"),
        ('port = "/dev/ttyUSB0"', 'port = "tcp://host:99999"', "port is 'tcp://host:99999': Port out of range"),
        ('port = "/dev/ttyUSB0"', "port = 502", "port is 502; it must be text in quotes"),
        ("baud = 19200", "baud = 0", "baud is 0; write more than 0"),
        ("baud = 19200", "baud = true", "baud is True; it must be a whole number"),
        ("baud = 19200", "bauds = 19200", r"bauds is not known here; did you mean baud\?"),
        ('parity = "E"', 'parity = "even"', 'write "N", "E" or "O"'),
        ("poll_s = 1", "poll_s = 10", "silence_s is 10; write more than poll_s and timeout_s together"),
        ("poll_s = 1", "stop_bits = 3", "stop_bits is 3; write 1 or 2"),
        ('channel = "needle"', "", "register.channel is missing"),
        ('channel = "needle"', 'channel = "vat1"', "register has two for the channel 'vat1'; remove one"),
        ('channel = "needle"', 'channel = "oven"', "register.channel has 'oven'; write one of needle"),
        ('type = "float32"', 'type = "double"', "register.type is 'double'; write one of int16"),
        ('type = "float32"', "typ = 1", r"register.typ is not known here; did you mean type\?"),
        ("scale = 0.1", 'scale = "tenth"', "register.scale is 'tenth'; it must be a number"),
        ("[0x7FFF, -1]", "[0.5]", r"register.faults has an entry that is 0.5; it must be a whole number"),
        ("[0x7FFF, -1]", "7", "register.faults is 7; it must be a list"),
    ],
)
def test_a_mistake_in_the_table_is_named_with_its_key(old: str, new: str, complaint: str) -> None:
    table = tomllib.loads(TABLE.replace(old, new, 1))
    with pytest.raises(ValueError, match=complaint):
        from_table(table)


def test_a_table_without_registers_is_refused() -> None:
    own = {"driver": "modbus", "port": "/dev/ttyUSB0"}
    for register in ([], [3], {"channel": "needle"}):
        with pytest.raises(
            ValueError, match=r"write a \[\[probe.register\]\]|register has an entry that is 3|needs double"
        ):
            from_table({**own, "register": register})


def test_no_file_and_no_thread_stays() -> None:
    for tcp in (False, True):
        with closing(SimulatedTransmitters(Kitchen(), tcp=tcp)):
            pass
    before = len(os.listdir("/proc/self/fd")), threading.active_count()  # noqa: PTH208
    for tcp in (False, True):
        with closing(SimulatedTransmitters(Kitchen(), tcp=tcp)) as far:
            far.unplug()
            far.unplug()
            far.plug_in()
            far.plug_in()
            folder = Path(far.port).parent
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == before  # noqa: PTH208
    assert not folder.exists() or folder == Path("tcp:/")


def frame(said: bytes) -> bytes:
    """An RTU frame with its CRC."""
    from pymodbus.framer import FramerRTU

    return said + FramerRTU.compute_CRC(said).to_bytes(2)


@contextmanager
def far_end(answer: Callable[[bytes], bytes]) -> Iterator[str]:
    """A pty whose far end gives these answers; the near end's path."""
    board, near = pty.openpty()
    tty.setraw(near)

    def serve() -> None:
        try:
            while request := os.read(board, 256):
                os.write(board, answer(request))
        except OSError:
            return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield os.ttyname(near)
    os.close(near)
    thread.join(2)
    os.close(board)


@contextmanager
def scripted(answer: Callable[[bytes], bytes], timeout_s: float = 0.2) -> Iterator[Line]:
    with far_end(answer) as path, Line(path, 115_200, "N", 1, timeout_s) as line:
        yield line
