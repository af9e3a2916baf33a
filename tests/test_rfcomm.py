"""Classic Bluetooth's serial ports by their URL, through the real serial driver, over a socket pair.

What is not tried here is the kernel's RFCOMM itself: it needs a radio on both sides.
"""

import errno
import socket
import threading
from collections.abc import Iterator

import pytest

from recorder.clock import ManualClock
from recorder.core.events import Event, ProbeLost, Reading
from recorder.demo.devices.serial_board import framed
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes import urls
from recorder.probes.probe import Probe
from recorder.probes.serial import protocol_rfcomm
from recorder.probes.serial.port import SerialSettings
from tests.waiting import until

URL = "rfcomm://00:11:22:33:44:55/1"
PATIENCE_S = 30.0


class Line:
    """A probe that was called, and the driver that called it, in a thread."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        near, self.far = socket.socketpair()
        self.called: list[tuple[str, int]] = []

        def answer(address: str, channel: int) -> socket.socket:
            self.called.append((address, channel))
            return near

        monkeypatch.setattr(protocol_rfcomm, "connected", answer)
        self.near = near
        self.events: list[Event] = []
        self.lost: DriverLost | None = None
        self.probe = Probe(SerialSettings("serial", URL, ("vat",)), ManualClock(0))
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()
        until(self.probe.listening.is_set, "the line is open")

    def _run(self) -> None:
        try:
            self.probe.run(self.events.append, self.stop)
        except DriverLost as lost:
            self.lost = lost

    def ended(self) -> None:
        self.thread.join(PATIENCE_S)
        assert not self.thread.is_alive()


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch) -> Iterator[Line]:
    made = Line(monkeypatch)
    yield made
    made.stop.set()
    made.ended()
    made.far.close()


def test_what_is_said_is_read_however_it_is_cut_up(line: Line) -> None:
    assert line.called == [("00:11:22:33:44:55", 1)]
    first, second = framed("vat", 1, "71.25C"), framed("vat", 2, "61.25C")
    line.far.send(first[:7])
    until(lambda: line.probe.bytes_read == 7, "the beginning is read")
    assert line.events == []
    line.far.send(first[7:] + second)
    until(lambda: line.probe.ended == 2, "the rest is read")
    assert line.events == [Reading(0, "vat1", 71.25), Reading(0, "vat1", 61.25)]


def test_more_than_is_taken_at_a_time_is_read_whole(line: Line) -> None:
    line.far.sendall(b"".join(framed("vat", number, "71.25C") for number in range(1, 1001)))
    until(lambda: line.probe.ended == 1000, "all is read")
    assert (line.probe.reader.good, line.probe.reader.missed) == (1000, 0)


def test_one_that_hangs_up_is_gone_like_one_that_is_unplugged(line: Line) -> None:
    line.far.send(framed("vat", 1, "71.25C"))
    line.far.close()
    line.ended()
    assert line.lost and line.lost.reason == "unplugged"
    assert "hung up" in str(line.lost)
    assert line.events == [Reading(0, "vat1", 71.25), ProbeLost(0, "vat1", "unplugged")]
    assert line.near.fileno() == -1, "our end is closed too"


def test_a_stop_hangs_up(line: Line) -> None:
    line.stop.set()
    line.ended()
    assert line.lost is None
    assert line.far.recv(1) == b""


def test_a_closed_port_can_neither_be_read_nor_harmed() -> None:
    port = protocol_rfcomm.Serial(None, 115_200, timeout=0.01, exclusive=True)
    port.close()
    with pytest.raises(OSError, match="is closed"):
        port.read(1)


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (OSError(errno.EHOSTDOWN, "Host is down"), "unplugged"),
        (TimeoutError("timed out"), "unplugged"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused"), "port refused"),
    ],
)
def test_one_that_does_not_answer_is_told_from_one_that_refuses(
    monkeypatch: pytest.MonkeyPatch, error: OSError, reason: str
) -> None:
    def fail(address: str, channel: int) -> socket.socket:
        raise error

    monkeypatch.setattr(protocol_rfcomm, "connected", fail)
    events: list[Event] = []
    with pytest.raises(DriverLost, match=URL) as lost:
        Probe(SerialSettings("serial", URL), ManualClock(0)).run(events.append, threading.Event())
    assert lost.value.reason == reason
    assert events == [ProbeLost(0, "needle", reason)]


@pytest.mark.parametrize("port", ["rfcomm://", "rfcomm://00:11:22:33:44/1", URL[:-2], URL[:-1] + "0", URL[:-1] + "31"])
def test_a_malformed_url_is_refused_with_an_example(port: str) -> None:
    with pytest.raises(DriverUnavailable, match=f"write it like {URL}"):
        Probe(SerialSettings("serial", port), ManualClock(0)).run(lambda event: None, threading.Event())


def test_a_python_without_bluetooth_is_told_with_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "AF_BLUETOOTH", raising=False)
    with pytest.raises(DriverUnavailable, match="the system's own python3"):
        Probe(SerialSettings("serial", URL), ManualClock(0)).run(lambda event: None, threading.Event())


@pytest.mark.hardware
@pytest.mark.skipif(not hasattr(socket, "AF_BLUETOOTH"), reason="this Python was built without Bluetooth sockets")
def test_a_real_call_to_nobody_fails_as_a_port_does() -> None:
    with pytest.raises(OSError):
        protocol_rfcomm.connected("00:00:00:00:00:01", 1)


def test_a_probe_is_named_by_it_at_the_keyboard() -> None:
    settings = urls.settings(f"{URL}?form=plain&unit=C")
    assert isinstance(settings, SerialSettings)
    assert (settings.port, settings.form) == (URL, "plain")
