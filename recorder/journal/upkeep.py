"""Nightly care of a database of records: is it sound, and is there a copy that can be used in its place?

Reads only, so that a recorder may write meanwhile: the one connection that writes stays the recorder's own.
"""

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from recorder.journal.journal import DAMAGE, Journal, JournalError
from recorder.journal.verify import Finding

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

    Raises `JournalError` and deletes nothing where the records are damaged, the copy can't be made, or it is not as
    the records were when it was begun. A copy that failed stays until the next try, with `.part` behind its name.
    """
    part = folder / f"{database.stem}-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}.db.part"
    with closing(Journal.read(database)) as journal:
        if (found := next(journal.rows("PRAGMA quick_check(1)"))[0]) != "ok":
            raise JournalError(f"{database} is damaged ({found}); keep the copies, set it aside, start with a new file")
        newest = journal.newest()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for failed in folder.glob(f"{database.stem}-*.db.part"):
                failed.unlink()
            with closing(sqlite3.connect(part)) as copy:
                journal.copy_to(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
            _synced(part)
        except (OSError, *DAMAGE) as error:
            raise JournalError(
                f"{database} can't be copied to {part}: {error}; look at its rights and free space"
            ) from error
    finding = examine(part)
    if finding.faults:
        fault = finding.faults[0]
        raise JournalError(f"{part} is not clean: {fault.table}, row {fault.row}: {fault.what}; verify the records")
    if newest and (finding.entries, finding.head) != (newest.seq, newest.hash):
        raise JournalError(f"{part} ends at entry {finding.entries}, the records at {newest.seq}; verify both")
    file = part.with_suffix("")
    part.rename(file)
    _synced(folder)
    copies = sorted(folder.glob(f"{database.stem}-*T*Z.db"))
    dropped = tuple(copies[:-most])
    for each in dropped:
        each.unlink()
    return Copy(file, finding.entries, finding.head, dropped)


def _synced(path: Path) -> None:
    """What was written to this file or folder is on the disk."""
    place = os.open(path, os.O_RDONLY)
    try:
        os.fsync(place)
    finally:
        os.close(place)
