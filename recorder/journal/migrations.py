"""The schema, as numbered steps that only ever grow in number. `columns` says what the tables are after all of them.

`journal` is the truth: append-only by triggers. It has no hidden row number, so that every byte of a row stands for a
value that its hash covers. The trade's tables are its shadow, rewritten by the journal alone.
Every column of milliseconds "x_ms" is followed by "x", the same moment as text, so that any SQLite browser shows a
person something. Both are on the station's own time line, which is UTC as far as the clock was set when it began.
"""

import re
import sqlite3

from sqlite_utils import Database, Migrations

migrations = Migrations("batch-recorder")

FIRST: dict[str, dict[str, str]] = {
    "shifts": {"cook": "INTEGER", "started_ms": "INTEGER", "ended_ms": "INTEGER", "left_open": "TEXT"},
    "batches": {
        "number": "INTEGER",
        "vat": "INTEGER",
        "shift": "INTEGER",
        "product": "TEXT",
        "stage": "TEXT",
        "started_ms": "INTEGER",
        "pieces": "INTEGER",
        "rounds": "INTEGER",
        "checks_passed": "INTEGER",
        "checks_needed": "INTEGER",
        "proven": "INTEGER",
        "closed_ms": "INTEGER",
        "outcome": "TEXT",
        "discarded_pieces": "INTEGER",
    },
    "loads": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "part": "TEXT",
        "pieces": "INTEGER",
        "at_ms": "INTEGER",
        "oil_temperature": "REAL",
        "unit": "TEXT",
        "out_of_order": "INTEGER",
        "over_capacity": "INTEGER",
    },
    "cooks": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "lid_locked_ms": "INTEGER",
        "lid_open_ms": "INTEGER",
        "seconds": "REAL",
        "short": "INTEGER",
        "overdue": "INTEGER",
        "time_proven": "INTEGER",
    },
    "checks": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "part": "TEXT",
        "round": "INTEGER",
        "opened_ms": "INTEGER",
        "closed_ms": "INTEGER",
        "temp_c": "REAL",
        "temperature": "REAL",
        "unit": "TEXT",
        "target": "REAL",
        "critical_limit": "REAL",
        "source": "TEXT",
        "verdict": "TEXT",
    },
    "corrections": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "at_ms": "INTEGER",
        "action": "TEXT",
        "why": "TEXT",
    },
    "holds": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "started_ms": "INTEGER",
        "until_ms": "INTEGER",
        "ended_ms": "INTEGER",
        "proven": "INTEGER",
        "past_limit": "INTEGER",
        "time_proven": "INTEGER",
        "outcome": "TEXT",
    },
    "oil": {
        "vat": "INTEGER",
        "what": "TEXT",
        "at_ms": "INTEGER",
        "shift": "INTEGER",
        "oil_temperature": "REAL",
        "unit": "TEXT",
    },
    "alerts": {
        "kind": "TEXT",
        "level": "TEXT",
        "batch": "INTEGER",
        "text": "TEXT",
        "numbers": "TEXT",
        "began_ms": "INTEGER",
        "ended_ms": "INTEGER",
        "ended_by": "TEXT",
        "repeats": "INTEGER",
    },
    "commands": {
        "at_ms": "INTEGER",
        "text": "TEXT",
        "meaning": "TEXT",
        "outcome": "TEXT",
        "reply": "TEXT",
        "engine": "TEXT",
        "listening": "TEXT",
        "score": "REAL",
    },
}
"""The trade's tables as step 2 makes them: name -> column -> type. `id` stands before these; `struck` after them, but
for alerts."""

LATER: dict[str, dict[str, str]] = {
    "probe_checks": {
        "how": "TEXT",
        "opened_ms": "INTEGER",
        "closed_ms": "INTEGER",
        "temp_c": "REAL",
        "temperature": "REAL",
        "due": "REAL",
        "off": "REAL",
        "tolerance": "REAL",
        "unit": "TEXT",
        "uncertainty_c": "REAL",
        "verdict": "TEXT",
    },
    "recoveries": {
        "vat": "INTEGER",
        "batch": "INTEGER",
        "loaded_ms": "INTEGER",
        "seconds": "REAL",
        "lowest": "REAL",
        "back_at": "REAL",
        "unit": "TEXT",
    },
}
"""Those that step 5 makes."""

SIGNED: dict[str, dict[str, str]] = {
    "signatures": {
        "day": "TEXT",
        "at_ms": "INTEGER",
        "initials": "TEXT",
        "note": "TEXT",
        "open_alerts": "INTEGER",
    },
}
"""The one that step 7 makes."""

DUTIES: dict[str, dict[str, str]] = {
    "prompts": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "shift": "INTEGER",
        "moment": "TEXT",
        "text": "TEXT",
        "at_ms": "INTEGER",
        "asks_done": "INTEGER",
        "done_ms": "INTEGER",
    },
    "tasks": {
        "shift": "INTEGER",
        "task": "TEXT",
        "part_of_day": "TEXT",
        "begun_ms": "INTEGER",
        "due_ms": "INTEGER",
        "done_ms": "INTEGER",
        "cook": "INTEGER",
        "missed": "INTEGER",
    },
    "corrective_actions": {
        "alert": "TEXT",
        "what": "TEXT",
        "text": "TEXT",
        "at_ms": "INTEGER",
        "cook": "INTEGER",
    },
}
"""Those that step 13 makes."""

TEXT_IDS = ("alerts", "prompts", "tasks")
"""Tables of which several rows can be made by one entry: an id is that entry's number and more."""

PROOF: dict[str, dict[str, str]] = {
    "loads": {"said_late": "INTEGER"},
    "cooks": {"said_late": "INTEGER"},
    "checks": {"stage": "TEXT", "counts": "INTEGER", "disputed": "TEXT", "in_doubt": "INTEGER"},
    "batches": {
        "missing": "TEXT",
        "sold_pieces": "INTEGER",
        "dropped_pieces": "INTEGER",
        "waits": "TEXT",
        "reheat_by_ms": "INTEGER",
        "reheat_missed": "INTEGER",
    },
    "holds": {"counted_from_ms": "INTEGER", "limit_kind": "TEXT", "late": "INTEGER", "seconds_below": "REAL"},
    "probe_checks": {"checks_in_doubt": "TEXT", "disputed": "TEXT"},
}
"""Columns that step 9 adds."""

THERMAL: dict[str, dict[str, str]] = {
    "checks": {"uncertainty_c": "REAL", "settle_seconds": "REAL", "probe_check": "INTEGER", "probe_was": "TEXT"},
    "batches": {"bound": "REAL", "pooled_bound": "REAL"},
    "oil": {"percent": "REAL", "hours_since": "REAL", "batches_since": "INTEGER"},
}
"""Columns that step 5 adds."""

DWELL: dict[str, dict[str, str]] = {"checks": {"critical_seconds": "REAL", "stood_seconds": "REAL"}}
"""Columns that step 14 adds."""

PLACES: dict[str, dict[str, str]] = {"holds": {"cabinets": "TEXT", "lowest": "REAL", "unit": "TEXT"}}
"""Columns that step 15 adds."""

PEOPLE: dict[str, dict[str, str]] = {"shifts": {"handed_to": "INTEGER"}, "commands": {"cook": "INTEGER"}}
"""Columns that step 16 adds."""

ADDED: dict[str, dict[str, str]] = {
    **PROOF,
    **THERMAL,
    "shifts": PEOPLE["shifts"],
    "commands": {"first_text": "TEXT"} | PEOPLE["commands"],
    "holds": PROOF["holds"] | PLACES["holds"],
    "checks": THERMAL["checks"] | PROOF["checks"] | DWELL["checks"],
    "batches": THERMAL["batches"] | PROOF["batches"],
    "loads": PROOF["loads"] | {"lot": "TEXT"},
    "oil": THERMAL["oil"] | {"despite": "TEXT"},
    "raw_times": {"lot": "TEXT"},
    "raw_checks": {"disputed": "TEXT", "in_doubt": "INTEGER"},
    "breading": {"hours_in_use": "REAL"},
    "alerts": {
        "acknowledged_ms": "INTEGER",
        "acknowledged_by": "TEXT",
        "seen_ms": "INTEGER",
        "seen_by": "TEXT",
    },
}
"""Columns that later steps added, behind the others. A database that no recorder has opened since then lacks them. Of
the tables of step 12: what is left out of a row where it is empty."""


BEFORE_THE_OIL: dict[str, dict[str, str]] = {
    "raw_times": {
        "part": "TEXT",
        "pieces": "INTEGER",
        "pieces_left": "INTEGER",
        "out_ms": "INTEGER",
        "back_ms": "INTEGER",
        "seconds": "REAL",
        "shift": "INTEGER",
        "too_long": "INTEGER",
        "past_limit": "INTEGER",
        "time_proven": "INTEGER",
        "outcome": "TEXT",
        "lot": "TEXT",
    },
    "raw_checks": {
        "part": "TEXT",
        "opened_ms": "INTEGER",
        "closed_ms": "INTEGER",
        "temp_c": "REAL",
        "temperature": "REAL",
        "unit": "TEXT",
        "cold_limit": "REAL",
        "uncertainty_c": "REAL",
        "verdict": "TEXT",
        "probe_check": "INTEGER",
        "probe_was": "TEXT",
        "raw_time": "INTEGER",
        "shift": "INTEGER",
        "disputed": "TEXT",
        "in_doubt": "INTEGER",
    },
    "breading": {
        "what": "TEXT",
        "at_ms": "INTEGER",
        "shift": "INTEGER",
        "hours_in_use": "REAL",
    },
}
"""The tables that step 12 makes."""

OF_RAW: dict[str, dict[str, str]] = {"loads": {"lot": "TEXT"}, "oil": {"despite": "TEXT"}}
"""Columns that step 12 adds."""


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


def _create(db: Database, tables: dict[str, dict[str, str]]) -> None:
    for name, shape in tables.items():
        parts = ["id TEXT PRIMARY KEY" if name in TEXT_IDS else "id INTEGER PRIMARY KEY"]
        for column, kind in shape.items():
            parts += _columns(column, kind)
        if name != "alerts":
            parts.append("struck INTEGER NOT NULL")
        db.execute(f"CREATE TABLE {name} ({', '.join(parts)}) STRICT")


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
    db.execute("ALTER TABLE commands ADD COLUMN first_text TEXT")


@migrations()
def m005_thermal(db: Database) -> None:
    """How surely a check settled and how the probe stood; probe checks; what few pieces say; how oil bears its work."""
    _create(db, LATER)
    for table, added in THERMAL.items():
        for column, kind in added.items():
            db.execute(f"ALTER TABLE {table} ADD COLUMN {column} {kind}")


@migrations()
def m006_alerts(db: Database) -> None:
    """Who has an alert in hand, and which phone has shown it."""
    for column, kind in ADDED["alerts"].items():
        for each in _columns(column, kind):
            db.execute(f"ALTER TABLE alerts ADD COLUMN {each}")


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
    for table, added in PROOF.items():
        for column, kind in added.items():
            for each in _columns(column, kind):
                db.execute(f"ALTER TABLE {table} ADD COLUMN {each}")
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
def m012_before_the_oil(db: Database) -> None:
    """Raw food out of the cooler, its cold checks and lots; the breading station; oil that was said to be ready."""
    _create(db, BEFORE_THE_OIL)
    for table, added in OF_RAW.items():
        for column, kind in added.items():
            db.execute(f"ALTER TABLE {table} ADD COLUMN {column} {kind}")


@migrations()
def m013_tasks(db: Database) -> None:
    """Prompts that were said, the tasks of each day, causes and corrective actions."""
    _create(db, DUTIES)


@migrations()
def m014_dwell(db: Database) -> None:
    """Critical limits that ask for a time, and how long a piece was seen at them."""
    for table, added in DWELL.items():
        for column, kind in added.items():
            db.execute(f"ALTER TABLE {table} ADD COLUMN {column} {kind}")


@migrations()
def m015_places(db: Database) -> None:
    """In which cabinets food was held, and the lowest that they were read at."""
    for column, kind in PLACES["holds"].items():
        db.execute(f"ALTER TABLE holds ADD COLUMN {column} {kind}")


@migrations()
def m016_people(db: Database) -> None:
    """Whose turn it was at each command, and who went on with what a cook left open."""
    for table, added in PEOPLE.items():
        for column, kind in added.items():
            db.execute(f"ALTER TABLE {table} ADD COLUMN {column} {kind}")


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
