"""SQLite goes on in files that are no more what they were: the recorder does not, and says which and what to do."""

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from recorder.clock import ManualClock
from recorder.core.effects import Cue
from recorder.core.events import Tick
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from recorder.journal.reader import Reader
from recorder.loop import Loop
from recorder.verification.examine import examine
from tests.appended import append, silent
from tests.disks import tiny_disk
from tests.kitchen import Kitchen

NAME = "r.db"


def replaced(file: Path) -> None:
    copy = file.with_name("copy")
    shutil.copy(file, copy)
    copy.replace(file)


def link_swapped(folder: Path) -> None:
    (folder / "other.db").write_bytes(b"")
    (folder / "r.db").unlink()
    (folder / "r.db").symlink_to("other.db")


def moved(folder: Path) -> None:
    folder.rename(folder.with_name("elsewhere"))
    folder.mkdir()


def cut(file: Path, size: int = 0) -> None:
    os.truncate(file, size)


def cut_and_filled(file: Path) -> None:
    size = file.stat().st_size
    os.truncate(file, 0)
    os.truncate(file, size)


CASES: dict[str, tuple[Callable[[Path], object], str]] = {
    "the log is deleted": (lambda folder: (folder / "r.db-wal").unlink(), "r.db-wal was moved or deleted"),
    "the log is moved": (lambda folder: (folder / "r.db-wal").rename(folder / "x"), "r.db-wal was moved or deleted"),
    "the log is replaced": (lambda folder: replaced(folder / "r.db-wal"), "r.db-wal was moved or deleted"),
    "the log is cut": (lambda folder: cut(folder / "r.db-wal"), "r.db-wal was cut"),
    "the log is cut and filled": (lambda folder: cut_and_filled(folder / "r.db-wal"), "r.db-wal was cut"),
    "the shared memory is deleted": (lambda folder: (folder / "r.db-shm").unlink(), "r.db-shm was moved or deleted"),
    "the shared memory is replaced": (lambda folder: replaced(folder / "r.db-shm"), "r.db-shm was moved or deleted"),
    "the lock is deleted": (lambda folder: (folder / "r.db.lock").unlink(), "r.db.lock was moved or deleted"),
    "the database is replaced": (lambda folder: replaced(folder / "r.db"), "r.db was moved or deleted"),
    "the database is cut": (lambda folder: cut(folder / "r.db", 4096), "r.db was cut"),
    "its folder is renamed": (moved, "r.db was moved or deleted"),
    "a link in its place": (link_swapped, "r.db was moved or deleted"),
}


@pytest.mark.parametrize("case", CASES)
def test_no_cue_is_given_and_the_file_is_named(case: str, tmp_path: Path) -> None:
    """Sizes and names by stat(2); what SQLite keeps in them by sqlite.org/wal.html."""
    folder = tmp_path / "records"
    do, named = CASES[case]
    journal, cues = Journal.open(folder / NAME), list[Cue]()
    loop = Loop(journal, ManualClock(0), cues.append, silent)
    for event in Kitchen().events:
        loop.handle(event)
    before = len(cues)
    if "database is cut" in case:
        journal.truncate_log()
    do(folder)
    with pytest.raises(JournalError, match=rf"{named}.*stop the recorder before|{named}.*see batch-recorder verify"):
        loop.handle(Kitchen().events[0])
    assert len(cues) == before
    with pytest.raises(JournalError, match="takes no more"):
        loop.handle(Kitchen().events[0])
    journal.close()


CRIES = """
import os, sys
from pathlib import Path
from recorder.clock import Stamp
from recorder.core.events import Tick
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
path, what = Path(sys.argv[1]), sys.argv[2]
journal = Journal.open(path)
for at in range(24):
    journal.commit(journal.seal(Stamp(at, "b", at, at, True), Tick(at)))
log = path.with_name(path.name + "-wal")
if what == "deleted":
    log.unlink()
elif what == "replaced":
    log.rename(log.with_name("old")); log.write_bytes(b"")
elif what == "shared memory":
    path.with_name(path.name + "-shm").unlink()
try:
    journal.commit(journal.seal(Stamp(24, "b", 24, 24, True), Tick(24)))
except JournalError as error:
    print(error, flush=True)
    os._exit(3)  # as a crash: nothing is closed
"""


@pytest.mark.parametrize("what", ["deleted", "replaced", "shared memory"])
def test_what_was_cued_before_is_saved_even_where_the_program_ends_at_once(what: str, tmp_path: Path) -> None:
    path = tmp_path / NAME
    run = subprocess.run([sys.executable, "-c", CRIES, str(path), what], capture_output=True, text=True, timeout=60)
    assert run.returncode == 3 and "stop the recorder before" in run.stdout, run.stderr
    (tmp_path / "r.db-wal").unlink() if what == "replaced" else None
    with Journal.open(path) as journal:
        assert [event for _, event in journal.entries()] == [Tick(at) for at in range(24)]


def test_a_cut_log_is_never_written_into_the_database(tmp_path: Path) -> None:
    """SQLite's checkpoint at closing checks no sum of what it moves: zeros would become pages of the database."""
    path = tmp_path / NAME
    journal = Journal.open(path)
    for at in range(5):
        append(journal, ManualClock(at).stamp(), Tick(at))
    journal.truncate_log()
    for at in range(5, 10):
        append(journal, ManualClock(at).stamp(), Tick(at))
    whole = path.read_bytes()
    cut_and_filled(tmp_path / "r.db-wal")
    with pytest.raises(JournalError, match="was cut"):
        append(journal, ManualClock(10).stamp(), Tick(10))
    journal.close()
    assert path.read_bytes() == whole


def test_another_programs_trigger_never_runs_under_the_recorder(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / NAME)
    append(journal, ManualClock(0).stamp(), Tick(0))
    with closing(sqlite3.connect(tmp_path / NAME)) as other:
        other.execute("CREATE TRIGGER spy AFTER INSERT ON journal BEGIN DELETE FROM commands; END")
        other.commit()
    with pytest.raises(JournalError, match="somebody changed how the database is made"):
        append(journal, ManualClock(1).stamp(), Tick(1))
    journal.close()
    assert [(fault.table, fault.what.partition(":")[0]) for fault in examine(tmp_path / NAME).faults] == [
        ("trigger spy", "no version of the recorder makes it")
    ]


def test_work_and_upkeep_raise_no_alarm(tmp_path: Path) -> None:
    """Nor do readers, copies, a log that begins anew, or a link to the database."""
    (tmp_path / "disk").mkdir()
    (tmp_path / NAME).symlink_to("disk/r.db")
    journal = Journal.open(tmp_path / NAME)
    for at in range(1_500):
        append(journal, ManualClock(at).stamp(), Tick(at))
        if at % 400 == 0:
            with Reader.open(tmp_path / NAME) as reader, closing(sqlite3.connect(":memory:")) as copy:
                assert reader.newest() == journal.newest()
                reader.copy_to(copy)
        if at % 700 == 0:
            journal.truncate_log()
        journal.outbox.mark_sent([], at)
    journal.close()
    with Reader.open(tmp_path / NAME) as reader:
        assert len(list(reader.entries())) == 1_500


def test_a_mount_over_the_folder_is_seen(tmp_path: Path) -> None:
    """As when a disk is mounted late."""
    folder = tmp_path / "records"
    with Journal.open(folder / NAME) as journal:
        append(journal, ManualClock(0).stamp(), Tick(0))
        with tiny_disk(folder), pytest.raises(JournalError, match=r"r\.db was moved or deleted"):
            append(journal, ManualClock(1).stamp(), Tick(1))
    with Journal.open(folder / NAME) as journal:
        assert [event for _, event in journal.entries()] == [Tick(0)]
