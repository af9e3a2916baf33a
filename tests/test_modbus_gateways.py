"""Modbus through what stands between: RTU frames over TCP, gateways that take their time, swapped bytes."""

import socket
import threading
from collections.abc import Iterator
from dataclasses import replace

import pytest

from recorder.clock import ManualClock
from recorder.core.events import Event, Reading
from recorder.demo.devices.modbus_transmitters import SimulatedTransmitters
from recorder.demo.devices.serial_board import Kitchen
from recorder.driver import DriverLost
from recorder.probes.modbus.line import Line, endpoint
from recorder.probes.modbus.probe import ModbusSettings
from recorder.probes.modbus.registers import Register
from recorder.probes.modbus.scan import scan
from recorder.probes.probe import Probe
from tests.waiting import until

ORDERS = tuple(
    Register(f"vat{at + 1}", 3, 2 * at, "holding", "float32", word, 1.0, unit="C", byte_order=byte)
    for at, (word, byte) in enumerate((w, b) for w in ("big", "little") for b in ("big", "little"))
)


@pytest.fixture
def far() -> Iterator[SimulatedTransmitters]:
    made = SimulatedTransmitters(Kitchen(), ORDERS, tcp=True, rtu=True)
    for at, register in enumerate(ORDERS):
        made.measure(register.channel, 170.25 + at)
    yield made
    made.close()


def read(settings: ModbusSettings) -> tuple[list[Event], Probe]:
    """One round."""
    events, stop, probe = list[Event](), threading.Event(), Probe(settings, ManualClock(0))
    thread = threading.Thread(target=probe.run, args=(events.append, stop))
    thread.start()
    until(lambda: probe.ended + probe.reader.missed >= len(settings.register), "a round is over")
    stop.set()
    thread.join(5)
    return events, probe


def test_a_serial_server_passes_rtu_frames_on_in_all_four_orders(far: SimulatedTransmitters) -> None:
    assert far.port.startswith("rtu+tcp://")
    events, probe = read(far.settings())
    assert [each.temp_c for each in events if isinstance(each, Reading)] == [170.25, 171.25, 172.25, 173.25]
    assert probe.reader.bad == {}


def test_its_bytes_are_those_of_a_serial_line() -> None:
    """published-values.md section 8: read holding registers 0x006B to 0x006D of device 17, and the answer."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        asked = list[bytes]()

        def serve() -> None:
            near, _ = server.accept()
            with near:
                asked.append(near.recv(64))
                near.sendall(bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD"))
                near.recv(64)

        thread = threading.Thread(target=serve)
        thread.start()
        with Line(f"rtu+tcp://127.0.0.1:{server.getsockname()[1]}", 9_600, "N", 1, 2.0) as line:
            answer = line.read(17, "holding", 0x6B, 3)
        thread.join(5)
    assert asked == [bytes.fromhex("11 03 00 6B 00 03 76 87")]
    assert answer.data == bytes.fromhex("AE 41 56 52 43 40")


def test_a_spoilt_answer_over_tcp_is_found_by_its_checksum(far: SimulatedTransmitters) -> None:
    far.spoil = lambda data: data[:-1] + bytes([data[-1] ^ 1])
    events, probe = read(far.settings(register=ORDERS[:1], timeout_s=0.3))
    assert events == []
    assert probe.reader.bad == {"wrong checksum": 1}


@pytest.mark.parametrize(("timeout_s", "heard"), [(0.3, False), (2.0, True)])
def test_a_gateway_that_takes_half_a_second_is_waited_for_where_the_kitchen_says_so(
    far: SimulatedTransmitters, timeout_s: float, heard: bool
) -> None:
    far.slow_s = 0.5
    _, probe = read(far.settings(timeout_s=timeout_s))
    assert (probe.reader.good > 0) is heard
    assert bool(scan(far.port, [3], 9_600, timeout_s)) is heard


def test_the_scan_guesses_swapped_bytes_too(far: SimulatedTransmitters) -> None:
    (found,) = scan(far.port, [3], 9_600, 2.0)
    guessed = {
        (each.register.address, each.register.word_order, each.register.byte_order, each.temp_c)
        for each in found.guesses
        if each.register.kind == "holding" and each.register.type == "float32"
    }
    wanted = {(each.address, each.word_order, each.byte_order, 170.25 + at) for at, each in enumerate(ORDERS)}
    assert wanted <= guessed


@pytest.mark.parametrize(
    ("port", "meant"),
    [
        ("/dev/ttyUSB0", ("", 0, False)),
        ("tcp://10.0.0.7", ("10.0.0.7", 502, False)),
        ("rtu+tcp://10.0.0.7:4001", ("10.0.0.7", 4001, True)),
    ],
)
def test_a_port_says_how_its_frames_are(port: str, meant: tuple[str, int, bool]) -> None:
    assert endpoint(port) == meant


@pytest.mark.parametrize(
    ("port", "complaint"),
    [
        ("rtu+tcp://10.0.0.7", 'a serial server has no usual port, so write it, as in "rtu\\+tcp://host:4001"'),
        ("rtu://10.0.0.7:1", '"rtu\\+tcp://host:4001" for RTU through a serial server'),
    ],
)
def test_a_port_that_can_be_none_is_refused_with_the_remedy(port: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        ModbusSettings("modbus", port, ORDERS)


def test_a_serial_server_that_is_not_there_is_unreachable() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    settings = replace(ModbusSettings("modbus", f"rtu+tcp://127.0.0.1:{port}", ORDERS))
    with pytest.raises(DriverLost, match="unreachable: nobody takes a connection"):
        Probe(settings, ManualClock(0)).run(lambda event: None, threading.Event())
