"""Nightly care of a database of records: is it sound, and is there a copy that can be used in its place?

Reads only, so that a recorder may write meanwhile: the one connection that writes stays the recorder's own.
"""

import errno
import glob
import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from recorder import private
from recorder.errors import why
from recorder.journal.chain import Entry
from recorder.journal.errors import JournalError
from recorder.journal.reader import Reader
from recorder.journal.sqlite_errors import DAMAGE, remedy
from recorder.journal.verify import Finding

MARGIN = 32_000_000
"""Bytes that a copy leaves free: the recorder may write to the same disk."""

Examine = Callable[[Path], Finding]
"""Verifies a database."""


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy that was tried."""

    file: Path
    entries: int
    head: str
    """Hash of its newest entry."""
    dropped: tuple[Path, ...]
    """Older copies that were deleted."""


def keep(database: Path, folder: Path, most: int, examine: Examine) -> Copy:
    """Check `database`, copy it into `folder`, open and verify the copy, and keep the newest `most` copies.

    Where the folder has no room for one more copy, the oldest go first, and the newest stays. Copies of an older
    journal, of records that were set aside since, are not counted and stay.

    Raises `JournalError` where the records are damaged, the copy can't be made, or it is not as the records were when
    it was begun; then nothing is deleted but what had to make room. A copy that failed stays until the next try, with
    `.part` behind its name.
    """
    part = folder / f"{database.stem}-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}.db.part"
    with Reader.open(database) as journal:
        if (found := next(journal.rows("PRAGMA quick_check(1)"))[0]) != "ok":
            raise JournalError(f"{database} is damaged ({found}); keep the copies, set it aside, start with a new file")
        first, newest = journal.first(), journal.newest()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for failed in folder.glob(f"{glob.escape(database.stem)}-*.db.part"):
                failed.unlink()
            made_room = _make_room(database, folder, first)
            private.make(part)
            with closing(sqlite3.connect(part)) as copy:
                journal.copy_to(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
            _synced(part)
        except (OSError, *DAMAGE) as error:
            what = remedy(error) or "; name another folder with --folder"
            raise JournalError(f"{database} can't be copied to {part}: {why(error)}{what}") from error
    finding = examine(part)
    if finding.faults:
        fault = finding.faults[0]
        raise JournalError(f"{part} is not clean: {fault.table}, row {fault.row}: {fault.what}; verify the records")
    if newest and (finding.entries, finding.head) != (newest.seq, newest.hash):
        raise JournalError(f"{part} ends at entry {finding.entries}, the records at {newest.seq}; verify both")
    file = part.with_suffix("")
    try:
        part.rename(file)
        _synced(folder)
        dropped = tuple(_copies(database, folder, first)[:-most])
        for each in dropped:
            each.unlink()
    except OSError as error:
        raise JournalError(f"{folder} can't be kept in order: {error}{remedy(error)}") from error
    return Copy(file, finding.entries, finding.head, (*made_room, *dropped))


def _copies(database: Path, folder: Path, first: Entry | None) -> list[Path]:
    """The copies of this journal, oldest first: by how far they reach, since the clock that named them may be wrong.

    One that can't be read is as if it held nothing. A sound one of another journal is left out: older records were set
    aside since, and it may be all of them.
    """
    found = []
    for each in folder.glob(f"{glob.escape(database.stem)}-*T*Z.db"):
        try:
            with Reader.open(each) as journal:
                ends = journal.first(), journal.newest()
        except JournalError:
            ends = first, None
        if ends[0] == first:
            found.append((ends[1].seq if ends[1] else 0, each))
    return [each for _, each in sorted(found)]


def _make_room(database: Path, folder: Path, first: Entry | None) -> tuple[Path, ...]:
    """Old copies go before the disk is full, since that would end the recording; which ones went.

    The newest stays. Raises `OSError`, and deletes nothing, where it would be no use.
    """
    disk = os.statvfs(folder)
    free = disk.f_bavail * disk.f_frsize
    needed = sum(file.stat().st_size for file in (database, Path(f"{database}-wal")) if file.exists()) + MARGIN
    old: list[Path] = []
    for each in _copies(database, folder, first)[:-1]:
        if free < needed:
            free += each.stat().st_size
            old.append(each)
    if free < needed:
        raise OSError(errno.ENOSPC, f"a copy needs {needed // 1_000_000} MB, and {free // 1_000_000} MB can be had")
    for each in old:
        each.unlink()
    return tuple(old)


def _synced(path: Path) -> None:
    """What was written to this file or folder is on the disk."""
    place = os.open(path, os.O_RDONLY)
    try:
        os.fsync(place)
    finally:
        os.close(place)
