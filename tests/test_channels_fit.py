"""What a station's probes may be: every unit stated, every channel once and of a vat that there is, read often enough;
and what `check` says of a needle that shows no kitchen's temperature."""

import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.config import ConfigError, load
from recorder.core.world import FRESH_MS
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware, framed
from recorder.probes import urls
from recorder.probes.modbus.probe import ModbusSettings
from recorder.probes.modbus.registers import Register
from recorder.probes.serial.frames import PlainLines
from recorder.probes.serial.port import SerialSettings
from recorder.probes.source import Chunk, Doubt, Sample
from tests.written import station

BOARD = '[[probe]]\ndriver = "serial"\nport = "/dev/{}"\n'
PLAIN = BOARD.format("a") + 'form = "plain"\n'
LINE = """[[probe]]
driver = "modbus"
port = "tcp://10.0.0.7"
[[probe.register]]
channel = "vat"
device = 1
address = 0
"""


# Units


@pytest.mark.parametrize(
    ("probes", "complaint"),
    [
        (PLAIN, r'unit is missing, and a plain number does not say it; write unit = "F" or "C" .*"letter"'),
        (PLAIN + 'unit = "K"', 'unit is \'K\'; write "C" or "F"'),
        (
            LINE + "scale = 0.1",
            'unit is missing, and a register does not say it; write unit = "C" or "F" by the manual',
        ),
        (LINE + 'unit = "F"', "scale is missing, or 0; write what the manual says that 1 in the register is"),
    ],
)
def test_a_unit_or_a_scale_that_nobody_stated_is_not_guessed(tmp_path: Path, probes: str, complaint: str) -> None:
    with pytest.raises(ConfigError, match=complaint):
        load(station(tmp_path, probes))


def test_a_url_without_a_unit_says_what_to_add() -> None:
    with pytest.raises(ValueError, match="&unit=F"):
        urls.settings("/dev/ttyUSB0?form=plain")
    done = CliRunner().invoke(app, ["probe", "/dev/ttyUSB0?form=plain"])
    assert done.exit_code == 2 and "&unit=F" in done.output


def said(unit: str, *lines: str) -> list[float | str]:
    """Temperatures, and the kinds of what is not believed."""
    found = PlainLines("needle", unit).read(Chunk("".join(f"{line}\n" for line in ("0", *lines)).encode()))
    return [
        round(each.temp_c, 2) if isinstance(each, Sample) else each.kind
        for each in found
        if isinstance(each, Sample | Doubt)
    ]


def test_a_stated_unit_holds_for_lines_without_a_letter() -> None:
    assert said("F", "92") == [33.33]
    assert said("C", "92") == [92.0]
    assert said("letter", "92", "92 F") == ["no unit letter", 33.33]


def test_a_line_that_lost_its_letter_is_no_number_in_another_unit() -> None:
    """185.0F, cut after the last digit, was 185 °C."""
    assert said("C", "185.0F", "185.2", "185.1F") == [85.0, "no unit letter", 85.06]


def test_another_letter_is_believed_where_the_temperature_goes_on_or_when_it_stays() -> None:
    """The button of a thermometer turns 185.0F into 85.0C; a spoilt letter turns it into 185.0C."""
    assert said("letter", "185.0F", "85.1C", "185.2F") == [85.0, 85.1, 85.11]
    assert said("letter", "92.0F", "92.0C", "92.0F") == [33.33, "another unit letter", 33.33]
    assert said("letter", "92.0F", "92.0C", "92.0C", "92.0C") == [33.33, *["another unit letter"] * 2, 92.0]


# Channels


@pytest.mark.parametrize(
    ("probes", "vats", "complaint"),
    [
        (
            BOARD.format("a") + BOARD.format("b"),
            "[1]",
            "serial /dev/b: the channel needle is also that of serial /dev/a; take it out of one of them",
        ),
        (
            BOARD.format("a") + 'channels = ["vat"]\n' + LINE + 'scale = 1\nunit = "C"\n',
            "[1]",
            "the channel vat1 is also that of serial /dev/a",
        ),
        (
            BOARD.format("a") + 'channels = ["vat3"]',
            "[1, 2]",
            r"the channel vat3 is of no vat here \(vats = \[1, 2\]\); change one of them",
        ),
        (BOARD.format("a") + 'channels = ["vat"]', "[2]", "vat1 is of no vat here"),
        (
            BOARD.format("a") + 'channels = ["vat"]',
            "[1, 2]",
            'may be any of the vats 1, 2; write which, such as "vat1"',
        ),
        (LINE + 'scale = 1\nunit = "C"\n', "[1, 2]", "may be any of the vats"),
        (
            BOARD.format("a") + "channels = []\n" + BOARD.format("b"),
            "[1]",
            "serial /dev/a: with several probes each names its channels",
        ),
        (
            BOARD.format("a") + "period_s = 45",
            "[1]",
            r"period_s is 45 for serial /dev/a \(needle\); a reading counts as fresh for 60 s, so write 30",
        ),
        (
            LINE.replace("[[probe.register]]", "poll_s = 31\nsilence_s = 90\n[[probe.register]]")
            + 'scale = 1\nunit = "C"\n',
            "[1]",
            r"poll_s is 31 for .* \(vat1\); a reading counts as fresh for 60 s, so write 30",
        ),
        (
            '[[probe]]\ndriver = "ble"\naddress = "00:11:22:33:44:55"\nchannel = "cabinet"\ninterval_s = 60',
            "[1]",
            r"interval_s is 60 for .* \(cabinet\); a reading counts as fresh for 60 s, so write 30",
        ),
    ],
)
def test_channels_that_contradict_the_station_are_refused(
    tmp_path: Path, probes: str, vats: str, complaint: str
) -> None:
    with pytest.raises(ConfigError, match=complaint):
        load(station(tmp_path, probes, vats))


def test_what_fits_is_taken(tmp_path: Path) -> None:
    probes = (
        BOARD.format("a") + 'channels = ["needle", "vat2"]\n' + BOARD.format("b") + 'channels = ["vat1", "cabinet"]'
    )
    assert len(load(station(tmp_path, probes, "[1, 2]")).probes) == 2
    (one,) = load(station(tmp_path, BOARD.format("a") + "channels = []")).probes
    assert one.names() == ()
    assert one.period_s * 1000 <= FRESH_MS / 2


# What `check` says


def check(path: Path) -> str:
    done = CliRunner().invoke(app, ["check", "--config", str(path)], env={"COLUMNS": "300"})
    return " ".join(done.output.split())


@pytest.mark.parametrize("needle", [True, False])
def test_check_says_what_a_station_without_a_needle_is(tmp_path: Path, needle: bool) -> None:
    told = check(station(tmp_path, BOARD.format("none") + f'channels = ["{"needle" if needle else "vat"}"]'))
    assert (
        'no [[probe]] has the channel "needle"; in the [[probe]] that is it, write channels = ["needle"]' in told
    ) is not needle


@pytest.mark.parametrize(
    ("lines", "unit", "odd"),
    [(b"77.0\n", "F", False), (b"77.0\n", "C", True), (b"25.0\n", "F", True), (b"25.0\n", "C", False)],
)
def test_check_shows_both_units_and_doubts_one_by_a_resting_needle(
    tmp_path: Path, lines: bytes, unit: str, odd: bool
) -> None:
    """A room has 25 °C, which is 77 °F."""
    board, done = SimulatedFirmware(Kitchen()), threading.Event()

    def speak() -> None:
        while not done.wait(0.1):
            board.send(lines)

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        told = check(
            station(tmp_path, f'[[probe]]\ndriver = "serial"\nport = "{board.port}"\nform = "plain"\nunit = "{unit}"')
        )
    finally:
        done.set()
        thread.join()
        board.close()
    assert "°C (" in told and " °F)" in told
    beware = (
        "in a kitchen a needle at rest shows from 0 °C (32 °F) to 45 °C (113 °F). If it lies in the air, the unit is"
        f" the likely cause (unit = '{unit}' in the configuration)"
    )
    assert (beware in told) is odd, told


@pytest.mark.parametrize(("every_s", "warned"), [(1.0, False), (3.0, True)])
def test_check_names_a_needle_that_is_too_slow_to_settle(tmp_path: Path, every_s: float, warned: bool) -> None:
    board, done = SimulatedFirmware(Kitchen()), threading.Event()

    def speak() -> None:
        number = 0
        while not done.wait(every_s):
            board.send(framed("needle", number, f"{25 + number % 3 / 10:.2f}C"))
            number += 1

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        told = check(station(tmp_path, f'[[probe]]\ndriver = "serial"\nport = "{board.port}"\nchannels = ["needle"]'))
    finally:
        done.set()
        thread.join()
        board.close()
    assert ("it can't settle, and no check reads it. Have the board send its line 2 to 10 times" in told) is warned, (
        told
    )


def test_every_url_that_a_complaint_prints_can_be_pasted() -> None:
    plain = SerialSettings("serial", "/dev/a", ("vat2",), form="plain", unit="letter")
    line = ModbusSettings("modbus", "/dev/b", (Register("needle", 1, 0, scale=0.1, unit="F"),))
    assert [urls.settings(each.url()) for each in (plain, line)] == [plain, line]
