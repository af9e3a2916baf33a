"""What may be done to each table, row and object of a record by one who can write the file."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path


def objects(path: Path) -> list[tuple[str, str, str | None]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT type, name, sql FROM sqlite_master ORDER BY type, name").fetchall()


def written(path: Path, sql: str, *values: object) -> None:
    """A change of the schema's own rows, as SQLite allows it to whoever asks for it."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(sql, values)
        connection.commit()


ADDITIONS = {
    "a trigger that marks each message as sent": (
        "CREATE TRIGGER t AFTER INSERT ON outbox BEGIN UPDATE outbox SET sent_ms = 1 WHERE id = NEW.id; END",
        "trigger t",
    ),
    "a trigger that aborts the next failed check": (
        "CREATE TRIGGER t BEFORE INSERT ON checks WHEN NEW.verdict LIKE 'below%' BEGIN SELECT RAISE(ABORT, 'no'); END",
        "trigger t",
    ),
    "a table": ("CREATE TABLE t (x)", "table t"),
    "a view": ("CREATE VIEW t AS SELECT 1", "view t"),
    "an index": ("CREATE INDEX t ON checks (verdict)", "index t"),
    "a virtual table": ("CREATE VIRTUAL TABLE t USING fts5(x)", "table t"),
    "a column": ("ALTER TABLE checks ADD COLUMN t TEXT", "table checks"),
    "a renamed column": ("ALTER TABLE shifts RENAME COLUMN cook TO boss", "table shifts"),
    "statistics": ("ANALYZE", "table sqlite_stat1"),
    "no number left": ("UPDATE sqlite_sequence SET seq = 9223372036854775807", "table sqlite_sequence"),
    "no numbering": ("DELETE FROM sqlite_sequence", "table sqlite_sequence"),
    "a second numbering": ("INSERT INTO sqlite_sequence VALUES ('outbox', 1)", "table sqlite_sequence"),
    "no steps": ("DELETE FROM _sqlite_migrations", "table shifts"),
    "one step less": ("DELETE FROM _sqlite_migrations WHERE id = 3", "table _sqlite_migrations"),
    "steps of another": ("UPDATE _sqlite_migrations SET migration_set = 'x' WHERE id = 8", "table _sqlite_migrations"),
    "another step's name": ("UPDATE _sqlite_migrations SET name = 'm001' WHERE id = 1", ""),
    "another number of a step": ("UPDATE _sqlite_migrations SET id = 50 WHERE id = 8", "table _sqlite_migrations"),
    "PRAGMA user_version": ("PRAGMA user_version = 7", "file's user_version"),
    "PRAGMA application_id": ("PRAGMA application_id = 7", "file's application_id"),
    "PRAGMA auto_vacuum": ("PRAGMA auto_vacuum = FULL; PRAGMA journal_mode = DELETE; VACUUM", "file's auto_vacuum"),
}


LOOSER: dict[str, tuple[tuple[str, str], str]] = {
    "STRICT": (
        ("UPDATE sqlite_master SET sql = replace(sql, ') STRICT', ')') WHERE name = ?", "shifts"),
        "table shifts",
    ),
    "a day off": (
        (
            "UPDATE sqlite_master SET sql = replace(sql, 'started_ms / 1000', 'started_ms / 1000 - 86400')"
            " WHERE name = ?",
            "shifts",
        ),
        "table shifts",
    ),
    "a view that says all passed": (
        (
            "UPDATE sqlite_master SET sql = replace(sql, 'verdict,', '''passed'' AS verdict,') WHERE name = ?",
            "checks_read",
        ),
        "view checks_read",
    ),
}
"""What is written to the schema, and what is named then."""


def columns(path: Path) -> Iterator[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        for (table,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        ).fetchall():
            for name, hidden in connection.execute(
                "SELECT name, hidden FROM pragma_table_xinfo(?)", (table,)
            ).fetchall():
                if not hidden:
                    yield table, name


VALUES = ("NULL", "later")
"""What is put into each column: nothing, and another value of its own type; STRICT refuses other types."""
