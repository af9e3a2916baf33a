"""Each error of SQLite and of the system has its remedy: by the names in sqlite.org/rescode.html and in errno(3)."""

import errno
import sqlite3

import pytest

from recorder.journal import sqlite_errors

SQLITE = {
    "SQLITE_FULL": sqlite_errors.FULL,
    "SQLITE_IOERR_SHMSIZE": sqlite_errors.FULL,
    "SQLITE_READONLY": sqlite_errors.READ_ONLY,
    "SQLITE_READONLY_DBMOVED": sqlite_errors.READ_ONLY,
    "SQLITE_IOERR": sqlite_errors.FAILS,
    "SQLITE_IOERR_FSYNC": sqlite_errors.FAILS,
    "SQLITE_IOERR_WRITE": sqlite_errors.FAILS,
    "SQLITE_CANTOPEN": "it can't be opened; look at owner and permissions of file and folder, and at the free space",
    "SQLITE_PERM": sqlite_errors.FORBIDDEN,
    "SQLITE_AUTH": sqlite_errors.FORBIDDEN,
    "SQLITE_BUSY": sqlite_errors.LOCKED,
    "SQLITE_BUSY_SNAPSHOT": sqlite_errors.LOCKED,
    "SQLITE_LOCKED": sqlite_errors.LOCKED,
    "SQLITE_PROTOCOL": sqlite_errors.LOCKED,
    "SQLITE_CORRUPT": sqlite_errors.DAMAGED,
    "SQLITE_CORRUPT_INDEX": sqlite_errors.DAMAGED,
    "SQLITE_NOTADB": sqlite_errors.DAMAGED,
    "SQLITE_CONSTRAINT_PRIMARYKEY": "another recorder writes the same file; end one of them",
    "SQLITE_NOMEM": "memory ran out; end other programs, or start the recorder again",
}
NUMBERS = {
    errno.ENOSPC: sqlite_errors.FULL,
    errno.EDQUOT: sqlite_errors.FULL,
    errno.EROFS: sqlite_errors.READ_ONLY,
    errno.EIO: sqlite_errors.FAILS,
    errno.EACCES: sqlite_errors.FORBIDDEN,
    errno.EPERM: sqlite_errors.FORBIDDEN,
}


def failed(name: str) -> sqlite3.Error:
    error = sqlite3.OperationalError("it failed")
    error.sqlite_errorname = name
    return error


@pytest.mark.parametrize("name", SQLITE)
def test_an_error_of_sqlite_has_its_remedy(name: str) -> None:
    assert hasattr(sqlite3, name), "SQLite knows it"
    assert sqlite_errors.remedy(failed(name)) == f"; {SQLITE[name]}"
    assert sqlite_errors.is_damage(failed(name)) is (SQLITE[name] == sqlite_errors.DAMAGED)


@pytest.mark.parametrize("number", NUMBERS, ids=errno.errorcode.get)
def test_an_error_of_the_system_has_its_remedy(number: int) -> None:
    assert sqlite_errors.remedy(OSError(number, "it failed")) == f"; {NUMBERS[number]}"


def test_what_says_nothing_of_itself_has_none() -> None:
    for error in (OSError("no number"), OSError(errno.ENOENT, "gone"), ValueError("x"), sqlite3.Error("x")):
        assert sqlite_errors.remedy(error) == "" and not sqlite_errors.is_damage(error)
    assert sqlite_errors.remedy(failed("SQLITE_MISUSE")) == ""
    assert sqlite_errors.is_damage(UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no text"))
    assert sqlite_errors.is_damage(sqlite3.OperationalError("Could not decode to UTF-8 column 'body'"))
