"""The nightly copy: kept only when it can be used in the records' place, and loud when it can't be made."""

import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.app import UPKEEP_MS, App
from recorder.clock import ManualClock
from recorder.core import meanings as m
from recorder.core.events import Heard, Intent, Tick
from recorder.journal import upkeep
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from recorder.verification.examine import examine
from tests.appended import append
from tests.kitchen import Kitchen, kept, settings_for


@pytest.fixture
def writing(tmp_path: Path) -> Journal:
    """A journal that a recorder has open."""
    kitchen = Kitchen()
    kitchen.open_shift()
    return kept(kitchen, tmp_path / "records.db")


def test_a_copy_is_made_beside_a_recorder_that_writes_and_can_take_its_place(writing: Journal, tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["upkeep", str(tmp_path / "records.db"), "--folder", str(tmp_path / "copies")])
    newest = writing.newest()
    assert newest and result.exit_code == 0, result.output
    (copy,) = (tmp_path / "copies").iterdir()
    assert f"{newest.seq} entries, verified; 0 older copies deleted" in result.output and newest.hash in result.output
    append(writing, newest.stamp, Tick(newest.stamp.at_ms))
    again = Journal.open(copy)
    assert again.newest() == newest
    append(again, newest.stamp, Tick(newest.stamp.at_ms))
    assert [row["id"] for row in again.table("checks")] == [row["id"] for row in writing.table("checks")]
    again.close()
    writing.close()


def test_only_the_newest_copies_are_kept(writing: Journal, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()
    for night in range(1, 5):
        (folder / f"records-2026010{night}T033000Z.db").touch()
    (folder / "other-20260101T033000Z.db").touch()
    copy = upkeep.keep(tmp_path / "records.db", folder, 3, examine)
    assert [file.name[8:16] for file in copy.dropped] == ["20260101", "20260102"]
    assert len(list(folder.glob("records-*.db"))) == 3 and (folder / "other-20260101T033000Z.db").exists()
    writing.close()


@pytest.mark.parametrize("name", ["records.db", "records [1].db"])
def test_the_newest_copies_are_those_that_reach_furthest_whatever_the_clock_named_them(
    name: str, tmp_path: Path
) -> None:
    """As on a board without a clock battery that has not heard the time: 1970 sorts before all other nights."""
    kitchen = Kitchen()
    kitchen.open_shift()
    journal = kept(kitchen, tmp_path / name)
    newest = journal.newest()
    assert newest
    nights, folder = [f"2026010{night}T033000Z" for night in range(1, 4)], tmp_path / "copies"
    for night, at in enumerate([*nights, "19700101T000200Z"]):
        append(journal, newest.stamp, Tick(newest.stamp.at_ms + night))
        copy = upkeep.keep(tmp_path / name, folder, 3, examine)
        copy.file.rename(folder / f"{copy.file.name[: -len('20260101T033000Z.db')]}{at}.db")
    append(journal, newest.stamp, Tick(newest.stamp.at_ms + 9))
    last = upkeep.keep(tmp_path / name, folder, 2, examine)
    assert [file.name[-19:-3] for file in copy.dropped] == nights[:1]
    assert [file.name[-19:-3] for file in last.dropped] == nights[1:] and last.file.exists()
    assert {*folder.iterdir()} == {last.file, *folder.glob("*-19700101T000200Z.db")}
    journal.close()


@pytest.mark.parametrize("where", range(2, 24, 3))
def test_a_damaged_file_is_told_and_the_old_copies_stay(writing: Journal, tmp_path: Path, where: int) -> None:
    """A page of zeros at another place each time; 8 places."""
    writing.truncate_log()
    writing.close()
    path, folder = tmp_path / "records.db", tmp_path / "copies"
    folder.mkdir()
    (folder / "records-20260101T033000Z.db").touch()
    with path.open("r+b") as file:
        file.seek(where * 4096)
        assert any(file.read(4096)), "the page is in use"
        file.seek(where * 4096)
        file.write(bytes(4096))
    result = CliRunner().invoke(app, ["upkeep", str(path), "--folder", str(folder), "--keep", "1"])
    assert result.exit_code == 1 and "error: no copy was kept tonight: " in result.output
    assert [file.name for file in folder.iterdir() if file.suffix == ".db"] == ["records-20260101T033000Z.db"]


def test_a_changed_row_is_told(writing: Journal, tmp_path: Path) -> None:
    writing.close()
    connection = sqlite3.connect(tmp_path / "records.db")
    connection.execute("UPDATE checks SET temp_c = 90 WHERE id = (SELECT min(id) FROM checks)")
    connection.commit()
    connection.close()
    with pytest.raises(JournalError, match="is not clean: checks, row"):
        upkeep.keep(tmp_path / "records.db", tmp_path / "copies", 3, examine)


def test_a_folder_that_cannot_be_written_is_told(writing: Journal, tmp_path: Path) -> None:
    (tmp_path / "copies").touch()
    with pytest.raises(JournalError, match="can't be copied"):
        upkeep.keep(tmp_path / "records.db", tmp_path / "copies", 3, examine)
    writing.close()


def test_the_write_ahead_log_is_emptied(writing: Journal, tmp_path: Path) -> None:
    log = tmp_path / "records.db-wal"
    assert log.stat().st_size > 0
    writing.truncate_log()
    assert log.stat().st_size == 0
    writing.close()


def test_the_recorder_empties_it_once_a_day_when_nothing_is_open(tmp_path: Path) -> None:
    log = tmp_path / "records.db-wal"
    clock, journal = ManualClock(0), Journal.open(tmp_path / "records.db")
    recorder = App(settings_for(tmp_path / "records.db"), journal, clock, lambda cue: None)
    recorder.open()
    for meaning in (m.SHIFT_START, m.BATCH_START):
        recorder.loop.handle(Heard(clock.now_ms(), meaning, Intent(meaning, cook=4, vat=1), "test", "open"))
    clock.advance(UPKEEP_MS)
    while recorder.turn(0):
        pass
    assert log.stat().st_size > 0, "a batch is open"
    for meaning in (m.DISCARD, m.CONFIRM):
        recorder.loop.handle(Heard(clock.now_ms(), meaning, Intent(meaning), "test", "open"))
    recorder.turn(0)
    assert log.stat().st_size == 0
    recorder.loop.handle(Tick(clock.now_ms()))
    recorder.turn(0)
    assert log.stat().st_size > 0, "not twice a day"
    journal.close()
