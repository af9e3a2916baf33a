"""Disks that are full, read-only, failing, slow or damaged: nothing that was cued is lost, and it is never silent."""

import errno
import fcntl
import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from itertools import pairwise
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app as command_line
from recorder.app import App, open_journal
from recorder.clock import ManualClock, Stamp
from recorder.commands.records import examine
from recorder.config import load
from recorder.core.effects import Cue, Record, Tone
from recorder.core.events import RULES, EarBack, EarLost, Event, Heard, Reading, RecordsSetAside, Started, Tick
from recorder.core.station import State
from recorder.daemon import on_records, run
from recorder.driver import Put
from recorder.journal import aside
from recorder.journal.anchors import compare, picked
from recorder.journal.chain import GENESIS, linked
from recorder.journal.errors import JournalBusy, JournalDamaged, JournalError
from recorder.journal.journal import Journal, as_row
from recorder.journal.remedies import BY_NAME, BY_NUMBER, remedy
from recorder.journal.upkeep import MARGIN, keep
from recorder.notices.broker import LocalBroker
from recorder.notices.subscriber import Subscriber
from recorder.probes.simulated import Kitchen as Story
from recorder.probes.simulated import SimulatedFirmware
from recorder.space import LOOK_MS, RESERVE, Reserve
from recorder.supervisor import Post, Supervisor
from recorder.voice.speaker import Speaker, tone_pcm
from tests.disks import Shim, fill, read_only, tiny_disk
from tests.kitchen import Kitchen, kept
from tests.test_interfaces import validator
from tests.waiting import until

STAMP = Stamp(1_772_100_000_000, "boot", 7, 1_772_100_000_000, True)


def player(folder: Path) -> dict[str, str]:
    """The environment with a loudspeaker of ours first. It notes when it was given what, and never ends a greeting."""
    (folder / "aplay").write_text(
        f"""#!/bin/sh
case "$*" in
    *raw*) what="tone of $(wc -c)" ;;
    *) what=$(cat) ;;
esac
echo "$(date +%s.%N) $what" >> {folder}/played
case "$what" in "Recorder started."*) [ -e {folder}/greeted ] || exec sleep 60 ;; esac
"""
    )
    (folder / "espeak-ng").write_text("#!/bin/sh\nexec cat\n")
    for name in ("aplay", "espeak-ng"):
        (folder / name).chmod(0o755)
    return {**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"}


def played(folder: Path) -> str:
    """What the loudspeaker noted; "" before its first sound."""
    return (folder / "played").read_text() if (folder / "played").exists() else ""


def spoken(board: SimulatedFirmware, done: Callable[[], bool]) -> None:
    """The board goes on until it is so."""

    def step() -> bool:
        board.advance(1000)
        time.sleep(0.02)
        return done()

    until(step, "what the board says is heard", 20)


@contextmanager
def running(command: list[str], environment: dict[str, str]) -> Iterator["subprocess.Popen[str]"]:
    """It is ended with the test, whatever becomes of that."""
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as daemon:
        try:
            yield daemon
        finally:
            daemon.kill()


@contextmanager
def notified(folder: Path) -> Iterator[socket.socket]:
    """Stands for systemd."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as server:
        server.bind(str(folder / "notify"))
        server.settimeout(30)
        yield server


@contextmanager
def a_broker() -> Iterator[int]:
    """Its port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    broker = LocalBroker(port)
    broker.start()
    try:
        yield port
    finally:
        broker.stop()


def test_a_second_recorder_is_told_so_and_says_nothing_aloud(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first one goes on recording: it would be a lie."""
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    monkeypatch.setenv("PATH", player(tmp_path)["PATH"])
    first = Journal.open(tmp_path / "records.db")
    (tmp_path / "station.toml").write_text('station = "line-1"\n[speaker]\n')
    second = CliRunner().invoke(command_line, ["run", "--config", str(tmp_path / "station.toml")])
    first.append(STAMP, Tick(1), ())
    first.close()
    assert (second.exit_code, "stop it first" in second.output) == (4, True), second.output
    assert "nothing is recorded" not in second.output.lower() and not (tmp_path / "played").exists()


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
    texts = []
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


def write_on(journal: Journal) -> None:
    for number in range(2, 100_000):
        journal.append(STAMP, Tick(number), (Record("oil", number, (("what", "x" * 400), ("struck", 0))),))


def test_a_full_disk_and_a_read_only_one_are_told_apart(tmp_path: Path) -> None:
    with tiny_disk(tmp_path / "disk") as disk:
        journal = Journal.open(disk / "records.db")
        journal.append(STAMP, Tick(1), ())
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

    def watch(event: Event, state: State) -> None:
        if not full and isinstance(event, EarLost):
            raise RuntimeError("a fault of the program")

    with closing(open_journal(settings)) as journal:
        if full:
            pages = next(journal.rows("PRAGMA page_count"))[0] + 9
            assert next(journal.rows(f"PRAGMA max_page_count = {pages}"))[0] == pages
        app = App(settings, journal, ManualClock(0), lambda cue: None, watch, order.append)
        with pytest.raises(JournalError if full else RuntimeError):
            app.run(Supervisor((Post(Chatter(order)),), app.loop.inbox.put), threading.Event())
    assert len(order) == 2 and order[1] == "stopped"
    assert ("the disk is full" if full else "a fault of the program") in order[0]


def test_a_cue_of_last_resort_cuts_off_what_sounds(tmp_path: Path) -> None:
    environment = player(tmp_path)
    speaker = Speaker(player=f"{tmp_path}/aplay", voice=f"{tmp_path}/espeak-ng")
    for _ in range(4):  # each time it is in the middle of a greeting that never ends, with others waiting
        (tmp_path / "played").unlink(missing_ok=True)
        for say in ("Recorder started.", "one", "two"):
            speaker.give(Cue(Tone.ALERT, say))
        until(lambda: "Recorder" in played(tmp_path), "it greets")
        began_s = time.time()
        speaker.interrupt(Cue(Tone.ALERT, "Nothing"))
        until(lambda: "Nothing" in played(tmp_path), "the last cue is played")
        lines = [line.split(" ", 1) for line in played(tmp_path).splitlines()]
        assert [what for _, what in lines[-2:]] == [f"tone of {len(tone_pcm(Tone.ALERT))}", "Nothing"]
        assert float(lines[-2][0]) - began_s < 0.5 and not any(what in ("one", "two") for _, what in lines)
    speaker.close(5)
    assert environment["PATH"].startswith(str(tmp_path))


def test_a_disk_that_fills_up_in_mid_shift_is_said_shown_and_told(tmp_path: Path) -> None:
    """The real daemon, a real full disk, a loudspeaker in the middle of words, a lamp's folder, a broker."""
    lamp = tmp_path / "lamp"
    lamp.mkdir()
    with a_broker() as port, tiny_disk(tmp_path / "disk", "40m") as disk, notified(tmp_path) as systemd:
        phone = Subscriber("127.0.0.1", port, "kitchen/#")
        assert phone.ready(10)
        board = SimulatedFirmware(Story())
        (tmp_path / "station.toml").write_text(
            f'station = "line-1"\ndatabase = "disk/records.db"\nlamp = "lamp"\n[speaker]\n[mqtt]\nport = {port}\n'
            f'protocol = "3.1.1"\n[[probe]]\ndriver = "serial"\nport = "{board.port}"\n'
            'channels = ["needle", "vat", "cabinet"]\n'
        )
        command = [sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
        environment = {**player(tmp_path), "NOTIFY_SOCKET": str(tmp_path / "notify")}
        with running(command, environment) as daemon:
            spoken(board, lambda: "kitchen/line-1/reading/cabinet" in phone.retained)
            assert (lamp / "trigger").read_text() == "none"
            until(lambda: "Recorder started." in played(tmp_path), "it greets", 20)
            filled = fill(disk)
            phone.say("kitchen/line-1/sign", b'{"day": "2026-02-26", "by": "JD", "note": "one entry more"}')
            spoken(board, lambda: "Nothing is recorded any more" in played(tmp_path))
            _, complaints = daemon.communicate(timeout=30)
        blinked = (lamp / "trigger").read_text()
        told = systemd.recv(10_000) + systemd.recv(10_000)
        until(lambda: not json.loads(phone.retained["kitchen/line-1/state"])["online"], "it is off")
        phone.close()
        with closing(Journal.read(disk / "records.db")) as journal:
            newest = journal.newest()
        assert examine(disk / "records.db").faults == ()
        anchors = list(picked(json.dumps(message) for message in phone.messages.values()))
        assert compare(disk / "records.db", anchors).faults == ()
        assert systemd.recv(100) == b"STOPPING=1"
        (tmp_path / "greeted").touch()
        with running(command, environment) as again:
            assert systemd.recv(100) == b"READY=1" and (lamp / "trigger").read_text() == "none"
            again.send_signal(signal.SIGTERM)
            _, given_up = again.communicate(timeout=30)
        assert again.returncode == 0 and "the reserve of 8 MB is given up" in given_up
        assert filled.exists() and examine(disk / "records.db").faults == ()
        board.close()
    assert daemon.returncode == 3 and "CRITICAL recorder.last_resort: nothing is recorded any more" in complaints
    assert blinked == "timer"
    assert b"READY=1" in told and b"STATUS=Nothing is recorded any more: " in told
    ((_, alert),) = [(key, each) for key, each in phone.messages.items() if each["id"].endswith("-unrecorded")]
    assert newest and (alert["type"], alert["data"]["kind"], alert["data"]["level"], alert["data"]["entry_hash"]) == (
        "alert.raised",
        "not recording",
        "critical",
        newest.hash,
    )
    opened = json.loads(phone.retained["kitchen/line-1/open"])
    assert opened["alerts"][-1]["id"] == alert["data"]["id"] == f"{newest.seq}-not-recording"
    assert "the disk is full; make room on it" in opened["alerts"][-1]["text"]
    assert not [*validator("alert").iter_errors(alert), *validator("open").iter_errors(opened)]


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


def spoil(what: str, path: Path) -> None:
    """Damage the closed database at `path`."""
    data = bytearray(path.read_bytes())
    size = len(data)
    match what:
        case "header":
            data[:100] = b"?" * 100
        case "first page":
            data[100:4096] = bytes(3996)
        case "middle page":
            start = size // 2 & ~4095
            data[start : start + 4096] = bytes(4096)
        case "cut":
            del data[size // 2 :]
        case "zeros":
            data[:] = bytes(size)
        case "a letter of an entry":
            at = data.index(b"shift start")
            data[at : at + 1] = b"S"
            at = data.index(b'{"at_ms":')
            data[at : at + 1] = b"["
    path.write_bytes(data)


DAMAGES = ["header", "first page", "middle page", "cut", "zeros", "a letter of an entry"]


def station_on(folder: Path, cues: list[Cue]) -> App:
    (folder / "station.toml").write_text('station = "line-1"\n')
    app = on_records(load(folder / "station.toml"), cues.append, lambda reason: None)
    try:
        app.open()
    except JournalError:
        app.journal.close()
        raise
    return app


@pytest.fixture(scope="module")
def shift_records(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A closed database of a shift."""
    return records_in(tmp_path_factory.mktemp("shift"))


def records_in(folder: Path) -> bytes:
    kitchen = Kitchen()
    kitchen.open_shift()
    kept(kitchen, folder / "records.db").close()
    return (folder / "records.db").read_bytes()


@pytest.mark.parametrize("what", DAMAGES)
def test_damaged_records_are_set_aside_told_and_begun_anew(what: str, shift_records: bytes, tmp_path: Path) -> None:
    path, cues = tmp_path / "records.db", list[Cue]()
    path.write_bytes(shift_records)
    spoil(what, path)
    damaged = path.read_bytes()
    station_on(tmp_path, cues).close()
    (file,) = tmp_path.glob("records.db.damaged-*Z")
    assert file.read_bytes() == damaged
    with closing(Journal.read(path)) as journal:
        events = [event for _, event in journal.entries()]
        (alert,) = journal.table("alerts", "kind = 'records damaged'")
        assert any(file.name in row.message.body for row in journal.unsent())
    assert [type(event).__name__ for event in events[:3]] == ["Started", "ProcedureLoaded", "RecordsSetAside"]
    told = events[2]
    assert isinstance(told, RecordsSetAside) and told.file == file.name and told.reason
    assert file.name in alert["text"] and any("The records were damaged" in cue.say for cue in cues)
    assert examine(path).faults == ()
    cues.clear()
    station_on(tmp_path, cues).close()
    assert not any("damaged" in cue.say for cue in cues), "it is told once"
    assert len([*tmp_path.glob("records.db.damaged-*Z")]) == 1


def test_what_lies_beside_a_damaged_database_goes_with_it(shift_records: bytes, tmp_path: Path) -> None:
    """As after a power cut: the write-ahead log is full, and the database's beginning is gone."""
    (tmp_path / "was").mkdir()
    (tmp_path / "was" / "records.db").write_bytes(shift_records)
    journal = Journal.open(tmp_path / "was" / "records.db")
    journal.append(STAMP, Tick(STAMP.at_ms), ())
    for part in ("", "-wal", "-shm"):
        shutil.copy(tmp_path / "was" / f"records.db{part}", tmp_path / f"records.db{part}")
    journal.close()
    log = (tmp_path / "records.db-wal").read_bytes()
    spoil("header", tmp_path / "records.db")
    station_on(tmp_path, []).close()
    (moved,) = tmp_path.glob("records.db.damaged-*Z-wal")
    assert len(log) > 4_096 and moved.read_bytes() == log
    assert (tmp_path / moved.name.removesuffix("-wal")).exists()
    assert examine(tmp_path / "records.db").faults == ()


@pytest.mark.parametrize("left", ["nothing", "an empty file"])
def test_a_log_without_its_database_is_set_aside_and_told(left: str, tmp_path: Path) -> None:
    (tmp_path / "records.db-wal").write_bytes(b"what was left")
    if left == "an empty file":
        (tmp_path / "records.db").touch()
    cues = list[Cue]()
    station_on(tmp_path, cues).close()
    (moved,) = tmp_path.glob("records.db.damaged-*-wal")
    assert moved.read_bytes() == b"what was left" and any("damaged" in cue.say for cue in cues)


def test_what_was_set_aside_before_the_power_went_is_told_by_the_next_start(tmp_path: Path) -> None:
    """And a name that is taken is never taken again, not even in the same second."""
    path, cues = tmp_path / "records.db", list[Cue]()
    names = set()
    for number in range(20):
        path.write_bytes(bytes(100 + number))
        names.add(aside.set_aside(path))
    assert [each.stat().st_size for each in sorted(names, key=lambda each: each.stat().st_size)] == [*range(100, 120)]
    station_on(tmp_path, cues).close()
    assert len([cue for cue in cues if "damaged" in cue.say]) == 20
    with closing(Journal.read(path)) as journal:
        assert {event.file for _, event in journal.entries() if isinstance(event, RecordsSetAside)} == {
            name.name for name in names
        }
    with closing(Journal.open(path)), pytest.raises(JournalBusy):
        aside.set_aside(path)


def another(path: Path) -> None:
    sqlite3.connect(path).execute("CREATE TABLE recipes (name)").connection.close()


def another_damaged(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE recipes (name)")
        db.executemany("INSERT INTO recipes VALUES (?)", [("x" * 500,)] * 100)
        db.commit()
    spoil("middle page", path)


def newer_schema(path: Path) -> None:
    Journal.open(path).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO _sqlite_migrations VALUES (99, 'batch-recorder', 'm999_holograms', '2030-01-01')")
        db.commit()


def newer_rules(path: Path) -> None:
    with closing(Journal.open(path)) as journal:
        journal.append(STAMP, Started(0, "boot", True, "9", "line-1", (1,), RULES + 1), ())


def newer_kind(path: Path) -> None:
    with closing(Journal.open(path)) as journal:
        entry = linked(1, STAMP, "hologram seen", '{"at_ms":1}', GENESIS)
        with journal._db.atomic():
            journal._db.execute(f"INSERT INTO journal VALUES ({', '.join('?' * 10)})", as_row(entry))


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        (another, "another program's"),
        (another_damaged, "or name another"),
        (lambda path: path.write_text("a list of recipes\n" * 500), "or name another"),
        (newer_schema, "newer version"),
        (newer_rules, "newer version"),
        (newer_kind, "no event is of the kind"),
        (lambda path: path.mkdir(), "can't be"),
    ],
)
def test_what_is_not_damaged_or_not_ours_stays_where_it_is(
    make: Callable[[Path], None], complaint: str, tmp_path: Path
) -> None:
    make(tmp_path / "records.db")
    for _ in range(2):
        with pytest.raises(JournalError, match=complaint) as caught:
            station_on(tmp_path, [])
        assert not isinstance(caught.value, JournalDamaged)
    assert not [*tmp_path.glob("*damaged*")]


def test_a_full_or_read_only_disk_sets_nothing_aside(tmp_path: Path) -> None:
    with tiny_disk(tmp_path / "disk") as disk:
        station_on(disk, []).close()
        fill(disk)
        with pytest.raises(JournalError, match="disk is full"):
            station_on(disk, [])
        (disk / "filler").unlink()
        read_only(disk)
        with pytest.raises(JournalError, match="read-only"):
            on_records(load(disk / "station.toml"), lambda cue: None, lambda reason: None)
        read_only(disk, False)
        assert not [*disk.glob("*damaged*")]
        station_on(disk, []).close()
        assert examine(disk / "records.db").faults == ()


def test_copies_of_records_that_were_set_aside_are_not_rotated_away(tmp_path: Path) -> None:
    path, folder = tmp_path / "records.db", tmp_path / "copies"
    for generation in range(2):
        station_on(tmp_path, []).close()
        for night in range(3):
            copy = keep(path, folder, 2, examine)
            copy.file.rename(copy.file.with_name(f"records-2026010{1 + 3 * generation + night}T030000Z.db"))
        if not generation:
            spoil("cut", path)
    assert [file.name[8:16] for file in sorted(folder.iterdir())] == ["20260102", "20260103", "20260105", "20260106"]


def test_space_is_watched_ahead_of_time(tmp_path: Path) -> None:
    """Once a minute, with the alert ended when there is space again; the look itself is free of records."""
    with tiny_disk(tmp_path / "disk", "40m") as disk:
        (disk / "station.toml").write_text('station = "line-1"\nleast_free_mb = 20\n')
        clock, cues = ManualClock(0), list[Cue]()
        settings = load(disk / "station.toml")
        with closing(open_journal(settings)) as journal:
            app = App(settings, journal, clock, cues.append)
            app.open()
            app.turn(0)
            seen: list[tuple[str, str | None]] = []
            for leave_mb in (30, 15, 12, 22, 30):  # back only when a fifth more is free than the least
                (disk / "filler").unlink(missing_ok=True)
                fill(disk, leave_mb * 1_000_000)
                clock.advance(LOOK_MS - 1)
                assert not app.turn(0) and len(cues) == 1 + bool(seen[1:])
                clock.advance(1)
                app.turn(0)
                (row,) = journal.table("alerts", "kind = 'disk nearly full'") or [{"text": "", "ended_by": ""}]
                seen.append((row["text"][:52], row["ended_by"]))
            full = "The recorder's disk is nearly full: 14 MB free, shou"
            assert seen == [("", ""), (full, None), (full, None), (full, None), (full, "space is back")]
            assert [cue.say for cue in cues] == ["Recorder started.", "The disk is nearly full. Tell the manager."]
            app.close()
        result = CliRunner().invoke(
            command_line, ["check", "--config", str(disk / "station.toml")], env={"COLUMNS": "200"}
        )
        assert "MB free, told under 20" in result.output and "lamp" not in result.output
        fill(disk, 15_000_000)
        result = CliRunner().invoke(
            command_line, ["check", "--config", str(disk / "station.toml")], env={"COLUMNS": "200"}
        )
        assert result.exit_code == 1 and "should be 20; make room" in result.output.replace("\n", " ")


def test_a_full_disk_is_survived_by_the_reserve(tmp_path: Path) -> None:
    """Filled within a minute, so that no look could come before: the next start gives it up and records on."""
    with tiny_disk(tmp_path / "disk", "40m") as disk:
        (disk / "station.toml").write_text('station = "line-1"\n')
        settings = load(disk / "station.toml")
        reserve = Reserve(settings.database)
        reserve.tend()
        assert reserve.file.stat().st_blocks * 512 == RESERVE
        app = station_on(disk, [])
        fill(disk)
        with pytest.raises(JournalError, match="the disk is full"):
            write_on(app.journal)
        app.journal.close()
        with pytest.raises(JournalError, match="the disk is full"):
            station_on(disk, [])
        reserve.tend()
        cues = list[Cue]()
        app = station_on(disk, cues)
        app.turn(0)
        assert "The disk is nearly full. Tell the manager." in [cue.say for cue in cues]
        for number in range(1_000):
            app.loop.handle(Reading(app.clock.now_ms(), "vat1", 160.0 + number % 7))
        app.close()
        assert not reserve.file.exists() and examine(settings.database).faults == ()
        (disk / "filler").unlink()
        reserve.tend()
        assert reserve.file.exists()


def test_old_copies_go_before_the_disk_is_full(tmp_path: Path) -> None:
    with tiny_disk(tmp_path / "disk", "64m") as disk:
        station_on(disk, []).close()
        path, copies = disk / "records.db", disk / "copies"
        sound = keep(path, copies, 7, examine)
        for night in range(1, 4):
            (copies / f"records-2026010{night}T030000Z.db").write_bytes(bytes(4_000_000))
        fill(disk, MARGIN + 1_000_000 - 5_000_000)
        copy = keep(path, copies, 7, examine)
        assert [file.name[8:16] for file in copy.dropped] == ["20260101", "20260102"]
        before = {*copies.iterdir()}
        fill(disk, MARGIN - 20_000_000)
        with pytest.raises(JournalError, match="the disk is full"):
            keep(path, copies, 7, examine)
        assert {*copies.iterdir()} == before and sound.file in before


@contextmanager
def shift(folder: Path, shim: Shim, every_s: float = 0.02) -> Iterator["subprocess.Popen[str]"]:
    (folder / "station.toml").write_text('station = "line-1"\n')
    command = [sys.executable, "-m", "tests.disk_shift", str(folder / "station.toml"), str(every_s)]
    environment = {**shim.environment, "NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "2000000"}
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True, env=environment) as child:
        try:
            yield child
        finally:
            child.kill()


def lines(output: str) -> list[tuple[float, str, str]]:
    """Time, word and the rest of what the shift printed."""
    split = [line.split(" ", 2) for line in output.splitlines()]
    return [(float(at_s), word, rest[0] if rest else "") for at_s, word, *rest in split]


def test_a_disk_that_fails_ends_it_aloud_and_what_was_cued_is_there(tmp_path: Path) -> None:
    fail(tmp_path, "sync", 20)


def fail(folder: Path, fault: str, after: int) -> None:
    """EIO from pwrite64 ("write") or fdatasync ("sync") in mid-shift, after so many lines."""
    shim = Shim(folder)
    shim.does("")
    with notified(folder), shift(folder, shim) as child:
        first = [child.stdout.readline() for _ in range(after)]  # type: ignore[union-attr]
        shim.does(fault)
        output, complaints = child.communicate(timeout=20)
    told = lines("".join(first) + output)
    assert child.returncode == 1 and "JournalError" in complaints, complaints
    (cry,) = [rest for _, word, rest in told if word == "cry"]
    assert "the disk fails; copy the records off it and replace it" in cry
    cues = [rest for _, word, rest in told if word == "cue"]
    assert cues and [word for _, word, _ in told].index("cry") > max(
        place for place, (_, word, _) in enumerate(told) if word == "cue"
    )
    shim.does("")
    assert examine(folder / "records.db").faults == ()
    with closing(Journal.read(folder / "records.db")) as journal:
        heard = [event for _, event in journal.entries() if isinstance(event, Heard)]
    assert len(heard) >= sum("Recorder started" not in cue for cue in cues)


def test_a_disk_that_cannot_be_read_is_no_damage(shift_records: bytes, tmp_path: Path) -> None:
    """EIO from pread64 past the first two pages, which SQLite's own check tells as it tells damage."""
    (tmp_path / "records.db").write_bytes(shift_records)
    (tmp_path / "station.toml").write_text('station = "line-1"\n')
    shim = Shim(tmp_path)
    shim.does("read")
    command = [sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
    run = subprocess.run(command, capture_output=True, text=True, timeout=30, env=shim.environment)
    assert run.returncode == 3 and "the disk fails; copy the records off it" in run.stderr, run.stderr
    assert not [*tmp_path.glob("*damaged*")] and (tmp_path / "records.db").read_bytes() == shift_records


def test_a_disk_that_takes_seconds_makes_cues_late_and_loses_nothing(tmp_path: Path) -> None:
    crawl(tmp_path, 0.4, 1.4)


def crawl(folder: Path, sync_s: float, lasts_s: float) -> tuple[float, float]:
    """Each sync takes so long for a while, and words come every 0.02 s. How late cues were, how seldom it was fed."""
    shim = Shim(folder)
    shim.does("")
    with notified(folder) as systemd, shift(folder, shim) as child:
        fed_s: list[float] = []
        first = [child.stdout.readline() for _ in range(6)]  # type: ignore[union-attr]
        shim.does(f"{sync_s}")
        slow_s = time.monotonic()
        systemd.settimeout(0.1)
        while time.monotonic() < slow_s + lasts_s:
            with suppress(TimeoutError):
                if systemd.recv(100) == b"WATCHDOG=1":
                    fed_s.append(time.monotonic())
        shim.does("")
        end_s = time.monotonic()
        time.sleep(0.1)
        output, complaints = child.communicate("", timeout=60)
    told = lines("".join(first) + output)
    assert child.returncode == 0, complaints
    given = [(at_s, rest) for at_s, word, rest in told if word == "given"]
    cues = [(at_s, rest) for at_s, word, rest in told if word == "cue" and "Recorder started" not in rest]
    with closing(Journal.read(folder / "records.db")) as journal:
        heard = [event.text for _, event in journal.entries() if isinstance(event, Heard)]
    assert heard == [number for _, number in given] and len(cues) == len(heard) > 50, "all in order, none lost"
    assert all(cue_s >= given_s for (given_s, _), (cue_s, _) in zip(given, cues, strict=True))
    late_s = max(cue_s - given_s for (given_s, _), (cue_s, _) in zip(given, cues, strict=True))
    slow = [second - first for (first, _), (second, _) in pairwise(cues) if slow_s + sync_s < first < end_s - sync_s]
    fed = [second - first for first, second in pairwise([slow_s, *fed_s, end_s])]
    assert slow and min(slow) > 0.9 * sync_s, "no cue before its commit"
    assert max(fed) < 1.5 + sync_s, "half of what its watchdog allows, and one commit"
    assert examine(folder / "records.db").faults == ()
    return late_s, max(fed)


def test_a_lamp_that_cannot_be_lit_is_found_by_check(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "line-1"\nlamp = "led"\n')
    for made in (False, True):
        if made:
            (tmp_path / "led").mkdir()
            (tmp_path / "led" / "trigger").touch()
            (tmp_path / "led" / "brightness").touch()
        result = CliRunner().invoke(command_line, ["check", "--config", str(tmp_path / "station.toml")])
        assert (result.exit_code == 0) == made and "lamp" in result.output


def spoilt_at_random(records: bytes, chance: random.Random, folder: Path) -> str:
    """Start on `records` with a page, a bit or the end gone somewhere; what became of it: never a silent loss."""
    path, data, cues = folder / "records.db", bytearray(records), list[Cue]()
    at = chance.randrange(len(data))
    match chance.choice(("zeros", "noise", "bit", "cut")):
        case "zeros":
            data[at & ~4095 : (at & ~4095) + 4096] = bytes(4096)
        case "noise":
            data[at & ~4095 : (at & ~4095) + 4096] = chance.randbytes(4096)
        case "bit":
            data[at] ^= 1 << chance.randrange(8)
        case "cut":
            del data[at:]
    path.write_bytes(data)
    try:
        station_on(folder, cues).close()
    except JournalError as error:
        assert "or name another" in str(error) and len(data) < 8192 and path.read_bytes() == data
        return "refused, since two pages do not tell whose it was"
    aside = [*folder.glob("records.db.damaged-*Z")]
    said = any("The records were damaged" in cue.say for cue in cues)
    assert said == bool(aside), "told, and only then"
    if aside:
        assert aside[0].read_bytes() == data and examine(path).faults == ()
        return "set aside"
    return "found by verify" if examine(path).faults else "in no record"


@pytest.mark.parametrize("seed", range(8))
def test_damage_anywhere_is_never_silent(seed: int, shift_records: bytes, tmp_path: Path) -> None:
    spoilt_at_random(shift_records, random.Random(seed), tmp_path)
