"""The simulated board: a story that is the same each time, sent by the protocol, on a port that comes and goes."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from recorder.demo.devices.serial_board import (
    AIR_C,
    AIR_LAG_S,
    CABINET_C,
    FOOD_LAG_S,
    NOISE_C,
    OIL_C,
    Kitchen,
    SimulatedFirmware,
    framed,
)
from recorder.probes.serial.frames import FramedLines
from recorder.probes.source import Chunk, Fault, Sample
from tests.listener import Listener


@pytest.fixture
def board() -> Iterator[SimulatedFirmware]:
    made = SimulatedFirmware(Kitchen())
    yield made
    made.close()


def test_every_line_is_of_the_protocol_and_in_order(board: SimulatedFirmware) -> None:
    lines = FramedLines()
    with Listener(board) as port:
        for _ in range(120):
            board.advance(500)
            lines.read(Chunk(port.heard()))
    assert lines.bad == {}
    assert lines.missed == 0
    assert lines.good == board.sent == 60 * 2 + 2 * 60 // 5


def test_the_same_seed_tells_the_same_story_and_another_seed_another() -> None:
    def told(seed: int, steps: int) -> bytes:
        board = SimulatedFirmware(Kitchen(seed))
        try:
            with Listener(board) as port:
                board.kitchen.insert(84.0)
                for _ in range(steps):
                    board.advance(20_000 // steps)
                return bytes(port.heard())
        finally:
            board.close()

    assert told(1, 40) == told(1, 40) == told(1, 10), "also in steps of another length"
    assert told(1, 40) != told(2, 40)


def test_the_needle_follows_the_piece_and_the_air_with_a_first_order_lag() -> None:
    """The step response of a first-order lag is 1 - exp(-t/tau): 63.2 % after tau, 95.0 % after 3 tau (textbook)."""
    kitchen = Kitchen()
    kitchen.insert(84.0)
    for seconds, part in ((FOOD_LAG_S, 0.632), (2 * FOOD_LAG_S, 0.950)):
        for _ in range(round(seconds * 10)):
            kitchen.pass_time(100)
        assert (kitchen.needle_c - AIR_C) / (84.0 - AIR_C) == pytest.approx(part, abs=0.001)
    kitchen.withdraw()
    start_c = kitchen.needle_c
    kitchen.pass_time(round(AIR_LAG_S * 1000))
    assert (start_c - kitchen.needle_c) / (start_c - AIR_C) == pytest.approx(0.632, abs=0.001)


def test_the_noise_is_of_the_size_that_is_said(board: SimulatedFirmware) -> None:
    lines, values = FramedLines(), []
    with Listener(board) as port:
        for _ in range(60):
            board.advance(5_000)
            found = lines.read(Chunk(port.heard()))
            values += [each.temp_c for each in found if isinstance(each, Sample) and each.channel == "needle"]
    assert len(values) == 600
    spread_c = (sum((value - AIR_C) ** 2 for value in values) / len(values)) ** 0.5
    assert 0.8 * NOISE_C < spread_c < 1.2 * NOISE_C


def test_the_oil_sags_on_a_load_and_recovers_and_the_cabinet_swings_a_little() -> None:
    kitchen = Kitchen()
    kitchen.load_vat()
    oil, cabinet = [], []
    for _ in range(1200):
        kitchen.pass_time(500)
        oil.append(kitchen.oil_c)
        cabinet.append(kitchen.cabinet_c)
    assert OIL_C - 15 < min(oil) < OIL_C - 8
    assert 30 < oil.index(min(oil)) / 2 < 120
    assert oil[-1] == pytest.approx(OIL_C, abs=0.5)
    assert max(abs(temp_c - CABINET_C) for temp_c in cabinet) < 2
    kitchen.set_oil(155.0)
    kitchen.pass_time(500)
    assert kitchen.oil_c == pytest.approx(155.0, abs=0.5)


def test_a_pulled_connector_and_a_short_are_fault_words(board: SimulatedFirmware) -> None:
    lines = FramedLines()
    with Listener(board) as port:
        for change in (board.kitchen.pull_connector, board.kitchen.short_circuit, board.kitchen.put_back):
            change()
            board.advance(500)
        found = lines.read(Chunk(port.heard()))
    assert found[:2] == [Fault("needle", "open circuit"), Fault("needle", "short circuit")]
    assert isinstance(found[2], Sample)


def test_a_quiet_channel_says_nothing(board: SimulatedFirmware) -> None:
    board.quiet.add("needle")
    with Listener(board) as port:
        board.advance(10_000)
        assert b"needle" not in port.heard()
        assert board.sent == 4


def test_what_nobody_reads_goes_nowhere_and_holds_nobody_up(board: SimulatedFirmware) -> None:
    board.advance(3_600_000)
    assert board.sent == 0
    with Listener(board):
        board.advance(3_600_000)
    assert 0 < board.sent < 7200


def test_the_port_keeps_its_path_and_the_board_starts_again_from_0(board: SimulatedFirmware) -> None:
    path = board.port
    with Listener(board) as port:
        board.advance(2000)
        assert port.heard().startswith(b"needle 0 ")
        board.unplug()
        board.unplug()
        with pytest.raises(OSError):
            port.read(1)
    assert not Path(path).exists()
    assert not board.send(b"into the air\n")
    board.plug_in()
    board.plug_in()
    assert board.port == path
    with Listener(board) as port:
        board.advance(500)
        assert port.heard().startswith(b"needle 0 ")
    board.close()
    assert not Path(path).parent.exists()


def test_no_file_stays_open() -> None:
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
    for _ in range(3):
        board = SimulatedFirmware(Kitchen())
        board.unplug()
        board.plug_in()
        board.close()
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208


def _heeds_interrupts() -> None:
    """What a shell starts in the background ignores them, and so would its children."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_the_program_prints_its_port_and_speaks_in_real_time() -> None:
    command = [sys.executable, "-W", "error", "-m", "recorder.demo.devices.serial_board"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, preexec_fn=_heeds_interrupts) as program:
        try:
            assert program.stdout
            path = program.stdout.readline().strip()
            lines = FramedLines()
            with serial.Serial(path, timeout=30) as port:
                began_s = None
                while lines.good < 4:
                    lines.read(Chunk(port.read(1)))
                    if lines.good and began_s is None:
                        began_s = time.monotonic()
            assert began_s and time.monotonic() - began_s > 3 * 0.5 * 0.8, "two lines a second, not more"
            assert lines.bad == {}
        finally:
            program.send_signal(signal.SIGINT)
            assert program.wait(5) == 0
    assert not Path(path).exists()


def test_a_line_is_made_of_channel_number_word_and_checksum() -> None:
    """The document's first example."""
    assert framed("needle", 0, "24.18C") == b"needle 0 24.18C 18EF\n"
