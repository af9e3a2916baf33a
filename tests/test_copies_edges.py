"""Copies and files set aside, at their edges: no room, what was left over, names that are taken."""

import os
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest

from recorder.journal import quarantine, upkeep
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from recorder.journal.reader import Reader
from recorder.journal.verify import Finding
from recorder.verification.examine import examine
from tests.kitchen import Kitchen, kept

GB = 10**9
"""Old copies are sparse files: so large by their length, and nothing on the disk."""


@pytest.fixture
def database(tmp_path: Path) -> Path:
    kitchen = Kitchen()
    kitchen.open_shift()
    kept(kitchen, tmp_path / "records.db").close()
    return tmp_path / "records.db"


def old_copies(folder: Path, count: int) -> list[str]:
    folder.mkdir()
    names = [f"records-2026010{night}T033000Z.db" for night in range(1, count + 1)]
    for name in names:
        with (folder / name).open("wb") as file:
            file.truncate(10 * GB)
    return names


def lacking(folder: Path, gigabytes: int) -> int:
    """A margin by which so much more is needed than is free."""
    disk = os.statvfs(folder)
    return disk.f_bavail * disk.f_frsize + gigabytes * GB


@pytest.mark.parametrize(("lacks_gb", "gone"), [(-1, 0), (5, 1), (15, 2), (25, 3)])
def test_as_many_old_copies_go_as_make_room_and_the_newest_stays(
    database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lacks_gb: int, gone: int
) -> None:
    folder = tmp_path / "copies"
    names = old_copies(folder, 4)
    monkeypatch.setattr(upkeep, "MARGIN", lacking(folder, lacks_gb))
    copy = upkeep.keep(database, folder, 9, examine)
    assert [file.name for file in copy.dropped] == names[:gone]
    assert {file.name for file in folder.iterdir()} == {*names[gone:], copy.file.name}


def test_where_all_old_copies_make_no_room_none_goes(
    database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "copies"
    names = old_copies(folder, 3)
    monkeypatch.setattr(upkeep, "MARGIN", lacking(folder, 25))
    with pytest.raises(JournalError, match=r"a copy needs \d+ MB, and \d+ MB can be had.*make room on it"):
        upkeep.keep(database, folder, 9, examine)
    assert sorted(file.name for file in folder.iterdir()) == names, "the newest is not counted on"


def test_a_copy_leaves_32_megabytes_to_the_byte(
    database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Free is what a user may take, in blocks of f_frsize bytes: statvfs(3)."""
    size = sum(each.stat().st_size for each in tmp_path.glob("records.db*") if not each.name.endswith(("-shm", "lock")))
    disk = SimpleNamespace(f_bavail=size + 32_000_000 - 1, f_frsize=1, f_bfree=10 * GB, f_bsize=4096)
    monkeypatch.setattr(os, "statvfs", lambda folder: disk)
    with pytest.raises(JournalError, match=r"a copy needs 32 MB, and 32 MB can be had"):
        upkeep.keep(database, tmp_path / "copies", 3, examine)
    disk.f_bavail += 1
    assert upkeep.keep(database, tmp_path / "copies", 3, examine).file.exists()


def test_a_copy_that_failed_before_goes_and_another_s_stays(database: Path, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()
    (folder / "records-20260101T033000Z.db.part").touch()
    (folder / "other-20260101T033000Z.db.part").touch()
    copy = upkeep.keep(database, folder, 3, examine)
    assert {file.name for file in folder.iterdir()} == {copy.file.name, "other-20260101T033000Z.db.part"}
    assert copy.file.suffix == ".db" and copy.dropped == ()


def test_a_copy_says_how_far_it_reaches(database: Path, tmp_path: Path) -> None:
    copy = upkeep.keep(database, tmp_path / "some" / "copies", 3, examine)
    journal = Reader.open(database)
    newest = journal.newest()
    journal.close()
    assert newest and (copy.entries, copy.head) == (newest.seq, newest.hash)


def test_a_file_of_zeros_in_the_middle_is_called_damaged(database: Path, tmp_path: Path) -> None:
    data = bytearray(database.read_bytes())
    data[8 * 4096 : 9 * 4096] = bytes(4096)
    database.write_bytes(data)
    with pytest.raises(JournalError, match=r"is damaged \([^)]+ in database main"):
        upkeep.keep(database, tmp_path / "copies", 3, examine)
    assert not (tmp_path / "copies").exists()


def test_names_of_one_second_are_numbered_and_all_parts_go_together(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    moved: dict[str, list[str]] = {}
    for _ in range(12):
        for part in ("", "-wal", "-shm"):
            path.with_name(path.name + part).write_text(part)
        name = quarantine.isolate(path).name
        for part in ("", "-wal", "-shm"):
            assert path.with_name(name + part).read_text() == part and not path.with_name(path.name + part).exists()
        moment, _, number = name.removeprefix("records.db.damaged-").partition(".")
        moved.setdefault(moment, []).append(number)
    for numbers in moved.values():
        assert numbers == ["", *map(str, range(2, len(numbers) + 1))]


def test_a_name_of_which_any_part_is_taken_is_not_given(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    for _ in range(6):
        path.touch()
        base = quarantine.isolate(path)
        base.rename(base.with_name(base.name + "-shm"))
    assert len([*tmp_path.glob("records.db.damaged-*-shm")]) == 6


def _says(found: Finding, path: Path) -> Finding:
    return found


def test_a_copy_that_is_not_as_the_records_are_is_not_kept(database: Path, tmp_path: Path) -> None:
    """Whatever made it so: another head, or another number of entries."""
    folder = tmp_path / "copies"
    found = examine(database)
    for wrong in (replace(found, head="f" * 64), replace(found, entries=1)):
        with pytest.raises(JournalError, match=r"ends at entry \d+, the records at \d+; verify both"):
            upkeep.keep(database, folder, 3, partial(_says, wrong))
        (left,) = folder.iterdir()
        assert left.name.endswith(".db.part")


def test_records_without_an_entry_are_copied_too(tmp_path: Path) -> None:
    Journal.open(tmp_path / "r.db").close()
    copy = upkeep.keep(tmp_path / "r.db", tmp_path / "copies", 3, examine)
    assert (copy.entries, copy.dropped) == (0, ()) and copy.file.exists()
