"""The command `probe`, run as a person runs it, at a simulated board on a pty."""

import json
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import StringIO

import pytest
from rich.console import Console

from recorder.clock import ManualClock
from recorder.commands.probe_panel import Panel
from recorder.core.events import Reading
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware
from recorder.probes.probe import Probe
from recorder.probes.serial.port import SerialSettings
from recorder.probes.source import Charge, Fault, Sample


@pytest.fixture
def board() -> Iterator[SimulatedFirmware]:
    made = SimulatedFirmware(Kitchen())
    yield made
    made.close()


@contextmanager
def speaking(step: Callable[[], object]) -> Iterator[None]:
    """Meanwhile the board does `step` again and again."""
    done = threading.Event()

    def speak() -> None:
        while not done.wait(0.05):
            step()

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def probe(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-W", "error", "-m", "recorder", "probe", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def probe_until(text: str, *arguments: str) -> tuple[int, list[str]]:
    """Probe until a row has this text, then press Ctrl-C; the exit code and the rows."""
    command = [sys.executable, "-W", "error", "-m", "recorder", "probe", *arguments, "--seconds", "20"]
    rows: list[str] = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as program:
        assert program.stdout
        for row in program.stdout:
            rows.append(row.rstrip())
            if text in row:
                program.send_signal(signal.SIGINT)
                rows += program.stdout.read().splitlines()
    return program.returncode, rows


def test_it_shows_temperatures_faults_and_counts(board: SimulatedFirmware) -> None:
    def step() -> None:
        if 20 <= board.sent < 24:
            board.kitchen.pull_connector()
        else:
            board.kitchen.put_back()
        board.advance(500)
        board.send(b"needle 1 99.99C 0000\n")

    with speaking(step):
        code, (*rows, counts) = probe_until("needle  back", board.port)
    assert code == 0
    shown = next(row for row in rows if " needle " in row)
    assert re.search(r" 3[34]\.\d\d °C +9[23]\.\d\d °F$", shown)
    assert any(" vat1 " in row for row in rows)
    assert any("needle  lost: open circuit" in row for row in rows)
    assert "good messages" in counts
    assert "wrong checksum" in counts
    assert "99.99" not in "".join(rows)


def test_a_needle_at_rest_is_marked(board: SimulatedFirmware) -> None:
    """When a needle rests is test_settle.py's matter; here the piece takes hold of it at once, to save time."""

    def step() -> None:
        if board.sent >= 10:
            board.kitchen.insert(84.0)
            board.kitchen.pass_time(20_000)
        board.advance(500)

    with speaking(step):
        _, rows = probe_until("at rest, spot 1", f"{board.port}?channels=needle")
    (at_rest,) = [row for row in rows if "at rest" in row]
    assert abs(float(at_rest.split()[2]) - 84) < 0.5
    assert not any(" vat1 " in row for row in rows)


def test_json_is_one_object_a_line(board: SimulatedFirmware) -> None:
    with speaking(lambda: board.advance(500)):
        done = probe(board.port, "--seconds", "2", "--json")
    *rows, counts = (json.loads(line) for line in done.stdout.splitlines())
    assert {row["event"] for row in rows} == {"reading"}
    assert {row["channel"] for row in rows} == {"needle", "vat1", "cabinet"}
    assert counts["bytes"] > 0
    assert counts["messages"]["good"] >= len(rows)
    assert (counts["messages"]["bad"], counts["messages"]["missed"]) == ({}, 0)


def test_a_plain_board_is_read_with_form_plain(board: SimulatedFirmware) -> None:
    with speaking(lambda: board.send(b"338.0\r\n")):
        done = probe(f"{board.port}?form=plain&channels=vat&unit=F", "--seconds", "1.5")
    assert done.returncode == 0
    assert "vat1" in done.stdout
    assert "170.00 °C" in done.stdout


def test_when_no_good_line_comes_it_says_what_to_try(board: SimulatedFirmware) -> None:
    with speaking(lambda: board.send(b"71.5\r\n")):
        done = probe(board.port, "--seconds", "1")
    assert done.returncode == 1
    assert f"({board.port}?baud=9600), or {board.port}?form=plain" in done.stdout
    with speaking(lambda: board.advance(500)):
        done = probe(f"{board.port}?form=plain&unit=C", "--seconds", "1")
    assert done.returncode == 1
    assert f"or {board.port} for the line protocol" in done.stdout
    done = probe(board.port, "--seconds", "0.3")
    assert done.returncode == 1
    assert "is it powered" in done.stdout


def test_an_unplugged_board_and_a_wrong_port_are_errors_with_a_remedy(board: SimulatedFirmware) -> None:
    def step() -> None:
        if board.sent < 10:
            board.advance(500)
        else:
            board.unplug()

    with speaking(step):
        done = probe(board.port, "--seconds", "10")
    assert done.returncode == 2
    assert "lost: unplugged" in done.stdout
    assert f"error: {board.port}: unplugged" in done.stderr
    for port in (board.port, "/dev/null", "foo://here"):
        done = probe(port, "--seconds", "10")
        assert done.returncode == 2
        assert f"error: {port}" in done.stderr
        assert "Traceback" not in done.stderr
    done = probe("/dev/null?channels=oven")
    assert (done.returncode, done.stdout) == (2, "")
    assert "channels has 'oven'; write one of needle" in done.stderr


def test_ctrl_c_ends_it_with_its_counts(board: SimulatedFirmware) -> None:
    with speaking(lambda: board.advance(500)):
        code, rows = probe_until("needle", board.port)
    assert code == 0
    assert "good messages" in rows[-1]


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_panel_is_whole_in_a_narrow_terminal(width: int) -> None:
    """Of one that is at rest, one that rises and one that is lost, nothing is cut off."""
    panel = Panel("serial /dev/ttyACM0")
    for second in range(60):
        panel.look(1000 * second, Sample("needle", 20 + min(second, 40)))
        panel.look(1000 * second, Sample("cabinet", 60 + second / 10))
    panel.event(Reading(60_000, "needle", 60.0, True, 12, 0.3, 11_400))
    panel.look(60_000, Charge("needle", 85))
    panel.look(60_000, Fault("vat1", "open circuit"))
    file = StringIO()
    console = Console(width=width, file=file, highlight=False, soft_wrap=True)
    console.print(panel.draw(Probe(SerialSettings("serial", "/dev/ttyACM0"), ManualClock(0)), 60_000), soft_wrap=False)
    shown = file.getvalue()
    flat = " ".join(shown.split())
    assert "\N{HORIZONTAL ELLIPSIS}" not in shown and max(map(len, shown.splitlines())) <= width
    assert "needle 60.00 °C 140.00 °F" in flat and "+6.0 °C/min" in flat and "60 to 66 °C" in flat
    wrapped = "at rest at 60.0 ± 0.3 °C, spot 12, in 11 s, battery 85 % lost: open circuit"
    assert set(wrapped.split()) <= set(flat.split()), shown


def test_a_plain_board_read_as_a_framed_one_is_remarked_on_while_it_speaks(board: SimulatedFirmware) -> None:
    """Before anybody presses Ctrl-C: what came, and the URL to try."""
    with speaking(lambda: board.send(b"72.5\n")):
        done = probe(board.port, "--seconds", "8")
    assert done.returncode == 1
    (remark,) = [line for line in done.stderr.splitlines() if line.startswith("Nothing that is understood")]
    assert "72.5" in remark and f"{board.port}?form=plain&unit=F" in remark


def test_a_silent_board_is_remarked_on(board: SimulatedFirmware) -> None:
    done = probe(board.port, "--seconds", "7")
    assert "Nothing has come in 5 s: see that it is powered" in done.stderr
