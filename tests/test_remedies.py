"""Each error of SQLite and of the system has its remedy: by the names in sqlite.org/rescode.html and in errno(3)."""

import errno
import sqlite3

import pytest

from recorder.journal import remedies

SQLITE = {
    "SQLITE_FULL": remedies.FULL,
    "SQLITE_IOERR_SHMSIZE": remedies.FULL,
    "SQLITE_READONLY": remedies.READ_ONLY,
    "SQLITE_READONLY_DBMOVED": remedies.READ_ONLY,
    "SQLITE_IOERR": remedies.FAILS,
    "SQLITE_IOERR_FSYNC": remedies.FAILS,
    "SQLITE_IOERR_WRITE": remedies.FAILS,
    "SQLITE_CANTOPEN": "it can't be opened; look at owner and permissions of file and folder, and at the free space",
    "SQLITE_PERM": remedies.FORBIDDEN,
    "SQLITE_AUTH": remedies.FORBIDDEN,
    "SQLITE_BUSY": remedies.LOCKED,
    "SQLITE_BUSY_SNAPSHOT": remedies.LOCKED,
    "SQLITE_LOCKED": remedies.LOCKED,
    "SQLITE_PROTOCOL": remedies.LOCKED,
    "SQLITE_CORRUPT": remedies.DAMAGED,
    "SQLITE_CORRUPT_INDEX": remedies.DAMAGED,
    "SQLITE_NOTADB": remedies.DAMAGED,
    "SQLITE_CONSTRAINT_PRIMARYKEY": "another recorder writes the same file; end one of them",
    "SQLITE_NOMEM": "memory ran out; end other programs, or start the recorder again",
}
NUMBERS = {
    errno.ENOSPC: remedies.FULL,
    errno.EDQUOT: remedies.FULL,
    errno.EROFS: remedies.READ_ONLY,
    errno.EIO: remedies.FAILS,
    errno.EACCES: remedies.FORBIDDEN,
    errno.EPERM: remedies.FORBIDDEN,
}


def failed(name: str) -> sqlite3.Error:
    error = sqlite3.OperationalError("it failed")
    error.sqlite_errorname = name
    return error


@pytest.mark.parametrize("name", SQLITE)
def test_an_error_of_sqlite_has_its_remedy(name: str) -> None:
    assert hasattr(sqlite3, name), "SQLite knows it"
    assert remedies.remedy(failed(name)) == f"; {SQLITE[name]}"
    assert remedies.is_damage(failed(name)) is (SQLITE[name] == remedies.DAMAGED)


@pytest.mark.parametrize("number", NUMBERS, ids=errno.errorcode.get)
def test_an_error_of_the_system_has_its_remedy(number: int) -> None:
    assert remedies.remedy(OSError(number, "it failed")) == f"; {NUMBERS[number]}"


def test_what_says_nothing_of_itself_has_none() -> None:
    for error in (OSError("no number"), OSError(errno.ENOENT, "gone"), ValueError("x"), sqlite3.Error("x")):
        assert remedies.remedy(error) == "" and not remedies.is_damage(error)
    assert remedies.remedy(failed("SQLITE_MISUSE")) == ""
    assert remedies.is_damage(UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no text"))
    assert remedies.is_damage(sqlite3.OperationalError("Could not decode to UTF-8 column 'body'"))
