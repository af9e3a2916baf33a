"""Disks that are full, read-only, failing, slow or damaged: nothing that was cued is lost, and it is never silent."""

import errno
import fcntl
import os
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from recorder.clock import Stamp
from recorder.core.effects import Record
from recorder.core.events import Tick
from recorder.journal.journal import Journal, JournalBusy, JournalError
from recorder.journal.remedies import BY_NAME, BY_NUMBER, remedy
from tests.disks import fill, read_only, tiny_disk

STAMP = Stamp(1_772_100_000_000, "boot", 7, 1_772_100_000_000, True)


def player(folder: Path) -> dict[str, str]:
    """The environment with a loudspeaker of ours first: it notes when it was given sound, and how much."""
    (folder / "aplay").write_text(f'#!/bin/sh\necho "$(date +%s.%N) $(wc -c)" >> {folder}/played\n')
    (folder / "espeak-ng").write_text("#!/bin/sh\nexec cat\n")
    for name in ("aplay", "espeak-ng"):
        (folder / name).chmod(0o755)
    return {**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"}


def test_a_second_recorder_is_told_so_and_says_nothing_aloud(tmp_path: Path) -> None:
    """The first one goes on recording: it would be a lie."""
    first = Journal.open(tmp_path / "records.db")
    (tmp_path / "station.toml").write_text('station = "line-1"\n[speaker]\n')
    command = [sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
    second = subprocess.run(command, capture_output=True, text=True, timeout=30, env=player(tmp_path))
    first.append(STAMP, Tick(1), ())
    first.close()
    assert (second.returncode, "stop it first" in second.stderr) == (4, True), second.stderr
    assert "nothing is recorded" not in second.stderr.lower() and not (tmp_path / "played").exists()


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
