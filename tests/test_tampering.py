"""Whatever SQLite lets somebody change in a file of records: `verify` names it, or a table says why it need not."""

import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.core import meanings as m
from recorder.core.events import LinkDown, LinkUp, ProcedureLoaded, Signed, Started
from recorder.journal import schema, upkeep
from recorder.journal.errors import JournalDamaged, JournalNewer
from recorder.journal.journal import Journal
from recorder.verification.examine import examine
from tests.kitchen import MINUTE, PROCEDURE, Kitchen, kept
from tests.own_words import OWN
from tests.schema_changes import ADDITIONS, LOOSER, VALUES, columns, objects, written
from tests.tampering import tamper, unguarded

NEED_NOT = {
    ("_sqlite_migrations", "applied_at"): "when a step was taken says nothing of the records",
    schema.STEPS_INDEX: "a power cut in the first start can leave it out, and the next start makes it",
    ("outbox", "sent_ms", "NULL"): "the message goes out once more, and receivers drop doubles",
    (
        "outbox",
        "sent_ms",
        "later",
    ): "a message that is marked as sent and never was: only what a subscriber kept shows it",
}
"""What may be changed without a fault, and why."""


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    kitchen = Kitchen()
    kitchen.feed(LinkUp(kitchen.at_ms))
    kitchen.open_shift()
    kitchen.check_all(170)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    kitchen.feed(LinkDown(kitchen.at_ms, "no route"))
    kitchen.wait(90 * MINUTE)
    kitchen.feed(LinkUp(kitchen.at_ms))
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, replace(PROCEDURE, own=OWN)))
    kitchen.say(m.SHIFT_END)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.ACTION, action="thrown away")
    kitchen.before_the_oil()
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "reviewed"))
    path = tmp_path_factory.mktemp("tampering") / "records.db"
    journal = kept(kitchen, path, "all")
    journal.outbox.mark_sent([row.id for row in journal.outbox.unsent(most=20)], kitchen.at_ms)
    journal.close()
    assert examine(path).faults == ()
    return path


@pytest.fixture
def copy(records: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(records, tmp_path / "copy.db"))


def named(path: Path) -> set[str]:
    result = CliRunner().invoke(app, ["verify", str(path)])
    assert result.exit_code in (1, 2) and "Clean" not in result.output, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return {fault.table for fault in examine(path).faults} if result.exit_code == 1 else set()


@pytest.mark.slow
def test_each_object_dropped_renamed_and_redefined_is_named(copy: Path, tmp_path: Path) -> None:
    """By writing `sqlite_master` (sqlite.org/pragma.html, writable_schema), which needs no statement of its kind."""
    for kind, name, sql in objects(copy):
        what = f"{kind} {name}"
        changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
        if sql is not None:
            written(changed, "UPDATE sqlite_master SET sql = sql || ' ' WHERE name = ?", name)
            assert what in named(changed), f"{what} redefined"
        if kind in ("trigger", "view"):
            changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
            with closing(sqlite3.connect(changed)) as connection:
                connection.execute(f"DROP {kind} {name}")
                connection.commit()
            assert what in named(changed), f"{what} dropped"
            with closing(sqlite3.connect(changed)) as connection:
                connection.execute((sql or "").replace(name, f"{name}_2", 1))
                connection.commit()
            assert {what, f"{what}_2"} <= named(changed), f"{what} renamed"
        elif not name.startswith("sqlite_"):
            changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
            with unguarded(changed) as connection:
                for view in [each for kind, each, _ in objects(copy) if kind == "view"]:
                    connection.execute(f"DROP VIEW {view}")
                connection.execute(f"DROP {kind} {name}") if name not in ("journal", "outbox") else None
            kept_whole = name in ("journal", "outbox") or (kind, name) == schema.STEPS_INDEX  # see NEED_NOT
            assert named(changed) >= ({"view checks_read"} if kept_whole else {what})


@pytest.mark.parametrize("what", ADDITIONS)
def test_what_is_added_to_a_file_or_left_out_is_named_and_never_runs_under_the_recorder(what: str, copy: Path) -> None:
    sql, at = ADDITIONS[what]
    with closing(sqlite3.connect(copy, isolation_level=None)) as connection:
        for each in sql.split("; ") if sql.startswith("PRAGMA") else [sql]:
            connection.execute(each)
    found = named(copy)
    assert not at or at in found, found
    before = copy.read_bytes()
    with pytest.raises(JournalDamaged if at else Exception, match="is damaged" if at else "newer"):
        Journal.open(copy)
    assert copy.read_bytes() == before, "left as it was found, for whoever looks into it"


@pytest.mark.parametrize("what", LOOSER)
def test_a_definition_that_was_made_looser_or_lies_is_named(what: str, copy: Path) -> None:
    change, at = LOOSER[what]
    written(copy, *change)
    assert at in named(copy)
    with pytest.raises(JournalDamaged, match=at):
        Journal.open(copy)


def test_a_table_that_became_a_view_is_named_and_not_read(copy: Path) -> None:
    """A view can be made to never end."""
    endless = (
        "CREATE VIEW recoveries AS WITH RECURSIVE n(id) AS (SELECT 1 UNION ALL SELECT id + 1 FROM n) SELECT id FROM n"
    )
    with unguarded(copy) as connection:
        connection.execute("DROP TABLE recoveries")
        connection.execute(endless)
    assert {"table recoveries", "view recoveries"} <= named(copy)


def clean(path: Path) -> bool:
    try:
        return examine(path).faults == ()
    except JournalNewer:
        return False


@pytest.mark.slow
def test_each_column_of_a_row_of_each_table_is_named_whatever_is_put_there(copy: Path, tmp_path: Path) -> None:
    """A value that the table refuses by itself is no change."""
    tried = 0
    for table, column in columns(copy):
        for value in VALUES:
            new = f"iif(typeof({column}) = 'text', {column} || 1, {column} + 1)" if value == "later" else value
            changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
            try:
                with unguarded(changed) as connection:
                    row = f"SELECT max(rowid) FROM {table}" if table != "journal" else "SELECT max(seq) FROM journal"
                    if table == "outbox":
                        row = f"{row} WHERE sent_ms IS NOT NULL"
                    key = "seq" if table == "journal" else "rowid"
                    was = connection.execute(f"SELECT {column} FROM {table} WHERE {key} = ({row})").fetchone()
                    connection.execute(f"UPDATE {table} SET {column} = {new} WHERE {key} = ({row})")
                    if connection.execute(f"SELECT {column} FROM {table} WHERE {key} = ({row})").fetchone() == was:
                        continue
            except sqlite3.IntegrityError:
                continue
            tried += 1
            need_not = {(table, column), (table, column, value)} & NEED_NOT.keys()
            assert clean(changed) == bool(need_not), f"{table}.{column} = {new}"
    assert tried > 150


def test_rows_deleted_doubled_and_swapped_are_named(copy: Path, tmp_path: Path) -> None:
    for table in {table for table, _ in columns(copy)} - {"sqlite_sequence"}:
        key = "seq" if table == "journal" else "id"
        held = ", ".join(name for where, name in columns(copy) if where == table and name != key)
        for what, sql in {
            "deleted": f"DELETE FROM {table} WHERE {key} = (SELECT min({key}) FROM {table})",
            "doubled": f"INSERT INTO {table} ({key}, {held}) SELECT {key} || 99, {held} FROM {table} LIMIT 1",
            "numbered otherwise": f"UPDATE {table} SET {key} = -1 WHERE {key} = (SELECT min({key}) FROM {table})",
        }.items():
            changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
            try:
                tamper(changed, sql)
            except sqlite3.IntegrityError:
                continue
            assert not clean(changed), f"{table}: {what}"


def test_a_message_is_sent_where_the_others_go_and_not_before_it_was_made(copy: Path, tmp_path: Path) -> None:
    for sql, told in {
        "UPDATE outbox SET topic = 'elsewhere/line-1/alerts' WHERE id = (SELECT max(id) FROM outbox WHERE topic LIKE"
        " '%alerts')": "it goes to elsewhere/line-1/alerts",
        "UPDATE outbox SET topic = 'kitchen/line-1/records/alerts' WHERE topic LIKE '%alerts'": "is not what",
        "UPDATE outbox SET sent_ms = 0 WHERE id = (SELECT max(id) FROM outbox)": "before it was made",
        "UPDATE outbox SET sent_ms = (SELECT at_ms FROM journal WHERE kind = 'link down') + 1800000"
        " WHERE id = (SELECT min(id) FROM outbox WHERE sent_ms IS NULL)": "no broker was reached",
    }.items():
        changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
        tamper(changed, sql)
        result = CliRunner().invoke(app, ["verify", str(changed)])
        assert result.exit_code == 1 and told in result.output, f"{sql}: {result.output}"


def test_the_first_part_of_the_topics_is_on_record_since_a_recorder_says_it(tmp_path: Path) -> None:
    kitchen = Kitchen()
    kitchen.feed(Started(kitchen.at_ms, "boot-1", True, "test", "line-1", (1,), 4, root="kitchen"))
    kept(kitchen, tmp_path / "r.db").close()
    assert examine(tmp_path / "r.db").faults == ()
    tamper(tmp_path / "r.db", "UPDATE outbox SET topic = 'elsewhere/line-1/alerts'")
    (fault,) = examine(tmp_path / "r.db").faults
    assert "below kitchen" in fault.what


def test_files_are_for_their_owner_alone_whatever_the_umask(tmp_path: Path) -> None:
    """open(2), umask(2): a file of 0666 under a umask of 0 is everybody's."""
    before = os.umask(0)
    try:
        journal = kept(Kitchen(), tmp_path / "r.db")
        copied = upkeep.keep(tmp_path / "r.db", tmp_path / "copies", 3, examine)
        made = [*tmp_path.glob("r.db*"), copied.file]
        assert len(made) == 5, "the database, its log, shared memory and lock, and the copy"
        assert {oct(file.stat().st_mode & 0o777) for file in made} == {"0o600"}
        journal.close()
    finally:
        os.umask(before)
