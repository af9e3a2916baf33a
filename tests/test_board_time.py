"""Protocol 1.1 on a real pseudo terminal: lines with the board's time, held back, wrapped, restarted and drifting.

And a sender that a stranger wrote from the protocol's page alone: from its tables, its examples and its rules.
"""

import itertools
import re
from collections.abc import Callable, Iterator

import pytest

from recorder import supervisor
from recorder.core.events import ProbeBack, ProbeLost, Reading
from recorder.demo.devices.serial_board import framed
from recorder.probes.serial.line_notes import TIMES
from tests.line_protocol import NOTES, outside_crc
from tests.serial_bench import Bench

EVERY_MS = 250


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.01)


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench(("vat", "needle"))
    yield made.start()
    made.close()


class Board:
    """A board with a clock of its own, `ahead_ms` before the bench's, that says vat temperatures."""

    def __init__(self, bench: Bench, ahead_ms: int = 0, rate: float = 1.0) -> None:
        self.bench, self.ahead_ms, self.rate = bench, ahead_ms, rate
        self.number = 0
        self._kept: list[bytes] = []

    def measure(self, temp_c: float) -> None:
        """It measures, and keeps the line."""
        board_ms = round(self.bench.clock.now_ms() * self.rate) + self.ahead_ms
        self._kept.append(framed("vat", self.number, f"{temp_c:.2f}C @{board_ms % TIMES}"))
        self.number += 1

    def send(self) -> list[tuple[int, float]]:
        """It sends all that it has kept; when what the recorder makes of it was measured, and how hot that was."""
        kept, self._kept = self._kept, []
        got = self.bench.send(*kept)
        return [(each.at_ms, each.temp_c) for each in got if isinstance(each, Reading)]

    def run(self, seconds: float, temps_c: Callable[[], float]) -> list[tuple[int, float]]:
        got = []
        for _ in range(round(seconds * 1000 / EVERY_MS)):
            self.bench.clock.advance(EVERY_MS)
            self.measure(temps_c())
            got += self.send()
        return got


def rising() -> Callable[[], float]:
    """2 °C more each time, so that each is a reading of its own."""
    up_and_down = [*range(100, 200, 2), *range(200, 100, -2)]
    return itertools.cycle(map(float, up_and_down)).__next__


def test_samples_held_back_by_a_stall_are_dated_when_they_were_measured(bench: Bench) -> None:
    """A stall of 3.5 s."""
    board, temps_c = Board(bench, 12_345), rising()
    assert [at for at, _ in board.run(2, temps_c)] == [*range(2 * EVERY_MS, 2_001, EVERY_MS)]
    for _ in range(14):
        bench.clock.advance(EVERY_MS)
        board.measure(temps_c())
    assert [at for at, _ in board.send()] == [*range(2_250, 5_501, EVERY_MS)]
    assert bench.probe.late == 1, "the first line only set the clock"


def test_without_board_time_they_count_when_they_come_as_before(bench: Bench) -> None:
    bench.clock.advance(3_500)
    got = bench.send(framed("vat", 0, "100.00C"), framed("vat", 1, "102.00C"))
    assert got == [Reading(3_500, "vat1", 100.0), Reading(3_500, "vat1", 102.0)]
    assert bench.probe.late == 0


def test_board_time_wraps_without_a_trace(bench: Bench) -> None:
    board = Board(bench, TIMES - 1_000)
    assert [at for at, _ in board.run(3, rising())] == [*range(2 * EVERY_MS, 3_001, EVERY_MS)]
    assert bench.probe.late == 1


@pytest.mark.parametrize("up_ms", [800, 600_000])
def test_a_board_that_starts_again_is_dated_anew_from_its_second_line(bench: Bench, up_ms: int) -> None:
    """It was up for so long, and away for 5 s."""
    board, temps_c = Board(bench, up_ms), rising()
    board.run(1, temps_c)
    bench.clock.advance(5_000)
    board.number, board.ahead_ms = 0, 100 - bench.clock.now_ms()
    assert [at for at, _ in board.run(1, temps_c)] == [6_500, 6_750, 7_000]
    assert bench.probe.late == 2


@pytest.mark.parametrize("rate", [0.99, 0.9999, 1.005])
def test_a_board_whose_clock_drifts_is_followed(bench: Bench, rate: float) -> None:
    board = Board(bench, rate=rate)
    bench.clock.advance(1_000_000)
    got = board.run(90, rising())
    assert len(got) == 359
    wrong_ms = [at - due for (at, _), due in zip(got, range(1_000_500, 1_090_001, EVERY_MS), strict=True)]
    assert min(wrong_ms) >= -600 and max(wrong_ms) <= 0, "one in a hundred, for one to two windows of 30 s"


def test_faults_are_dated_too_and_nothing_is_dated_before_the_loss_that_is_told(bench: Bench) -> None:
    board, temps_c = Board(bench), rising()
    board.run(1, temps_c)
    for _ in range(60):
        bench.clock.advance(EVERY_MS)
        board.measure(temps_c())
    lost = bench.idle(0)
    assert ProbeLost(16_000, "vat1", "silent") in lost
    assert board.send() == [(16_000, 174.0)], "all others were measured before the loss was told"
    assert bench.probe.late == 1 + 59
    bench.clock.advance(EVERY_MS)
    line = framed("vat", board.number, f"open @{bench.clock.now_ms()}")
    bench.clock.advance(2_000)
    assert ProbeLost(16_250, "vat1", "open circuit") in bench.send(line)


def test_what_a_board_says_of_itself_is_kept_and_is_no_bad_line(bench: Bench) -> None:
    said = ["protocol 1.1", "board E66138935F5B", "firmware kitchen 1.2", "reset watchdog", "lost 3", "mood fine"]
    bench.send(*(note(each) for each in said), framed("vat", 0, "170.00C"))
    reader = bench.probe.reader
    assert reader.about == dict(each.split(" ", 1) for each in said[:-1])
    assert (reader.notes, reader.good, reader.bad) == (6, 1, {})


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"# board X1 0000\n", "wrong checksum"),
        (b"# hello\n", "not of the protocol"),
        (b"#\n", "not of the protocol"),
        (b"# board \x1b[2J 0000\n", "not of the protocol"),
    ],
)
def test_a_note_that_is_none_is_a_bad_line(bench: Bench, line: bytes, kind: str) -> None:
    bench.send(line)
    assert (bench.probe.reader.bad, bench.probe.reader.about) == ({kind: 1}, {})


def test_another_protocol_is_named_and_its_lines_are_judged_all_the_same(bench: Bench) -> None:
    bench.send(note("protocol 2.0"))
    assert bench.probe.reader.bad == {"another protocol": 1}


def note(said: str) -> bytes:
    line = f"# {said}".encode()
    return line + f" {outside_crc(line):04X}\n".encode()


# The page


def examples(pattern: str) -> list[str]:
    return re.findall(rf"^    ({pattern} [0-9A-F]{{4}})$", NOTES.read_text(), re.M)


def test_the_pages_examples_of_notes_and_times_are_right(bench: Bench) -> None:
    notes, timed = examples(r"# .+"), examples(r"[a-z0-9]+ \d+ \S+ @\d+")
    assert len(notes) == 5 and len(timed) == 4
    for line in (*notes, *timed):
        assert f"{outside_crc(line[:-5].encode()):04X}" == line[-4:], line
    bench.send(*(line.encode() + b"\n" for line in (*notes, *timed)))
    reader = bench.probe.reader
    assert (reader.notes, reader.good, reader.bad) == (5, 4, {})
    assert set(reader.about) == {"protocol", "board", "firmware", "reset", "lost"}


def strangers_line(channel: str, number: int, value: str, time_ms: int | None = None) -> bytes:
    """Written from the page alone: fields with one space between, the checksum over all before its space."""
    text = " ".join([channel, str(number), value] + ([f"@{time_ms}"] if time_ms is not None else []))
    crc = 0xFFFF
    for byte in text.encode("ascii"):
        for bit in range(7, -1, -1):
            top = crc >> 15
            crc = (crc << 1) & 0xFFFF
            if top ^ (byte >> bit & 1):
                crc ^= 0x1021
    return text.encode("ascii") + b" %04X\r\n" % crc


def test_the_stranger_writes_the_pages_own_lines() -> None:
    """So the stranger has understood the page: the lines with which it begins, byte for byte."""
    first = [line.split(" ") for line in examples(r"(?:needle|vat|cabinet) \d+ \S+")][:5]
    for channel, number, value, crc in first:
        assert strangers_line(channel, int(number), value).decode().split()[-1] == crc


@pytest.mark.parametrize("with_time", [False, True])
def test_a_strangers_sender_works(bench: Bench, with_time: bool) -> None:
    """It counts as the page says and knows nothing else: no notes, no queue; 80 s, over the wrap of the count."""
    number, sent = {"vat": 0, "needle": 65_400}, 0
    got = []
    for second in range(80):
        for channel in ("vat", "needle", "needle"):
            bench.clock.advance(500 if channel == "needle" else 0)
            value = f"{170 + second % 7 * 2:.2f}C" if channel == "vat" else "open" if second == 40 else "165.6F"
            time_ms = bench.clock.now_ms() + 999 if with_time else None
            got += bench.send(strangers_line(channel, number[channel], value, time_ms))
            number[channel] = number[channel] + 1 if number[channel] < 65_535 else 1
            sent += 1
    reader = bench.probe.reader
    assert (reader.good, reader.bad, reader.missed) == (sent, {}, 0)
    readings = [each for each in got if isinstance(each, Reading)]
    assert {round(each.temp_c, 2) for each in readings if each.channel == "needle"} == {74.22}
    assert len([each for each in readings if each.channel == "vat1"]) >= 79
    told = [type(each) for each in got if not isinstance(each, Reading)]
    assert told == [ProbeLost, ProbeBack]
