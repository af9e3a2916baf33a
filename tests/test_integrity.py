"""A report and an export say what `verify` finds of their record, counted, and claim nothing that is not known."""

import json
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.commands.report import made
from recorder.core import meanings as m
from recorder.core.events import LinkDown, LinkUp, Signed
from recorder.demo import story
from recorder.journal.columns import TABLES
from recorder.journal.errors import JournalError
from recorder.journal.finding import Finding, Kind, RecordFault
from recorder.journal.reader import Reader
from recorder.reports.export import about
from recorder.reports.export import export as write_all
from recorder.reports.exported import EXPORTED
from recorder.reports.integrity import WORDS, integrity
from recorder.reports.lookup import Lookup
from recorder.verification.examine import examine
from tests.kitchen import MINUTE, Kitchen, kept
from tests.reported import text_of
from tests.schema_changes import ADDITIONS, LOOSER, VALUES, columns, objects, written
from tests.tampering import tamper, unguarded

DAY = date(2026, 2, 26)

CLAIMS = ("No change found:", "Nothing of this day was changed", "Unchanged", "unchanged", "0 rows")
"""What a report may say only of a record in which `verify` finds nothing."""


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shift whose day is signed; each table has a row."""
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.feed(LinkUp(kitchen.at_ms))
    kitchen.open_shift()
    kitchen.check_all(170)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    kitchen.feed(LinkDown(kitchen.at_ms, "no route"))
    kitchen.wait(90 * MINUTE)
    kitchen.feed(LinkUp(kitchen.at_ms))
    kitchen.feed(Signed(kitchen.at_ms, DAY.isoformat(), "JD", "reviewed"))
    path = tmp_path_factory.mktemp("integrity") / "records.db"
    journal = kept(kitchen, path)
    journal.outbox.mark_sent([row.id for row in journal.outbox.unsent(most=20)], kitchen.at_ms)
    journal.close()
    return path


@pytest.fixture
def copy(records: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(records, tmp_path / "copy.db"))


def report_of(path: Path) -> tuple[str, Finding | None]:
    """The words of the report, or of the error where there is none, and what `verify` finds, unless it refuses."""
    try:
        _, finding, html = made(path, DAY, UTC, story.START_MS)
        return text_of(html), finding
    except JournalError as error:
        text = f"error: {error}"
    try:
        return text, examine(path)
    except JournalError:
        return text, None


def said_by(path: Path, folder: Path) -> None:
    """Asserts that report and export say what `verify` finds in the file at `path`."""
    text, finding = report_of(path)
    if finding and not finding.faults:
        assert "No change found:" in text and "Nothing of this day was changed since." in text, text
        return
    assert not [claim for claim in CLAIMS if claim in text], text
    if finding is None:
        assert text.startswith("error: ")
        assert CliRunner().invoke(app, ["export", str(path), "--out", str(folder)]).exit_code == 2
        return
    record = integrity(finding)
    assert sum(fault.count for fault in finding.faults) >= len(finding.faults) >= len(record.found) > 0
    if text.startswith("error: "):
        assert re.search("changed or damaged|not as the recorder makes it|can't be read|no entry", text), text
    else:
        assert all(re.sub(r"\s+", " ", line) in text for line in record.found), text
        assert text.count("The record was changed or damaged") == 2 and record.not_compared in text, text
    with Reader.open(path) as journal:
        written = {
            file.stem: rows
            for file, rows in write_all(Lookup(journal, UTC), folder, "jsonl", about(journal, path.name), finding)
        }
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    assert (manifest["record"], manifest["found"]) == ("changed or damaged", list(record.found))
    assert {table: written.get(table) for table in EXPORTED} == manifest["rows"]
    assert [table for table in EXPORTED if (folder / f"{table}.jsonl").exists()] == [
        table for table in EXPORTED if table in written
    ]


def test_a_record_that_is_whole_says_what_was_looked_at_and_what_was_not(records: Path, tmp_path: Path) -> None:
    said_by(records, tmp_path)
    CliRunner().invoke(app, ["export", str(records), "--out", str(tmp_path)])
    text, manifest = report_of(records)[0], json.loads((tmp_path / "manifest.json").read_text("utf-8"))
    for words in ("An end that was cut off", "compared with none"):
        assert words in text and words in manifest["not_known"]
    assert manifest["chain_head"] == examine(records).head and manifest["rows"].keys() == EXPORTED.keys()
    run = CliRunner().invoke(app, ["report", str(records), "--zone", "UTC", "--out", str(tmp_path / "r.html")])
    assert run.exit_code == 0 and "warning" not in run.output
    run = CliRunner().invoke(app, ["export", str(records), "--out", str(tmp_path)])
    assert run.exit_code == 0 and "warning" not in run.output


@pytest.mark.parametrize("what", ADDITIONS)
def test_what_was_added_or_left_out_is_said(what: str, copy: Path, tmp_path: Path) -> None:
    sql, _ = ADDITIONS[what]
    with closing(sqlite3.connect(copy, isolation_level=None)) as connection:
        for each in sql.split("; ") if sql.startswith("PRAGMA") else [sql]:
            connection.execute(each)
    said_by(copy, tmp_path)


@pytest.mark.parametrize("what", LOOSER)
def test_a_looser_or_lying_definition_is_said(what: str, copy: Path, tmp_path: Path) -> None:
    written(copy, *LOOSER[what][0])
    said_by(copy, tmp_path)


def test_each_object_redefined_or_dropped_is_said(copy: Path, tmp_path: Path) -> None:
    for kind, name, sql in objects(copy):
        for change in ("redefined", "dropped"):
            changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
            if change == "redefined" and sql is not None:
                written(changed, "UPDATE sqlite_master SET sql = sql || ' ' WHERE name = ?", name)
            elif change == "dropped" and kind in ("trigger", "view"):
                tampered = sqlite3.connect(changed)
                tampered.execute(f"DROP {kind} {name}")
                tampered.commit()
                tampered.close()
            elif change == "dropped" and kind == "table" and name in TABLES:
                with unguarded(changed) as connection:
                    for view in [each for of, each, _ in objects(copy) if of == "view"]:
                        connection.execute(f"DROP VIEW {view}")
                    connection.execute(f"DROP TABLE {name}")
            else:
                continue
            said_by(changed, tmp_path)


@pytest.mark.parametrize("table", [*TABLES, "journal"])
def test_a_view_in_a_tables_place_is_said_and_never_read(table: str, copy: Path, tmp_path: Path) -> None:
    """One that never ends would keep a report for ever."""
    held = ", ".join(f"n AS {name}" for where, name in columns(copy) if where == table)
    endless = "WITH RECURSIVE t(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM t)"
    with closing(sqlite3.connect(copy)) as connection:
        for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {trigger}")
        connection.execute(f"ALTER TABLE {table} RENAME TO elsewhere")
        connection.execute(f"CREATE VIEW {table} AS {endless} SELECT {held} FROM t")
        connection.commit()
    said_by(copy, tmp_path)


WHOLE = ("checks", "signatures", "journal", "outbox")
"""Tables of which every column is tried with every value; of the others it is each third column."""


def each_column(path: Path, folder: Path) -> Iterator[Path]:
    for number, (table, column) in enumerate(columns(path)):
        whole = table in WHOLE
        if number % 3 and not whole:
            continue
        for value in VALUES if whole else VALUES[number % 2 :][:1]:
            new = f"iif(typeof({column}) = 'text', {column} || 1, {column} + 1)" if value == "later" else value
            changed = Path(shutil.copy(path, folder / "changed.db"))
            key = "seq" if table == "journal" else "rowid"
            try:
                tamper(changed, f"UPDATE {table} SET {column} = {new} WHERE {key} = (SELECT max({key}) FROM {table})")
            except sqlite3.IntegrityError:
                continue
            yield changed


def test_each_column_of_a_row_of_each_table_is_said(copy: Path, tmp_path: Path) -> None:
    tried = 0
    for changed in each_column(copy, tmp_path):
        said_by(changed, tmp_path)
        tried += 1
    assert tried > 60


def test_rows_deleted_doubled_and_renumbered_are_said(copy: Path, tmp_path: Path) -> None:
    for table in {table for table, _ in columns(copy)} - {"sqlite_sequence"}:
        key = "seq" if table == "journal" else "id"
        held = ", ".join(name for where, name in columns(copy) if where == table and name != key)
        for sql in (
            f"DELETE FROM {table} WHERE {key} = (SELECT min({key}) FROM {table})",
            f"INSERT INTO {table} ({key}, {held}) SELECT {key} || 99, {held} FROM {table} LIMIT 1",
            f"UPDATE {table} SET {key} = -1 WHERE {key} = (SELECT min({key}) FROM {table})",
        ):
            changed = Path(shutil.copy(copy, tmp_path / "changed.db"))
            try:
                tamper(changed, sql)
            except sqlite3.IntegrityError:
                continue
            said_by(changed, tmp_path)


def test_what_is_found_is_counted_and_named(copy: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(copy)) as connection:
        ids = [str(id) for (id,) in connection.execute("SELECT id FROM checks ORDER BY id")]
        (middle,) = connection.execute("SELECT max(seq) / 2 FROM journal").fetchone()
    tamper(
        copy,
        "UPDATE checks SET temp_c = 99",
        "DELETE FROM holds WHERE id = (SELECT max(id) FROM holds)",
        "UPDATE signatures SET initials = 'XX'",
    )
    text = report_of(copy)[0]
    assert f"{len(ids)} rows of checks were changed ({', '.join(ids[:5])}" in text
    assert "1 row of holds is missing" in text and "1 row of signatures was changed" in text
    assert "A signature by XX stands here, and it is not as the journal has it" in text.replace(" ,", ",")
    assert "changed after signature not known" in " ".join(text.split())
    run = CliRunner().invoke(app, ["report", str(copy), "--zone", "UTC", "--out", str(tmp_path / "r.html")])
    assert run.exit_code == 1 and "1 row of holds is missing" in run.output and (tmp_path / "r.html").exists()
    run = CliRunner().invoke(app, ["export", str(copy), "--out", str(tmp_path)])
    assert run.exit_code == 1 and "1 row of holds is missing" in run.output and (tmp_path / "holds.csv").exists()
    tamper(copy, f"DELETE FROM journal WHERE seq BETWEEN {middle} AND {middle + 2}")
    text = report_of(copy)[0]
    assert "3 entries of the journal are missing" in text and "No row and no message was compared" in text


def test_a_saved_state_that_differs_is_no_change_of_the_record() -> None:
    record = integrity(Finding(9, "", 9, (RecordFault("kept state", 4, "the journal says another; delete the file"),)))
    assert not record.changed and record.verdict == "saved state differs" and "delete that file" in record.text()


def test_there_are_words_for_every_kind() -> None:
    for thing, kind in WORDS:
        assert all(words.format(3, table="checks") for words in WORDS[thing, kind])
    for kind in set(Kind) - {Kind.UNREADABLE}:
        assert [key for key in WORDS if key[1] is kind], kind
