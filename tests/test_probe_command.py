"""The command `probe`, run as a person runs it, at a simulated board on a pty."""

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from recorder.probes.simulated import Kitchen, SimulatedFirmware


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
    return subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)


def test_it_shows_temperatures_faults_and_counts(board: SimulatedFirmware) -> None:
    def step() -> None:
        if 20 <= board.sent < 24:
            board.kitchen.pull_connector()
        else:
            board.kitchen.put_back()
        board.advance(500)
        board.send(b"needle 1 99.99C 0000\n")

    with speaking(step):
        done = probe(board.port, "--seconds", "2")
    assert (done.returncode, done.stderr) == (0, "")
    *rows, counts = done.stdout.splitlines()
    assert any(" needle " in row and "34." in row and "°C" in row and "°F" in row for row in rows)
    assert any(" vat1 " in row for row in rows)
    assert any("needle  lost: open circuit" in row for row in rows)
    assert any("needle  back" in row for row in rows)
    assert "good lines" in counts
    assert "wrong checksum" in counts
    assert "99.99" not in done.stdout


def test_a_needle_at_rest_is_marked(board: SimulatedFirmware) -> None:
    """When a needle rests is test_settle.py's matter; here the piece takes hold of it at once, to save time."""

    def step() -> None:
        if board.sent >= 10:
            board.kitchen.insert(84.0)
            board.kitchen.pass_time(20_000)
        board.advance(500)

    with speaking(step):
        done = probe(board.port, "--seconds", "6", "--json", "--channel", "needle")
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    settled = [row for row in rows if row.get("settled")]
    assert settled
    assert all(row["spot"] == 1 and abs(row["temp_c"] - 84) < 0.5 for row in settled)


def test_json_is_one_object_a_line(board: SimulatedFirmware) -> None:
    with speaking(lambda: board.advance(500)):
        done = probe(board.port, "--seconds", "1.5", "--json")
    *rows, counts = (json.loads(line) for line in done.stdout.splitlines())
    assert {row["event"] for row in rows} == {"reading"}
    assert {row["channel"] for row in rows} == {"needle", "vat1", "cabinet"}
    assert counts["bytes"] > 0
    assert counts["lines"]["good"] >= len(rows)
    assert (counts["lines"]["bad"], counts["lines"]["missed"]) == ({}, 0)


def test_a_plain_board_is_read_with_plain(board: SimulatedFirmware) -> None:
    with speaking(lambda: board.send(b"338.0\r\n")):
        done = probe(board.port, "--plain", "--channel", "vat", "--unit", "F", "--seconds", "1")
    assert done.returncode == 0
    assert "vat1" in done.stdout
    assert "170.00 °C" in done.stdout


def test_when_no_good_line_comes_it_says_what_to_try(board: SimulatedFirmware) -> None:
    with speaking(lambda: board.send(b"71.5\r\n")):
        done = probe(board.port, "--seconds", "0.7")
    assert done.returncode == 1
    assert "another --baud, or --plain" in done.stdout
    with speaking(lambda: board.advance(500)):
        done = probe(board.port, "--plain", "--seconds", "0.7")
    assert done.returncode == 1
    assert "without --plain" in done.stdout
    done = probe(board.port, "--seconds", "0.3")
    assert done.returncode == 1
    assert "is the board powered" in done.stdout


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
    done = probe("/dev/null", "--channel", "oven")
    assert (done.returncode, done.stdout) == (2, "")
    assert "'oven' is none of needle" in done.stderr


def test_ctrl_c_ends_it_with_its_counts(board: SimulatedFirmware) -> None:
    command = [sys.executable, "-W", "error", "-m", "recorder", "probe", board.port]
    with (
        speaking(lambda: board.advance(500)),
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program,
    ):
        end_s = time.monotonic() + 10
        while board.sent < 10 and time.monotonic() < end_s:
            time.sleep(0.05)
        program.send_signal(signal.SIGINT)
        out, complaints = program.communicate(timeout=10)
    assert (program.returncode, complaints) == (0, "")
    assert "good lines" in out.splitlines()[-1]
