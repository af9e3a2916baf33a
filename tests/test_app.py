"""The daemon as systemd starts it: a real serial port, a real database, a real broker, a real stop."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from recorder.clock import ManualClock
from recorder.core.effects import Cue, Tone
from recorder.core.events import RULES, Heard, Intent, ProcedureLoaded, Reading, Started
from recorder.demo.broker import LocalBroker
from recorder.demo.devices.serial_board import Kitchen as Story
from recorder.demo.devices.serial_board import SimulatedFirmware
from recorder.demo.subscriber import Subscriber
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from recorder.loop import Loop
from recorder.verification.examine import examine
from tests.kitchen import PROCEDURE


def test_a_cue_comes_after_the_commit(tmp_path: Path) -> None:
    path, given = tmp_path / "records.db", []

    def give(cue: Cue) -> None:
        reader = Journal.read(path)
        given.append((cue.say, reader.newest().kind, reader.table("commands")[-1]["reply"]))  # type: ignore[union-attr]
        reader.close()

    journal = Journal.open(path)
    loop = Loop(journal, ManualClock(0), lambda cue: None)
    loop.handle(Started(0, "boot", True, "test", "line", (1,)))
    loop = Loop(journal, ManualClock(0), give)
    loop.handle(Heard(1, "shift start cook four", Intent("shift start", cook=4), "test", "open"))
    journal.close()
    assert given == [("Shift started, cook 4.", "heard", "Shift started, cook 4.")]


def test_no_cue_without_a_commit(tmp_path: Path) -> None:
    given: list[Cue] = []
    journal = Journal.open(tmp_path / "records.db")
    loop = Loop(journal, ManualClock(0), given.append)
    journal.close()
    with pytest.raises(JournalError):
        loop.handle(Heard(1, "status", Intent("status"), "test", "open"))
    assert given == [] and loop.state.seq == 0


def test_a_restart_goes_on_where_it_was(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "records.db")
    loop = Loop(journal, ManualClock(0), lambda cue: None)
    for event in (
        Started(0, "boot", True, "test", "line", (1,)),
        ProcedureLoaded(0, PROCEDURE),
        Heard(1, "shift start", Intent("shift start", cook=4), "test", "open"),
        Heard(2, "batch start", Intent("batch start"), "test", "open"),
    ):
        loop.handle(event)
    again = Loop(journal, ManualClock(0), lambda cue: None)
    journal.close()
    assert again.state == loop.state


def test_what_is_due_is_done_on_time_and_not_before(tmp_path: Path) -> None:
    clock, given = ManualClock(0), list[Cue]()
    journal = Journal.open(tmp_path / "records.db")
    loop = Loop(journal, clock, given.append)
    for event in (
        Started(0, "boot", True, "test", "line", (1,), RULES),
        ProcedureLoaded(0, PROCEDURE),
        Heard(0, "shift start", Intent("shift start", cook=4), "test", "open"),
        Heard(0, "batch start", Intent("batch start"), "test", "open"),
        Heard(0, "lid locked", Intent("lid locked"), "test", "open"),
    ):
        loop.handle(event)
    given.clear()
    clock.advance(PROCEDURE.planned_cook_ms - 1)
    assert not loop.turn(0)
    clock.advance(1)
    assert loop.turn(0) and not loop.turn(0)
    assert given == [Cue(Tone.ALERT, "Vat 1, batch 1: cook time reached.")]
    loop.inbox.put(Reading(clock.at_ms, "needle", 70.0))
    assert loop.turn(1) and loop.state.world.latest["needle"].temp_c == 70
    journal.close()


def test_the_daemon_records_tells_and_stops(tmp_path: Path) -> None:
    with socket.socket() as probe, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        systemd.bind(str(tmp_path / "notify"))
        systemd.settimeout(20)
        probe.close()
        broker = LocalBroker(port)
        broker.start()
        phone = Subscriber("127.0.0.1", port, "kitchen/#")
        assert phone.ready(10)
        board = SimulatedFirmware(Story())
        (tmp_path / "station.toml").write_text(
            f'station = "line-1"\n[[probe]]\ndriver = "serial"\nport = "{board.port}"\n'
            f'channels = ["needle", "vat", "cabinet"]\n[mqtt]\nport = {port}\nprotocol = "3.1.1"\npublish = "all"\n'
        )
        command = [sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
        environment = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"}
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as daemon:
            told = [systemd.recv(100)]
            end_s = time.monotonic() + 30
            while "kitchen/line-1/reading/cabinet" not in phone.retained and time.monotonic() < end_s:
                board.advance(1000)
                time.sleep(0.05)
            told.append(systemd.recv(100))
            board.kitchen.pull_connector()
            opened = _until_open(board, phone, lambda alert: alert["kind"] == "probe lost")
            phone.say("kitchen/line-1/acknowledge", b"no answer at all")
            for what, by in (("seen", "phone 1"), ("acknowledge", "JD")):
                phone.say(f"kitchen/line-1/{what}", json.dumps({"alert": opened["id"], "by": by}).encode())
            _until_open(board, phone, lambda alert: alert["acknowledged_by"] == "JD")
            sign = [sys.executable, "-m", "recorder", "sign", "--config", str(tmp_path / "station.toml"), "--by", "MK"]
            signed = subprocess.run([*sign, "--note", "needle unplugged"], capture_output=True, text=True, timeout=30)
            daemon.send_signal(signal.SIGTERM)
            _, complaints = daemon.communicate(timeout=30)
        board.close()
        end_s = time.monotonic() + 30
        while json.loads(phone.retained["kitchen/line-1/state"])["online"] and time.monotonic() < end_s:
            time.sleep(0.05)
        phone.close()
        broker.stop()
    assert daemon.returncode == 0, complaints
    assert told == [b"READY=1\nSTATUS=Recording.", b"WATCHDOG=1"]
    assert json.loads(phone.retained["kitchen/line-1/reading/needle"])["temp_c"] == pytest.approx(34, abs=1)
    assert json.loads(phone.retained["kitchen/line-1/state"]) == {"online": False}
    kinds = {message["type"] for message in phone.messages.values()}
    assert kinds >= {"alert.raised", "alert.acknowledged", "record", "entry"}
    assert json.loads(phone.retained["kitchen/line-1/health"])["probes"]["needle"] == "open circuit"
    assert {"batches", "checks"} <= {topic.rsplit("/", 1)[-1] for topic in phone.retained}
    assert f"line-1 starts; records: {tmp_path / 'records.db'}" in complaints
    assert "a message on acknowledge is refused: it is not JSON" in complaints
    finding = examine(tmp_path / "records.db")
    assert finding.faults == ()
    journal = Journal.read(tmp_path / "records.db")
    (row,) = [row for row in journal.table("alerts") if row["id"] == opened["id"]]
    journal.close()
    assert (row["seen_by"], row["acknowledged_by"]) == ("phone 1", "JD")
    assert signed.returncode == 0 and signed.stdout.endswith(" by MK.\n"), signed.stderr


def _until_open(board: SimulatedFirmware, phone: Subscriber, meant: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
    """The first of the open alerts, as the phone has them, that is meant; the board goes on meanwhile."""
    end_s = time.monotonic() + 30
    while time.monotonic() < end_s:
        for alert in json.loads(phone.retained.get("kitchen/line-1/open", '{"alerts": []}'))["alerts"]:
            if meant(alert):
                return dict(alert)
        board.advance(1000)
        time.sleep(0.05)
    raise AssertionError("no such alert came to the phone")


def test_a_record_that_cannot_be_kept_is_said_aloud(tmp_path: Path) -> None:
    """A player that notes how much sound it was given stands in for the loudspeaker's."""
    player = tmp_path / "aplay"
    player.write_text(f"#!/bin/sh\nwc -c >> {tmp_path / 'played'}\n")
    player.chmod(0o755)
    (tmp_path / "station.toml").write_text('station = "a"\ndatabase = "/proc/records.db"\n[speaker]\n')
    command = [sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
    environment = {**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"}
    run = subprocess.run(command, capture_output=True, text=True, timeout=30, env=environment)
    assert run.returncode == 3, run.stderr
    assert int((tmp_path / "played").read_text().split()[0]) > 10_000, "a tone went out"


@pytest.mark.parametrize(
    ("text", "code", "complaint"),
    [("station = 3", 2, "station is 3"), ('station = "a"\ndatabase = "/proc/records.db"', 3, "nothing is recorded")],
)
def test_a_daemon_that_cannot_record_says_so_and_ends(tmp_path: Path, text: str, code: int, complaint: str) -> None:
    (tmp_path / "station.toml").write_text(text)
    command = [sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
    run = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert (run.returncode, complaint in run.stderr) == (code, True), run.stderr
