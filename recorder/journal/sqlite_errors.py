"""Errors of the disk and of SQLite: which mean damage, and what to do about each. Knows no file and no database."""

import errno
import sqlite3

DAMAGE = (sqlite3.Error, UnicodeDecodeError)
"""What SQLite raises: also the second, since what it quotes from a damaged file may be no text."""

FULL = "the disk is full; make room on it"
READ_ONLY = (
    "it is read-only; a disk that fails is made so by the kernel (see dmesg): remount it, or replace it;"
    " and outside /var/lib/batch-recorder the unit has to name the folder: ReadWritePaths="
)
FAILS = "the disk fails; copy the records off it and replace it"
FORBIDDEN = "this user may not; look at owner and permissions of the file and of its folder"
LOCKED = "another program has it locked; end that program"
DAMAGED = "set the file aside and start with a new one"

BY_NAME = {
    "SQLITE_FULL": FULL,
    "SQLITE_IOERR_SHMSIZE": FULL,
    "SQLITE_READONLY": READ_ONLY,
    "SQLITE_IOERR": FAILS,
    "SQLITE_CANTOPEN": "it can't be opened; look at owner and permissions of file and folder, and at the free space",
    "SQLITE_PERM": FORBIDDEN,
    "SQLITE_AUTH": FORBIDDEN,
    "SQLITE_BUSY": LOCKED,
    "SQLITE_LOCKED": LOCKED,
    "SQLITE_PROTOCOL": LOCKED,
    "SQLITE_CORRUPT": DAMAGED,
    "SQLITE_NOTADB": DAMAGED,
    "SQLITE_CONSTRAINT": "another recorder writes the same file; end one of them",
    "SQLITE_NOMEM": "memory ran out; end other programs, or start the recorder again",
}
"""Beginning of the name of SQLite's result code (sqlite.org/rescode.html) -> what to do; the first that fits counts.

The shared memory beside the database is a file on the same disk, and can't grow where that is full.
"""

BY_NUMBER = {
    errno.ENOSPC: FULL,
    errno.EDQUOT: FULL,
    errno.EROFS: READ_ONLY,
    errno.EIO: FAILS,
    errno.EACCES: FORBIDDEN,
    errno.EPERM: FORBIDDEN,
}
"""The same for the system's own."""


def remedy(error: Exception) -> str:
    """What to do about `error`, with "; " before it; "" where it does not say what it is."""
    found = None
    if isinstance(error, sqlite3.Error):
        name = getattr(error, "sqlite_errorname", "")
        found = next((text for start, text in BY_NAME.items() if name.startswith(start)), None)
    elif isinstance(error, OSError):
        found = BY_NUMBER.get(error.errno or 0)
    return f"; {found}" if found else ""


def is_damage(error: Exception) -> bool:
    """Whether SQLite says that the file is not as it was written."""
    name = getattr(error, "sqlite_errorname", "")
    no_text = isinstance(error, UnicodeDecodeError) or "Could not decode to UTF-8" in str(error)  # in Python's words
    return no_text or name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB"))
