"""Whether the files of an open database are still the ones that are written: SQLite never looks again.

It goes on in a file that lost its name, behind a log that was cut off, and beside a lock that nobody else sees; what
was recorded then is in no file once the program ends. Asked before and after each commit, for some microseconds.
"""

import os
from contextlib import suppress
from pathlib import Path

from recorder.journal.errors import JournalError

HEADER = 32
"""Bytes at the beginning of SQLite's log, other ones in each round of it (sqlite.org/fileformat2.html, 4.1)."""

STOP_FIRST = "stop the recorder before you move or delete what belongs to its records"


class FileGone(JournalError):
    """A file was moved, deleted or replaced."""

    def __init__(self, what: str, log_alone: bool) -> None:
        super().__init__(what)
        self.log_alone = log_alone
        """Whether nothing else is wrong than that the log has no name: what it holds can still be saved."""


class FileCut(JournalError):
    """The log is no longer what was written to it: nothing may be moved from it into the database."""


class Watch:
    """Of the database at `path`, which is open for writing, has its log, and was locked by `lock`."""

    def __init__(self, path: Path, lock: Path) -> None:
        """Raises `OSError` where one of them is not there."""
        self._path = path
        file = path.resolve()  # beside which SQLite keeps the others, where `path` is a link
        self._log = file.with_name(f"{file.name}-wal")
        names = (path, self._log, file.with_name(f"{file.name}-shm"), lock)
        self._opened = [(name, name.stat()) for name in names]
        self._written = os.open(self._log, os.O_RDONLY | os.O_CLOEXEC)  # SQLite locks no part of its log
        self._size, self._least, self._header = 0, 0, b""
        self.note()

    def note(self) -> None:
        """What SQLite has written by now is as it should be."""
        self._size = os.fstat(self._written).st_size
        self._least = self._path.stat().st_size
        self._header = os.pread(self._written, HEADER, 0)

    def stay(self, own: bool = False) -> None:
        """Raises `JournalError` where what is written would not be found; `own` after a commit, which changes sizes."""
        if gone := [name for name, opened in self._opened if not _is(name, opened)]:
            what = f"{gone[0]} was moved or deleted while the recorder writes it, or another put in its place"
            raise FileGone(f"{what}; {STOP_FIRST}, and put it back", gone == [self._log])
        if own:
            return
        if os.fstat(self._written).st_size < self._size or os.pread(self._written, HEADER, 0) != self._header:
            raise FileCut(f"{self._log} was cut or changed by another program; end that program: {STOP_FIRST}")
        if self._path.stat().st_size < self._least:
            raise FileCut(f"{self._path} was cut by another program; end that program, and see batch-recorder verify")

    def close(self) -> None:
        """Watch no more."""
        with suppress(OSError):
            os.close(self._written)


def _is(name: Path, opened: os.stat_result) -> bool:
    """Whether the file of this name is the one that was opened."""
    try:
        return os.path.samestat(name.stat(), opened)
    except OSError:
        return False
