"""The schema, as numbered steps that only ever grow in number. `columns` says what the tables are after all of them.

`journal` is the truth: append-only by triggers. It has no hidden row number, so that every byte of a row stands for a
value that its hash covers. The trade's tables are its shadow, rewritten by the journal alone.
Every column of milliseconds "x_ms" is followed by "x", the same moment as text, so that any SQLite browser shows a
person something. Both are on the station's own time line, which is UTC as far as the clock was set when it began.
"""

import re
import sqlite3

from sqlite_utils import Database, Migrations

from recorder.journal.step_tables import (
    BEFORE_THE_OIL,
    DAY,
    DUTIES,
    FIRST,
    IN_HAND,
    LATER,
    PROOF,
    SECOND_BEST,
    SIGNED,
    TEXT_IDS,
    THERMAL,
    Tables,
)

migrations = Migrations("batch-recorder")


@migrations()
def m001_journal(db: Database) -> None:
    """The journal, which refuses changes."""
    db.execute("""
        CREATE TABLE journal (
            seq INTEGER PRIMARY KEY,
            at_ms INTEGER NOT NULL,
            boot_id TEXT NOT NULL,
            boot_ms INTEGER NOT NULL,
            wall_ms INTEGER NOT NULL,
            wall_known INTEGER NOT NULL,
            kind TEXT NOT NULL,
            body TEXT NOT NULL,
            previous TEXT NOT NULL,
            hash TEXT NOT NULL
        ) STRICT, WITHOUT ROWID""")
    db.execute("""
        CREATE TRIGGER journal_keeps BEFORE UPDATE ON journal
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no entry is changed'); END""")
    db.execute("""
        CREATE TRIGGER journal_holds BEFORE DELETE ON journal
        BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no entry is deleted'); END""")


@migrations()
def m002_tables(db: Database) -> None:
    """The first tables."""
    _create(db, FIRST)


def _create(db: Database, tables: Tables) -> None:
    for name, shape in tables.items():
        parts = ["id TEXT PRIMARY KEY" if name in TEXT_IDS else "id INTEGER PRIMARY KEY"]
        for column, kind in shape.items():
            parts += _columns(column, kind)
        if name != "alerts":
            parts.append("struck INTEGER NOT NULL")
        db.execute(f"CREATE TABLE {name} ({', '.join(parts)}) STRICT")


def _add(db: Database, tables: Tables) -> None:
    for table, added in tables.items():
        for column, kind in added.items():
            for each in _columns(column, kind):
                db.execute(f"ALTER TABLE {table} ADD COLUMN {each}")


def _columns(column: str, kind: str) -> list[str]:
    """The column, and behind one of milliseconds the same moment as text."""
    if not column.endswith("_ms"):
        return [f"{column} {kind}"]
    text = f"strftime('%Y-%m-%dT%H:%M:%SZ', {column} / 1000, 'unixepoch')"
    return [f"{column} {kind}", f"{column[:-3]} TEXT GENERATED ALWAYS AS ({text}) VIRTUAL"]


@migrations()
def m003_outbox(db: Database) -> None:
    """Messages that wait for the broker."""
    db.execute("""
        CREATE TABLE outbox (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            seq INTEGER NOT NULL,
            topic TEXT NOT NULL,
            body TEXT NOT NULL,
            retain INTEGER NOT NULL,
            sent_ms INTEGER
        ) STRICT""")
    db.execute("CREATE INDEX outbox_unsent ON outbox (id) WHERE sent_ms IS NULL")
    db.execute("""
        CREATE TRIGGER outbox_keeps BEFORE UPDATE OF id, seq, topic, body, retain ON outbox
        BEGIN SELECT RAISE(ABORT, 'a message is never changed; only its sending is noted'); END""")
    db.execute("""
        CREATE TRIGGER outbox_sends_once BEFORE UPDATE OF sent_ms ON outbox WHEN OLD.sent_ms IS NOT NULL
        BEGIN SELECT RAISE(ABORT, 'the message was sent before; when it was stays as noted'); END""")
    db.execute("""
        CREATE TRIGGER outbox_holds BEFORE DELETE ON outbox
        BEGIN SELECT RAISE(ABORT, 'a message is never deleted'); END""")


@migrations()
def m004_second_best(db: Database) -> None:
    """The sentence that was heard best, where a command was taken from the second best."""
    _add(db, SECOND_BEST)


@migrations()
def m005_thermal(db: Database) -> None:
    """How surely a check settled and how the probe stood; probe checks; what few pieces say; how oil bears its work."""
    _create(db, LATER)
    _add(db, THERMAL)


@migrations()
def m006_alerts(db: Database) -> None:
    """Who has an alert in hand, and which phone has shown it."""
    _add(db, IN_HAND)


@migrations()
def m007_signatures(db: Database) -> None:
    """Days that a manager has reviewed."""
    _create(db, SIGNED)


VIEWS = {
    "batches_read": """
        SELECT substr(started, 1, 10) AS day, substr(started, 12, 5) AS began, number AS batch, vat, product, pieces,
            checks_passed || ' of ' || checks_needed AS checks, CASE proven WHEN 1 THEN 'proven' ELSE 'not proven' END
            AS done, rounds, round(pooled_bound, 1) AS nearly_all_above, coalesce(outcome, stage) AS outcome
        FROM batches WHERE struck = 0 ORDER BY started_ms""",
    "checks_read": """
        SELECT substr(opened, 1, 10) AS day, substr(coalesce(closed, opened), 12, 8) AS at, batch, part,
            round(temperature - 0.0499, 1) || ' °' || unit AS read, round(uncertainty_c, 1) AS uncertain_by_c,
            target || ' °' || unit AS target, verdict, source, coalesce(probe_was, '') AS probe_was
        FROM checks WHERE struck = 0 ORDER BY opened_ms""",
    "deviations_read": """
        SELECT substr(began, 1, 10) AS day, substr(began, 12, 8) AS began, level, text,
            coalesce(acknowledged_by, '') AS in_hand_of,
            coalesce(substr(ended, 12, 8) || ', ' || ended_by, 'open') AS over
        FROM alerts WHERE level <> 'info' ORDER BY began_ms""",
    "commands_read": """
        SELECT substr(at, 1, 10) AS day, substr(at, 12, 8) AS at, text AS said, reply AS answered,
            CASE struck WHEN 1 THEN 'taken back' ELSE outcome END AS outcome
        FROM commands ORDER BY at_ms""",
}
"""For people: any SQLite browser shows them as tables in words. What was read is cut to the tenth, never rounded up
over a limit; it is stored to the hundredth."""


@migrations()
def m008_views(db: Database) -> None:
    """Tables that a person can read."""
    for name, select in VIEWS.items():
        db.execute(f"CREATE VIEW {name} AS {select}")


BATCHES_READ = """
        SELECT substr(started, 1, 10) AS day, substr(started, 12, 5) AS began, number AS batch, vat, product, pieces,
            checks_passed || ' of ' || checks_needed AS checks, CASE proven WHEN 1 THEN 'checks complete' ELSE
            'checks not complete' || coalesce(': ' || missing, '') END AS done, rounds,
            round(pooled_bound, 1) AS nearly_all_above, coalesce(outcome, stage) AS outcome
        FROM batches WHERE struck = 0 ORDER BY started_ms"""
"""As in `VIEWS`, by the words of step 9: four checked pieces prove nothing of the others."""


@migrations()
def m009_proof(db: Database) -> None:
    """What counts and what is in doubt, pieces by what became of them, how long food waited and was too cold."""
    _add(db, PROOF)
    db.execute("DROP VIEW batches_read")
    db.execute(f"CREATE VIEW batches_read AS {BATCHES_READ}")


CHECKS_READ = """
        SELECT substr(opened, 1, 10) AS day, substr(coalesce(closed, opened), 12, 8) AS at, batch, part,
            round(temperature - 0.0499, 1) || ' °' || unit AS read, round(uncertainty_c, 1) AS uncertain_by_c,
            target || ' °' || unit AS target, verdict, source, coalesce(probe_was, '') AS probe_was,
            CASE counts WHEN 1 THEN 'yes' WHEN 0 THEN 'no' ELSE '' END AS counts, coalesce(disputed, '') AS disputed,
            CASE in_doubt WHEN 1 THEN 'yes' ELSE '' END AS in_doubt
        FROM checks WHERE struck = 0 ORDER BY opened_ms"""
"""As in `VIEWS`, and whether a check counts: what passed may prove nothing all the same."""


@migrations()
def m010_counts(db: Database) -> None:
    """The view of checks says which of them count, and why one does not."""
    db.execute("DROP VIEW checks_read")
    db.execute(f"CREATE VIEW checks_read AS {CHECKS_READ}")


@migrations()
def m011_fryings(db: Database) -> None:
    """A cook is a person: how long food was in the oil stands in a table of fryings."""
    db.execute("ALTER TABLE cooks RENAME TO fryings")


@migrations()
def m012_whole_day(db: Database) -> None:
    """Raw food and the breading station; prompts, tasks and corrective actions; cabinets, cooks, products."""
    _create(db, BEFORE_THE_OIL)
    _create(db, DUTIES)
    _add(db, DAY)


ORDER = tuple(name for name in globals() if re.fullmatch(r"m\d{3}_\w+", name))
"""The names of all steps, in the order in which they are taken."""

STEPS = frozenset(ORDER)
"""The same; a database that has others was written by a newer version."""


def take(connection: sqlite3.Connection, most: int) -> None:
    """Go through the first `most` steps."""
    migrations.apply(Database(connection, execute_plugins=False), stop_before=ORDER[most : most + 1] or None)


def taken(connection: sqlite3.Connection) -> set[str]:
    """The names of the steps that this database has been through."""
    return {str(step.name) for step in migrations.applied(Database(connection, execute_plugins=False))}
