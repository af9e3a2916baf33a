"""Whether a database is made as the migrations make one: all of `sqlite_master`, for the step that it is at.

A trigger, a view or a changed definition makes the file do or show something else than was recorded, and no hash of an
entry covers it. So it is compared before anything of it runs. Knows no entry.
"""

import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from functools import cache
from typing import Any

from recorder.journal.migrations import ORDER, migrations, take
from recorder.journal.sqlite_errors import DAMAGE, is_damage

Made = dict[tuple[str, str], tuple[str, str | None]]
"""Type and name of each object -> its table, and the SQL that made it."""

READ = "SELECT type, name, tbl_name, sql FROM sqlite_master"

STEPS_TABLE = migrations.migrations_table

STEPS_INDEX = ("index", f"idx_{STEPS_TABLE}_migration_set_name")
"""May be missing: a power cut in the first start can fall between the table of steps and this, and nothing depends on
it. The next start makes it."""

PINNED: Made = {
    ("table", STEPS_TABLE): (
        STEPS_TABLE,
        f'CREATE TABLE "{STEPS_TABLE}" (\n   "id" INTEGER PRIMARY KEY,\n   "migration_set" TEXT,\n   "name" TEXT,\n'
        '   "applied_at" TEXT\n)',
    ),
    STEPS_INDEX: (
        STEPS_TABLE,
        f'CREATE UNIQUE INDEX "idx_{STEPS_TABLE}_migration_set_name"\n    ON "{STEPS_TABLE}" ("migration_set", "name")',
    ),
}
"""What sqlite-utils 4.2 makes: a later one may make it otherwise, and the older files stay right."""

JOURNAL = ("table", "journal")
SENDS_ONCE = ("trigger", "outbox_sends_once")

HEADER = {"user_version": 0, "application_id": 0, "auto_vacuum": 0, "encoding": "UTF-8"}
"""What the recorder leaves as it is in the file's header. The page's size and the way of journaling say nothing of the
records: a copy is no write-ahead log, and another SQLite may choose other pages."""


def faults(connection: sqlite3.Connection) -> Iterator[tuple[str, str]]:
    """What is not as it was made: the object, such as "trigger journal_keeps", and what is wrong with it.

    A database that has been through fewer steps is compared with what those make; one that nothing was made in yet has
    no faults. Raises `sqlite3.Error` where it can't be read.
    """
    found = [(str(kind), str(name), str(table), sql) for kind, name, table, sql in connection.execute(READ)]
    held = {(kind, name): (table, sql) for kind, name, table, sql in found}
    steps, wrong = _steps(connection) if ("table", STEPS_TABLE) in held else ((), "")
    if wrong:
        yield f"table {STEPS_TABLE}", wrong
        return
    made = _as_first_released(_made(steps)) if _is_first_released(held) else _made(steps)
    installed = _made(())
    begun = any(table != STEPS_TABLE for table, _ in held.values())
    for key in sorted(held.keys() | made.keys()):
        what = " ".join(key)
        if key not in held:
            if key != STEPS_INDEX and (begun or key not in PINNED):
                yield what, "it is missing"
        elif key not in made:
            yield what, "no version of the recorder makes it: somebody added it"
        elif held[key] not in (made[key], installed.get(key)):
            yield what, "it was changed: the recorder makes it otherwise"
    for kind, name in (key for key, times in Counter((kind, name) for kind, name, *_ in found).items() if times > 1):
        yield f"{kind} {name}", "it is there more than once"
    for pragma, value in HEADER.items():
        if (is_now := connection.execute(f"PRAGMA {pragma}").fetchone()[0]) != value:
            yield f"file's {pragma}", f"it is {is_now!r}, and the recorder leaves it at {value!r}"
    if ("table", "outbox") in held and ("table", "sqlite_sequence") in held:
        yield from _numbering(connection)


def complete(connection: sqlite3.Connection) -> None:
    """Make what a power cut in the first start can have left out; raises `sqlite3.Error`."""
    if connection.execute("SELECT 1 FROM sqlite_master WHERE type = ? AND name = ?", STEPS_INDEX).fetchone() is None:
        connection.execute(str(PINNED[STEPS_INDEX][1]))
        connection.commit()


def _steps(connection: sqlite3.Connection) -> tuple[tuple[str, ...], str]:
    """The steps that the file has been through, and what is wrong with them."""
    rows, wrong = _rows(connection, f'SELECT id, migration_set, name FROM "{STEPS_TABLE}" ORDER BY id')
    if wrong:
        return (), wrong
    names = tuple(str(name) for _, _, name in rows)
    if names != ORDER[: len(names)]:
        return (), f"it names the steps {', '.join(names)}, which no recorder goes through like that"
    if any(row[:2] != (number, migrations.name) for number, row in enumerate(rows, 1)):
        return (), "its rows are not numbered or named as the recorder does it"
    return names, ""


def _numbering(connection: sqlite3.Connection) -> Iterator[tuple[str, str]]:
    """Whether the next message gets the next number: no message is ever deleted, so the newest one has the last."""
    named, wrong = _rows(connection, "SELECT name, seq FROM sqlite_sequence")
    newest, damage = _rows(connection, "SELECT id FROM outbox ORDER BY id DESC LIMIT 1")
    if wrong:
        yield "table sqlite_sequence", wrong
    if damage:
        yield "table outbox", damage
    elif not wrong and named != [("outbox", id) for (id,) in newest]:
        last = newest[0][0] if newest else None
        yield "table sqlite_sequence", f"it says {named!r}, and the newest message has the number {last}"


def _rows(connection: sqlite3.Connection, sql: str) -> tuple[list[tuple[Any, ...]], str]:
    """Rows, or none and what is wrong where the file is damaged there; raises `sqlite3.Error` for all else."""
    try:
        return connection.execute(sql).fetchall(), ""
    except DAMAGE as error:
        if not is_damage(error):
            raise
        return [], f"it can't be read: {error}"


@cache
def _made(steps: tuple[str, ...]) -> Made:
    """What these steps make, all of `ORDER` up to one of them."""
    with closing(sqlite3.connect(":memory:")) as connection:
        take(connection, len(steps))
        made = {(kind, name): (table, sql) for kind, name, table, sql in connection.execute(READ)}
    return made if not steps else made | PINNED


def _is_first_released(held: Made) -> bool:
    """Whether it was begun before the journal had no hidden row number: by one of the first five hours' versions."""
    return held.get(JOURNAL, ("", ""))[1] == _as_first_released(_made(ORDER))[JOURNAL][1]


def _as_first_released(made: Made) -> Made:
    """What such a database has instead: later steps change nothing of it."""
    if JOURNAL not in made:
        return made
    table, sql = made[JOURNAL]
    older = made | {JOURNAL: (table, (sql or "").replace("STRICT, WITHOUT ROWID", "STRICT"))}
    older.pop(SENDS_ONCE, None)
    return older
