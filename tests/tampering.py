"""Somebody who may write the file: behind the triggers' back, and with all of them in their place afterwards."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path


@contextmanager
def unguarded(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that may change anything; at the end the triggers stand there again, and all is committed."""
    with closing(sqlite3.connect(path)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()


def tamper(path: Path, *statements: str) -> None:
    with unguarded(path) as connection:
        for sql in statements:
            connection.execute(sql)
