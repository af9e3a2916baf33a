"""The command `probe-check`, run as a person runs it, at a simulated board on a pty; it takes as long as a needle."""

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from recorder.clock import ManualClock
from recorder.core import meanings as m
from recorder.core.events import Heard, Intent, Reading, Stopped
from recorder.demo.devices.serial_board import STEP_MS, Kitchen, SimulatedFirmware
from recorder.journal.journal import Journal
from recorder.journal.reader import Reader
from recorder.loop import Loop
from recorder.thermal.water import boiling_point_at_c
from recorder.verification.examine import examine
from tests.appended import silent

STATION = """
station = "line-1"
database = "records.db"
procedure = "procedure.toml"
[[probe]]
driver = "serial"
port = "{port}"
channels = ["needle", "vat", "cabinet"]
"""
SEEN = 6
"""Lines that reached the driver, after which it knows the needle to be in the air."""
PROCEDURE = Path("recorder/share/procedure.toml").read_text("utf-8")


@pytest.fixture
def board() -> Iterator[SimulatedFirmware]:
    made = SimulatedFirmware(Kitchen())
    yield made
    made.close()


def configured(folder: Path, port: str, altitude: str = "altitude_m = 1609\n") -> Path:
    assert "altitude_m" in PROCEDURE
    lines = (altitude if "altitude_m" in line else line for line in PROCEDURE.splitlines(keepends=True))
    (folder / "procedure.toml").write_text("".join(lines))
    station = folder / "station.toml"
    station.write_text(STATION.format(port=port))
    return station


def command(bath: str, station: Path) -> list[str]:
    return [sys.executable, "-W", "error", "-m", "recorder", "probe-check", bath, "--config", str(station)]


def test_probes_in_boiling_water_a_mile_up(tmp_path: Path) -> None:
    """Two stations at once, since each takes as long as a needle: one that is accurate, one that is 1.7 °C off."""
    cases = ((boiling_point_at_c(1609), 0, "passed"), (99.97, 1, "failed"))
    with ExitStack() as running:
        at_work = []
        for place, (bath_c, *_) in enumerate(cases):
            folder = tmp_path / str(place)
            folder.mkdir()
            board = running.enter_context(closing(SimulatedFirmware(Kitchen())))
            words = command("boiling", configured(folder, board.port))
            program = running.enter_context(subprocess.Popen(words, stdout=subprocess.PIPE, text=True))
            at_work.append((board, bath_c, program))
        for _ in range(120):
            for board, bath_c, _ in at_work:
                if board.sent >= SEEN:
                    board.kitchen.insert(bath_c)
                board.advance(STEP_MS)
            time.sleep(STEP_MS / 1000)
            if all(program.poll() is not None for *_, program in at_work):
                break
        shown = [program.communicate(timeout=60)[0] for *_, program in at_work]
    for place, (bath_c, code, verdict) in enumerate(cases):
        assert at_work[place][2].returncode == code, shown[place]
        told = " ".join(shown[place].split())
        assert "Steam scalds" in told and f"The probe {verdict}" in told
        journal = Reader.open(tmp_path / str(place) / "records.db")
        (row,) = journal.table("probe_checks")
        assert (row["verdict"], row["how"]) == (verdict, "boiling point")
        assert row["temp_c"] == pytest.approx(bath_c, abs=0.5)
        assert journal.table("commands")[0]["listening"] == "command line"
        journal.close()
        assert examine(tmp_path / str(place) / "records.db").faults == ()


def test_a_port_that_another_has_is_told_and_nothing_is_written(board: SimulatedFirmware, tmp_path: Path) -> None:
    import serial

    with serial.Serial(board.port, exclusive=True):
        run = subprocess.run(
            command("ice", configured(tmp_path, board.port)), capture_output=True, text=True, timeout=60, check=False
        )
    assert run.returncode == 2
    assert 'If the recorder runs, it has the probe: say "ice point"' in run.stderr
    assert not (tmp_path / "records.db").exists()


@pytest.mark.parametrize(
    ("bath", "altitude", "complaint"),
    [("tea", "altitude_m = 0\n", "'tea' is not a bath; use one of ice, boiling"), ("boiling", "", "no altitude_m")],
)
def test_what_can_not_be_done_is_said(
    board: SimulatedFirmware, tmp_path: Path, bath: str, altitude: str, complaint: str
) -> None:
    station = configured(tmp_path, board.port, altitude)
    run = subprocess.run(command(bath, station), capture_output=True, text=True, timeout=60, check=False)
    assert run.returncode in (1, 2)
    assert complaint in (run.stdout + run.stderr).replace("\n", " ")


def test_one_that_is_refused_does_not_live_off_an_earlier_one(board: SimulatedFirmware, tmp_path: Path) -> None:
    station = configured(tmp_path, board.port, altitude="")
    journal = Journal.open(tmp_path / "records.db")
    loop = Loop(journal, ManualClock(1_000_000), lambda cue: None, silent)
    loop.handle(Heard(1_000_000, "ice point", Intent(m.ICE_POINT), "open", "test"))
    loop.handle(Reading(1_003_000, "needle", 0.0, settled=True, spot=1))
    journal.close()
    run = subprocess.run(command("boiling", station), capture_output=True, text=True, timeout=60, check=False)
    assert (run.returncode, run.stderr) == (1, "")
    assert "no altitude_m" in run.stdout.replace("\n", " ")
    reader = Reader.open(tmp_path / "records.db")
    (earlier,) = reader.table("probe_checks")
    assert (earlier["verdict"], earlier["how"]) == ("passed", "ice point")
    moments = [entry.stamp.at_ms for entry, _ in reader.entries()]
    reader.close()
    assert moments == sorted(moments)


def readings(database: Path) -> list[Reading]:
    with Reader.open(database) as journal:
        return [event for _, event in journal.entries() if isinstance(event, Reading)]


def test_the_readings_stand_on_the_time_line_of_the_records(board: SimulatedFirmware, tmp_path: Path) -> None:
    station = configured(tmp_path, board.port)
    journal = Journal.open(tmp_path / "records.db")
    ahead = round(time.time() * 1000) + 3_600_000
    Loop(journal, ManualClock(ahead), lambda cue: None, silent).handle(Stopped(ahead))
    journal.close()
    with subprocess.Popen(command("ice", station), stdout=subprocess.PIPE, text=True) as program:
        for _ in range(40):
            board.advance(STEP_MS)
            time.sleep(STEP_MS / 1000)
            if read := readings(tmp_path / "records.db"):
                break
        program.send_signal(signal.SIGINT)
        program.wait(10)
    assert program.returncode == 1
    assert read and min(event.at_ms for event in read) >= ahead


def test_a_station_without_a_needle_is_told_so(tmp_path: Path) -> None:
    station = configured(tmp_path, "/dev/null")
    station.write_text(station.read_text().replace('"needle", ', ""))
    run = subprocess.run(command("ice", station), capture_output=True, text=True, timeout=60, check=False)
    assert run.returncode == 2 and 'no [[probe]] has the channel "needle"; in the' in run.stderr


def test_ice_shows_how_fast_the_needle_is(board: SimulatedFirmware, tmp_path: Path) -> None:
    words = command("ice", configured(tmp_path, board.port))
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as program:
        for _ in range(120):
            if board.sent >= SEEN:
                board.kitchen.insert(0.0)
            board.advance(STEP_MS)
            time.sleep(STEP_MS / 1000)
            if program.poll() is not None:
                break
        shown = " ".join(program.communicate(timeout=60)[0].split())
    assert program.returncode == 0, shown
    assert "The needle's lag is " in shown
