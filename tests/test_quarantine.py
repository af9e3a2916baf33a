"""Damaged records go into quarantine under a name that is reported; what is sound or not ours stays where it is."""

import random
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from recorder import snapshot as state
from recorder.config import load
from recorder.core.effects import Cue
from recorder.core.events import RULES, RecordsSetAside, Started, Tick
from recorder.daemon import on_records
from recorder.journal import quarantine
from recorder.journal.chain import GENESIS, linked
from recorder.journal.errors import JournalBusy, JournalDamaged, JournalError
from recorder.journal.journal import Journal
from recorder.journal.reader import Reader, as_row
from recorder.journal.upkeep import keep
from recorder.verification.examine import examine
from tests.appended import append
from tests.disks import STAMP, Shim, fill, read_only, station_on, tiny_disk
from tests.spoilt import records_in, spoilt_at_random


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
        case "a letter of a column":
            data[data.index(b"settle_seconds REAL")] ^= 1
        case "a letter of a message":
            data[data.index(b'{"specversion"') + 20] |= 0x80  # then it is no UTF-8, which no check of SQLite's sees
        case "a letter of the last start":
            at = data.index(b'started{"at_ms":')
            data[at + 7 : at + 8] = b"["
    path.write_bytes(data)


DAMAGES = [
    "header",
    "first page",
    "middle page",
    "cut",
    "zeros",
    "a letter of an entry",
    "a letter of a message",
    "a letter of the last start",
    "a letter of a column",
]


@pytest.fixture(scope="module")
def shift_records(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A closed database of a shift."""
    return records_in(tmp_path_factory.mktemp("shift"))


@pytest.mark.parametrize("what", DAMAGES)
def test_damaged_records_are_set_aside_told_and_begun_anew(what: str, shift_records: bytes, tmp_path: Path) -> None:
    path, cues = tmp_path / "records.db", list[Cue]()
    path.write_bytes(shift_records)
    spoil(what, path)
    damaged = path.read_bytes()
    station_on(tmp_path, cues).close()
    (file,) = tmp_path.glob("records.db.damaged-*Z")
    assert file.read_bytes() == damaged
    with Reader.open(path) as journal:
        events = [event for _, event in journal.entries()]
        (alert,) = journal.table("alerts", kind="records damaged")
        assert any(file.name in body for (body,) in journal.rows("SELECT body FROM outbox WHERE sent_ms IS NULL"))
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
    append(journal, STAMP, Tick(STAMP.at_ms))
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
        names.add(quarantine.isolate(path))
    assert [each.stat().st_size for each in sorted(names, key=lambda each: each.stat().st_size)] == [*range(100, 120)]
    station_on(tmp_path, cues).close()
    assert len([cue for cue in cues if "damaged" in cue.say]) == 20
    with Reader.open(path) as journal:
        assert {event.file for _, event in journal.entries() if isinstance(event, RecordsSetAside)} == {
            name.name for name in names
        }
    with Journal.open(path), pytest.raises(JournalBusy):
        quarantine.isolate(path)


@pytest.mark.parametrize("name", ["records.db", "records [1]*.db"])
def test_what_was_wrong_is_told_of_the_file_that_it_was_wrong_with(name: str, tmp_path: Path) -> None:
    """An older one is named without; what a person made of one beside it is nobody's damage."""
    path = tmp_path / name
    (tmp_path / "station.toml").write_text(f'station = "line-1"\ndatabase = "{name}"\n')
    path.write_bytes(bytes(100))
    older = quarantine.isolate(path)
    for made in (".gz", ".sql", "-journal"):
        path.with_name(older.name + made).touch()
    path.write_bytes(bytes(200))
    app = on_records(load(tmp_path / "station.toml"), lambda cue: None, lambda reason: None)
    app.open()
    app.close()
    with Reader.open(path) as journal:
        told = [event for _, event in journal.entries() if isinstance(event, RecordsSetAside)]
    assert [each.file for each in told] == [older.name, told[1].file]
    assert [bool(each.reason) for each in told] == [False, True]


def test_damage_to_what_was_told_of_damage_is_set_aside_too(tmp_path: Path) -> None:
    """Where the start does not read that entry again, since the state after it is kept."""
    path = tmp_path / "records.db"
    path.write_bytes(bytes(100))
    app = station_on(tmp_path, [])
    newest = app.journal.newest()
    assert newest
    state.save(state.beside(path), state.Snapshot(app.loop.state, newest.hash))
    app.close()
    data = bytearray(path.read_bytes())
    data[data.index(b'records set aside{"at_ms":') + 17] = ord("[")
    path.write_bytes(data)
    station_on(tmp_path, []).close()
    assert len([*tmp_path.glob("records.db.damaged-*")]) == 2 and examine(path).faults == ()


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
    with Journal.open(path) as journal:
        append(journal, STAMP, Started(0, "boot", True, "9", "line-1", (1,), RULES + 1))


def newer_kind(path: Path) -> None:
    with Journal.open(path) as journal:
        entry = linked(1, STAMP, "hologram seen", '{"at_ms":1}', GENESIS)
        with journal._transactions._db.atomic():
            journal._transactions._db.execute(f"INSERT INTO journal VALUES ({', '.join('?' * 10)})", as_row(entry))


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


def test_of_a_link_the_file_itself_is_set_aside_and_begun_anew(shift_records: bytes, tmp_path: Path) -> None:
    """SQLite keeps its log beside the file, and the space that counts is on that disk."""
    disk, station = tmp_path / "disk", tmp_path / "station"
    for folder in (disk, station):
        folder.mkdir()
    (disk / "records.db").write_bytes(shift_records)
    (station / "records.db").symlink_to("../disk/records.db")
    spoil("header", disk / "records.db")
    station_on(station, []).close()
    assert [file.name for file in disk.glob("*.damaged-*")] and (station / "records.db").is_symlink()
    assert examine(station / "records.db").faults == ()
    assert {*station.iterdir()} == {station / "records.db", station / "station.toml"}


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


@pytest.mark.parametrize("seed", range(8))
def test_damage_anywhere_is_never_silent(seed: int, shift_records: bytes, tmp_path: Path) -> None:
    spoilt_at_random(shift_records, random.Random(seed), tmp_path)
