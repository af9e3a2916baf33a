"""Damaged records: quarantined under a name that says when, never overwritten and never deleted. Judges no damage."""

import glob
import os
import re
import time
from pathlib import Path

from recorder.core.events import RecordsSetAside
from recorder.journal.errors import JournalError
from recorder.journal.file_integrity import locked, read_whole
from recorder.journal.reader import Reader
from recorder.journal.sqlite_errors import remedy

PARTS = ("", "-wal", "-shm")
"""The database and what SQLite keeps beside it, which belong together by their names."""


def isolate(path: Path) -> Path:
    """Give the database at `path` and what belongs to it another name, which is returned.

    Not where it can't be read whole: then the disk fails, and the file may be sound. The name does not end as a
    database's, so that no rotation of copies takes it for one. Raises `JournalBusy` and `JournalError`.
    """
    with locked(path):
        read_whole(path)
        moment = f"{path.name}.damaged-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}"
        number, name = 1, moment
        while any(path.with_name(name + part).exists() for part in PARTS):
            number, name = number + 1, f"{moment}.{number + 1}"
        try:
            for part in PARTS:  # what a power cut leaves of this, the next start sets aside
                if (old := path.with_name(path.name + part)).exists():
                    old.rename(path.with_name(name + part))
            place = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(place)
            finally:
                os.close(place)
        except OSError as error:
            raise JournalError(f"{path} is damaged and can't be set aside: {error}{remedy(error)}") from error
    return path.with_name(name)


def unreported(journal: Reader, path: Path) -> list[str]:
    """The names of what was set aside beside the database at `path`, of which its journal does not know yet.

    Raises `JournalError`.
    """
    made = re.compile(rf"({re.escape(path.name)}\.damaged-\d{{8}}T\d{{6}}Z(\.\d+)?)({'|'.join(PARTS)})")
    found = (made.fullmatch(file.name) for file in path.parent.glob(f"{glob.escape(path.name)}.damaged-*"))
    names = {match[1] for match in found if match}  # and not what a person made of it, such as a compressed one
    if not names:
        return []
    reported = journal.all_of("records set aside")
    return sorted(names - {event.file for event in reported if isinstance(event, RecordsSetAside)})
