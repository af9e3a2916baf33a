"""Probes and microphones that fail in ways of their own: never silently, never as a number, and back by themselves."""

import random
import subprocess
import sys
import time
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue

import pytest

from recorder import supervisor
from recorder.clock import ManualClock
from recorder.config import load_phrases
from recorder.core.events import EarBack, EarLost, EarTrouble, Event, ProbeBack, ProbeLost, Reading
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware, framed
from recorder.probes.probe import Probe
from recorder.probes.serial import port as serial_probe
from recorder.probes.serial.frames import FramedLines, Lines, PlainLines
from recorder.probes.serial.port import SerialSettings
from recorder.probes.source import Chunk
from recorder.supervisor import Post, Supervisor
from recorder.voice.audio import microphone
from recorder.voice.audio.microphone import Microphone
from recorder.voice.ear import MicrophoneEar
from recorder.voice.engines import Guess
from recorder.voice.settings import VoiceSettings
from tests.waiting import until

BAUDS = (9_600, 19_200, 38_400, 57_600, 115_200)


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.02)


@contextmanager
def kept(post: Post) -> Iterator[SimpleQueue[Event]]:
    """What the driver emits while the supervisor keeps it."""
    got: SimpleQueue[Event] = SimpleQueue()
    keeper = Supervisor((post,), got.put)
    keeper.start()
    yield got
    keeper.stop()


def settings(port: str, **more: float) -> SerialSettings:
    return SerialSettings("serial", port, ("needle",), **more)  # type: ignore[arg-type]


def speaks(board: SimulatedFirmware, got: SimpleQueue[Event], number: int) -> list[Event]:
    """What has come by the time that this line, sent until it gets through, has become a reading."""
    line, came = framed("needle", number, f"{50 + number}.25C"), list[Event]()
    end_s = time.monotonic() + 30
    while not (came and isinstance(came[-1], Reading)):
        assert time.monotonic() < end_s
        board.send(line)
        time.sleep(0.02)
        while not got.empty():
            came.append(got.get())
    return came


def test_a_board_that_comes_back_under_another_kernel_name_is_found_by_its_lasting_one() -> None:
    """What udev does with /dev/serial/by-id: the link is gone, and then it leads elsewhere."""
    board = SimulatedFirmware(Kitchen())
    others: list[SimulatedFirmware] = []
    try:
        probe = Probe(settings(board.port), ManualClock(0))
        names = {str(Path(board.port).resolve())}
        with kept(Post(probe)) as got:
            until(probe.listening.is_set, "it is open")
            assert speaks(board, got, 1) == [Reading(0, "needle", 51.25)]
            for number in range(2, 7):
                board.unplug()
                assert got.get(timeout=30) == ProbeLost(0, "needle", "unplugged")
                others.append(SimulatedFirmware(Kitchen()))  # takes the name that has become free
                board.plug_in()
                names.add(str(Path(board.port).resolve()))
                assert speaks(board, got, number) == [ProbeBack(0, "needle"), Reading(0, "needle", 50.25 + number)]
        assert len(names) > 1
    finally:
        for each in (board, *others):
            each.close()


def test_half_a_connection_is_given_up_and_made_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board on the network that lost its power says no goodbye: here, one that is there and gives nothing."""
    monkeypatch.setattr(serial_probe, "MUTE_S", 0.2)
    clock, board = ManualClock(0), SimulatedFirmware(Kitchen())
    probe = Probe(settings(board.port, silence_s=0.1), clock)
    with kept(Post(probe)) as got:
        until(probe.listening.is_set, "it is open")
        assert speaks(board, got, 1) == [Reading(0, "needle", 51.25)]
        clock.advance(10_000)
        assert got.get(timeout=30) == ProbeLost(10_000, "needle", "silent")
        until(lambda: not probe.listening.is_set(), "it is given up")
        until(probe.listening.is_set, "it is open again")
        assert got.empty(), "its loss is told once"
        back, reading = speaks(board, got, 2)
        assert (back, reading) == (ProbeBack(10_000, "needle"), Reading(10_000, "needle", 52.25))
    board.close()


def test_a_port_that_another_process_has_is_told_and_taken_when_that_ends() -> None:
    board = SimulatedFirmware(Kitchen())
    hold = f"import serial, sys; p = serial.Serial({board.port!r}, exclusive=True); print(flush=True); sys.stdin.read()"
    pipe = subprocess.PIPE
    with subprocess.Popen([sys.executable, "-c", hold], stdin=pipe, stdout=pipe) as other:
        assert other.stdin and other.stdout
        other.stdout.readline()
        with kept(Post(Probe(settings(board.port), ManualClock(0)))) as got:
            assert got.get(timeout=30) == ProbeLost(0, "needle", "port refused")
            time.sleep(0.2)
            assert got.empty()
            other.stdin.close()
            other.wait(5)
            assert speaks(board, got, 1) == [ProbeBack(0, "needle"), Reading(0, "needle", 51.25)]
    board.close()


def misread(data: bytes, sent: int, read: int, shift: float) -> bytes:
    """What a UART at `read` baud makes of bytes sent at `sent` baud, 8N1, no gaps; `shift` bits late."""
    bits = [1] * 12
    for byte in data:
        bits += [0, *(byte >> at & 1 for at in range(8)), 1]
    bits += [1] * 12
    length, found, at_bit = len(bits) / sent, bytearray(), shift / sent

    def level(at_s: float) -> int:
        return bits[min(int(at_s * sent), len(bits) - 1)]

    while at_bit < length - 10 / read:
        if level(at_bit):
            at_bit += 1 / (16 * read)
            continue
        byte = sum(level(at_bit + (1.5 + place) / read) << place for place in range(8))
        if level(at_bit + 9.5 / read):
            found.append(byte)
        at_bit += 9.6 / read
    return bytes(found)


def test_the_simulated_wire_reads_what_was_sent_at_the_right_baud() -> None:
    line = framed("needle", 7, "71.25C")
    assert misread(line * 3, 9_600, 9_600, 0.0) == line * 3


@pytest.mark.parametrize("form", ["framed", "plain"])
def test_lines_read_at_another_baud_are_no_numbers(form: str) -> None:
    """All pairs of five bauds, 20 stretches of 5 lines for each."""
    chance, good, bad = random.Random(20), 0, 0
    for sent in BAUDS:
        for read in BAUDS:
            reader: Lines = FramedLines() if form == "framed" else PlainLines("needle", "C")
            for number in range(20 * (sent != read)):
                warm = [f"{chance.uniform(20, 200):.2f}" for _ in range(5)]
                lines = [framed("needle", 5 * number + at, f"{each}C") for at, each in enumerate(warm)]
                wire = b"".join(lines) if form == "framed" else "".join(f"{each}\r\n" for each in warm).encode()
                good += len(reader.read(Chunk(misread(wire, sent, read, chance.random()))))
            bad += reader.bad.total()
    print(f"{form}: {bad} bad messages")
    assert good == 0
    assert bad, "some of it had ends of lines in it"


class Nothing:
    """A recogniser that never recognises."""

    engine = "nothing"

    def recognise(self, pcm: bytes) -> Guess | None:
        return None


@pytest.fixture
def arecord(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Post]:
    """An ear on a program of ours in place of arecord; it runs `first` the first time, and then gives sound."""
    monkeypatch.setattr(microphone, "WATCH_S", 0.4)
    monkeypatch.setattr(microphone, "KILL_S", 30.0)  # on a busy machine a killed program goes late
    (tmp_path / "sound").write_bytes(array("h", [random.Random(1).randrange(-60, 60) for _ in range(160)]).tobytes())

    def made(first: str, healed: str = "") -> Post:
        program, once = tmp_path / "arecord", tmp_path / "once"
        sound = f"while cat {tmp_path}/sound; do sleep 0.01; done"
        program.write_text(
            f"#!/bin/sh\nif [ ! -e {once} ]; then {healed or f'touch {once};'} {first}; exit; fi\n{sound}\n"
        )
        program.chmod(0o755)
        clock, source = ManualClock(0), Microphone("test", str(program))
        ear = MicrophoneEar(source, Nothing(), load_phrases(None), VoiceSettings(), clock)
        return Post(ear, lambda reason: (EarLost(0, reason),))

    return made


@pytest.mark.parametrize(
    ("first", "sounds", "why"),
    [
        ("exec sleep 60", False, "0 bytes in"),
        ("printf x; exec sleep 60", True, "1 bytes in"),
        ("printf x", True, "it stopped giving sound"),
        ("head -c 3201 /dev/zero; exec sleep 60", True, "3201 bytes in"),
        ("exec cat /dev/zero", True, "too many"),
        ("exec >&-; exec sleep 60", False, "closed its sound and hangs"),
        ("echo Device or resource busy >&2; exit 1", False, "Device or resource busy"),
    ],
    ids=["nothing", "half a sample", "half a sample and its end", "then nothing", "flood", "closed", "busy"],
)
def test_a_microphone_that_fails_is_told_and_heard_again(
    first: str, sounds: bool, why: str, arecord: Callable[[str], Post]
) -> None:
    with kept(arecord(first)) as got:
        if sounds:
            assert got.get(timeout=30) == EarBack(0)
        while isinstance(lost := got.get(timeout=30), EarTrouble):
            assert first == "exec cat /dev/zero", "so much silence in so little time is told as well"
        assert isinstance(lost, EarLost) and why in lost.reason
        assert got.get(timeout=30) == EarBack(0)
        time.sleep(0.1)
        assert got.empty()


def test_a_microphone_that_dies_each_time_is_told_once_and_tried_on(
    arecord: Callable[..., Post], tmp_path: Path
) -> None:
    tries = tmp_path / "tries"
    with kept(arecord("exit 1", f"echo >> {tries};")) as got:
        until(lambda: tries.exists() and len(tries.read_text()) >= 5, "it is tried 5 times")
        lost = got.get(timeout=30)
        assert isinstance(lost, EarLost) and "stopped giving sound" in lost.reason
        assert got.empty()
        (tmp_path / "once").touch()
        assert got.get(timeout=30) == EarBack(0)
