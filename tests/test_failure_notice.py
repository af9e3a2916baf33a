"""When nothing can be recorded any more: it is spoken, shown and sent at once, and what to do about it."""

import errno
import fcntl
import json
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app as command_line
from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import load
from recorder.core.effects import Cue, Tone
from recorder.core.events import EarBack, EarLost, Event, Tick
from recorder.core.station import State
from recorder.daemon import run
from recorder.demo.subscriber import Subscriber
from recorder.driver import Put
from recorder.journal.errors import JournalBusy, JournalError
from recorder.journal.journal import Journal
from recorder.journal.sqlite_errors import BY_NAME, BY_NUMBER, remedy
from recorder.supervisor import Post, Supervisor
from recorder.voice.audio import speaker as speaking
from recorder.voice.audio.speaker import Speaker, tone_pcm
from tests.appended import append
from tests.disks import STAMP, fill, read_only, station_on, tiny_disk, write_on
from tests.full_disk import a_broker, fills_up, played, player
from tests.waiting import until


def test_a_second_recorder_is_told_so_and_says_nothing_aloud(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first one goes on recording: it would be a lie."""
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    monkeypatch.setenv("PATH", player(tmp_path)["PATH"])
    first = Journal.open(tmp_path / "records.db")
    (tmp_path / "station.toml").write_text('station = "line-1"\n[speaker]\n')
    second = CliRunner().invoke(command_line, ["run", "--config", str(tmp_path / "station.toml")])
    append(first, STAMP, Tick(1))
    first.close()
    assert (second.exit_code, "stop it first" in second.output) == (4, True), second.output
    assert "nothing is recorded" not in second.output.lower() and not (tmp_path / "played").exists()


def test_a_station_that_lacks_what_its_ear_needs_is_not_silent(tmp_path: Path) -> None:
    """As when a model is gone after a night: systemd does not start it again, and the cook would talk to nobody."""
    (tmp_path / "led").mkdir()
    with a_broker() as port:
        phone = Subscriber("127.0.0.1", port, "kitchen/#")
        assert phone.ready(10)
        (tmp_path / "station.toml").write_text(
            f'station = "line-1"\nlamp = "led"\n[speaker]\n[voice]\nengine = "vosk"\nmodel = "gone"\n'
            f'[mqtt]\nport = {port}\nprotocol = "3.1.1"\n'
        )
        command = [sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
        ended = subprocess.run(command, capture_output=True, text=True, timeout=30, env=player(tmp_path))
        until(lambda: phone.retained.get("kitchen/line-1/state") == '{"online": false}', "it is told and off")
        (alert,) = json.loads(phone.retained["kitchen/line-1/open"])["alerts"]
        phone.close()
    assert ended.returncode == 2 and "error: the vosk engine" in ended.stderr, ended.stderr
    assert "Nothing is recorded any more." in played(tmp_path)
    assert (tmp_path / "led" / "trigger").read_text() == "timer"
    assert alert["kind"] == "not recording" and "the vosk engine" in alert["text"]


@pytest.mark.parametrize("number", [errno.EWOULDBLOCK, errno.ENOLCK, errno.EIO])
def test_only_a_lock_that_is_held_means_another_recorder(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """flock(2) lists EWOULDBLOCK for a held lock; ENOLCK and, on a network's file system, EIO are other troubles."""

    def flock(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(fcntl, "flock", flock)
    with pytest.raises(JournalError) as caught:
        Journal.open(tmp_path / "records.db")
    assert isinstance(caught.value, JournalBusy) == (number == errno.EWOULDBLOCK)
    assert ("can't be locked" in str(caught.value)) == (number != errno.EWOULDBLOCK)


def test_each_trouble_has_a_remedy_of_its_own() -> None:
    """All primary result codes of sqlite.org/rescode.html that a disk can cause; the names are the library's own."""
    groups = [
        ("SQLITE_FULL",),
        ("SQLITE_READONLY", "SQLITE_READONLY_DBMOVED", "SQLITE_READONLY_DIRECTORY"),
        ("SQLITE_IOERR", "SQLITE_IOERR_FSYNC", "SQLITE_IOERR_WRITE"),
        ("SQLITE_CANTOPEN", "SQLITE_CANTOPEN_ISDIR"),
        ("SQLITE_PERM", "SQLITE_AUTH"),
        ("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_BUSY_RECOVERY"),
        ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_CORRUPT_INDEX"),
        ("SQLITE_NOMEM",),
        ("SQLITE_CONSTRAINT", "SQLITE_CONSTRAINT_PRIMARYKEY"),
    ]
    texts: list[Any] = []
    for names in groups:
        told = set()
        for name in names:
            assert hasattr(sqlite3, name)
            error = sqlite3.OperationalError("x")
            error.sqlite_errorname = name
            told.add(remedy(error))
        assert len(told) == 1 and told.isdisjoint({""})
        texts += told
    assert len(set(texts)) == len(groups) and set(texts) == {f"; {text}" for text in BY_NAME.values()}
    assert {remedy(OSError(number, "")) for number in BY_NUMBER} <= set(texts)
    assert remedy(ValueError("x")) == remedy(sqlite3.OperationalError("no such table")) == remedy(OSError(0, "")) == ""


def test_a_full_disk_and_a_read_only_one_are_told_apart(tmp_path: Path) -> None:
    with tiny_disk(tmp_path / "disk") as disk:
        journal = Journal.open(disk / "records.db")
        append(journal, STAMP, Tick(1))
        fill(disk)
        with pytest.raises(JournalError, match="the disk is full; make room on it"):
            write_on(journal)
        newest = journal.newest()
        journal.close()
        with pytest.raises(JournalError, match="the disk is full; make room on it"):
            Journal.open(disk / "other.db")
        (disk / "filler").unlink()
        read_only(disk)
        with pytest.raises(JournalError, match="it is read-only; a disk that fails"):
            Journal.open(disk / "records.db")
        read_only(disk, False)
        journal = Journal.open(disk / "records.db")
        assert journal.newest() == newest and newest
        journal.close()


def test_a_folder_that_this_user_may_not_write_is_said_to_be_one() -> None:
    with tempfile.TemporaryDirectory(dir="/tmp") as folder:
        Path(folder).chmod(0o555)
        if root := os.geteuid() == 0:  # who may write anywhere
            os.seteuid(65_534)
        try:
            with pytest.raises(JournalError, match="this user may not; look at owner and permissions"):
                Journal.open(Path(folder) / "records.db")
        finally:
            if root:
                os.seteuid(0)
            Path(folder).chmod(0o755)


class Chatter:
    """A driver that has much to say, and notes when it is stopped."""

    name = "chatter"

    def __init__(self, order: list[str]) -> None:
        self._order = order

    def run(self, put: Put, stop: threading.Event) -> None:
        while not stop.wait(0.001):
            put(EarLost(0, "x" * 2000))
            put(EarBack(0))
        self._order.append("stopped")


@pytest.mark.parametrize("full", [True, False])
def test_the_end_of_recording_is_cried_out_before_the_drivers_are_stopped(full: bool, tmp_path: Path) -> None:
    """A full database, and a fault of the program in mid-shift."""
    (tmp_path / "station.toml").write_text('station = "line-1"\n')
    settings, order = load(tmp_path / "station.toml"), list[str]()

    def watch(event: Event, state: State, effects: object) -> None:
        if not full and isinstance(event, EarLost):
            raise RuntimeError("a fault of the program")

    with open_journal(settings) as journal:
        if full:
            pages = next(journal.rows("PRAGMA page_count"))[0] + 9
            assert next(journal.rows(f"PRAGMA max_page_count = {pages}"))[0] == pages
        app = App(settings, journal, ManualClock(0), lambda cue: None, watch, order.append)
        with pytest.raises(JournalError if full else RuntimeError):
            app.run(Supervisor((Post(Chatter(order)),), app.loop.inbox.put), threading.Event())
    assert len(order) == 2 and order[1] == "stopped"
    assert ("the disk is full" if full else "a fault of the program") in order[0]


def test_a_cue_of_last_resort_cuts_off_what_sounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaking, "SLACK_S", 60.0)  # or it would be cut off for its length
    environment = player(tmp_path)
    speaker = Speaker(player=f"{tmp_path}/aplay", voice=f"{tmp_path}/espeak-ng")
    for _ in range(4):  # each time it is in the middle of a greeting that never ends, with others waiting
        (tmp_path / "played").unlink(missing_ok=True)
        for say in ("Recorder started.", "one", "two"):
            speaker.give(Cue(Tone.ALERT, say))
        until(lambda: "Recorder" in played(tmp_path), "it greets")
        speaker.interrupt(Cue(Tone.ALERT, "Nothing"))
        until(lambda: "Nothing" in played(tmp_path), "the last cue is played")
        lines = [line.split(" ", 1) for line in played(tmp_path).splitlines()]
        assert [what for _, what in lines[-2:]] == [f"tone of {len(tone_pcm(Tone.ALERT))}", "Nothing"]
        assert not any(what in ("one", "two") for _, what in lines)
    speaker.close(5)
    assert environment["PATH"].startswith(str(tmp_path))


@pytest.mark.slow
def test_a_disk_that_fills_up_in_mid_shift_is_said_shown_and_told(tmp_path: Path) -> None:
    fills_up(tmp_path)


def test_records_that_cannot_be_opened_are_told_to_the_broker(tmp_path: Path) -> None:
    with a_broker() as port, tiny_disk(tmp_path / "disk") as disk:
        phone = Subscriber("127.0.0.1", port, "kitchen/#")
        assert phone.ready(10)
        read_only(disk)
        (tmp_path / "station.toml").write_text(
            f'station = "line-1"\ndatabase = "disk/records.db"\n[mqtt]\nport = {port}\nprotocol = "3.1.1"\n'
        )
        with pytest.raises(JournalError, match="read-only"):
            run(load(tmp_path / "station.toml"), threading.Event())
        until(lambda: phone.retained.get("kitchen/line-1/state") == '{"online": false}', "it is told and off")
        opened = json.loads(phone.retained["kitchen/line-1/open"])
        assert not phone.messages
        read_only(disk, False)
        station_on(disk, []).close()
        fill(disk, 50_000)  # room to open the records, and none to record the start
        with pytest.raises(JournalError, match=r"the record can't be kept: .* the disk is full"):
            run(load(tmp_path / "station.toml"), threading.Event())
        until(lambda: bool(phone.messages), "the alert is there")
        phone.close()
    (alert,) = opened["alerts"]
    assert alert["kind"] == "not recording" and "it is read-only" in alert["text"]
    (message,) = phone.messages.values()
    assert message["id"].endswith("-unrecorded") and "the disk is full" in message["data"]["text"]


def test_a_lamp_that_cannot_be_lit_is_found_by_check(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "line-1"\nlamp = "led"\n')
    for made in (False, True):
        if made:
            (tmp_path / "led").mkdir()
            (tmp_path / "led" / "trigger").touch()
            (tmp_path / "led" / "brightness").touch()
        result = CliRunner().invoke(command_line, ["check", "--config", str(tmp_path / "station.toml")])
        assert (result.exit_code == 0) == made and "lamp" in result.output
