"""`verify` finds one changed byte anywhere, and names the row."""

import random
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.clock import ManualClock
from recorder.core import meanings as m
from recorder.core.events import Heard, Intent, ProcedureLoaded, Signed, Started
from recorder.core.station import State, step
from recorder.journal.chain import Entry
from recorder.journal.columns import TABLES
from recorder.journal.journal import Journal
from recorder.journal.migrations import VIEWS
from recorder.journal.step_tables import ADDED, BEFORE_THE_OIL, DUTIES, LATER, SIGNED
from recorder.notices.outbox import Messages
from recorder.verification.examine import examine
from tests.appended import append
from tests.kitchen import MINUTE, PROCEDURE, Kitchen, kept
from tests.own_words import OWN
from tests.tampering import tamper


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The records of a short shift in which every table has a row."""
    kitchen = Kitchen()
    kitchen.open_shift()
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.before_the_oil()
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, replace(PROCEDURE, own=OWN)))
    kitchen.say(m.SHIFT_END)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.ACTION, action="thrown away")
    kitchen.wait(65 * MINUTE)
    kitchen.hear(Intent(m.BATCH_START, vat=9), Intent(m.HOLD_END))
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "reviewed"))
    kitchen.say(m.SCRATCH)
    path = tmp_path_factory.mktemp("verify") / "records.db"
    kept(kitchen, path, "all").close()
    return path


@pytest.fixture
def copy(records: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(records, tmp_path / "copy.db"))


def test_an_untouched_record_is_clean(records: Path) -> None:
    finding = examine(records)
    assert finding.faults == () and finding.entries > 25 and finding.rows > 30
    result = CliRunner().invoke(app, ["verify", str(records)])
    assert result.exit_code == 0 and "Clean" in result.output and finding.head in result.output


def test_a_record_from_before_a_column_was_added_is_clean_as_it_lies_and_when_it_is_opened(tmp_path: Path) -> None:
    """The messages of its rows are as they were too; and a value in the new column is found."""
    path, kitchen = tmp_path / "records.db", Kitchen(rules=4)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    journal, clock, state = Journal.open(path), ManualClock(0), State()
    messages = Messages("kitchen", "line-1", "all")
    for event in kitchen.events:
        state, effects = step(state, event)
        append(journal, clock.stamp(), event, effects, messages)
    journal.close()
    connection = sqlite3.connect(path)
    for view in VIEWS:
        connection.execute(f"DROP VIEW {view}")
    connection.execute("ALTER TABLE fryings RENAME TO cooks")
    connection.execute("PRAGMA writable_schema = ON")
    connection.execute("UPDATE sqlite_master SET sql = replace(sql, '\"cooks\"', 'cooks') WHERE name = 'cooks'")
    connection.execute("PRAGMA writable_schema = RESET")
    for table, added in ADDED.items():
        for column in reversed(added):
            if column.endswith("_ms"):
                connection.execute(f"ALTER TABLE {table} DROP COLUMN {column[:-3]}")
            connection.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    for table in LATER | SIGNED | BEFORE_THE_OIL | DUTIES:
        connection.execute(f"DROP TABLE {table}")
    connection.execute("DELETE FROM _sqlite_migrations WHERE name > 'm004'")
    assert "first_text" not in str(connection.execute("SELECT group_concat(body) FROM outbox").fetchone())
    connection.commit()
    connection.close()
    assert examine(path).faults == ()
    journal = Journal.open(path)
    assert [row["first_text"] for row in journal.table("commands")] == [None, None]
    journal.close()
    assert examine(path).faults == ()
    tamper(path, "UPDATE commands SET first_text = 'discard batch' WHERE id = 3")
    (fault,) = examine(path).faults
    assert (fault.table, fault.row) == ("commands", 3)
    assert fault.what == "first_text is 'discard batch', the journal says None"


JOURNAL = ("at_ms", "boot_id", "boot_ms", "wall_ms", "wall_known", "kind", "body", "previous", "hash")


@pytest.mark.parametrize("column", JOURNAL)
@pytest.mark.parametrize("seq", [1, 12, 25])
def test_one_changed_byte_in_a_row_of_the_journal(copy: Path, column: str, seq: int) -> None:
    chance = random.Random(f"{column}{seq}")
    connection = sqlite3.connect(copy)
    (value,) = connection.execute(f"SELECT {column} FROM journal WHERE seq = ?", (seq,)).fetchone()
    connection.close()
    raw = bytearray(str(value).encode())
    place = chance.randrange(len(raw))
    raw[place] = ord("7") if raw[place] != ord("7") else ord("3")
    tamper(copy, f"UPDATE journal SET {column} = '{raw.decode().replace(chr(39), chr(39) * 2)}' WHERE seq = {seq}")
    result = CliRunner().invoke(app, ["verify", str(copy)])
    assert result.exit_code == 1
    assert [(fault.table, fault.row) for fault in examine(copy).faults] == [("journal", seq)], "this row and no other"
    assert f"CHANGED  journal, row {seq}:" in result.output


@pytest.mark.parametrize(
    ("sql", "named"),
    [
        ("DELETE FROM journal WHERE seq = 20", "journal, row 20: the entry is missing; the next one is 21"),
        ("DELETE FROM journal WHERE seq = 1", "journal, row 1: the entry is missing; the next one is 2"),
        ("UPDATE journal SET seq = 1000 WHERE seq = 20", "journal, row 20: the entry is missing"),
        ("UPDATE journal SET wall_known = 2 WHERE seq = 5", "journal, row 5"),
        ("UPDATE outbox SET body = replace(body, 'warning', 'warninG') WHERE id = 30", "outbox, row 30"),
        ("UPDATE outbox SET retain = 3 WHERE id = 9", "outbox, row 9"),
        ("DELETE FROM outbox WHERE body LIKE '%alert.raised%'", "is missing"),
        ("INSERT INTO outbox (seq, topic, body, retain) VALUES (3, 't', '{}', 0)", "no entry of the journal explains"),
    ],
)
def test_other_tampering(copy: Path, sql: str, named: str) -> None:
    connection = sqlite3.connect(copy)
    if "warninG" in sql:
        (number,) = connection.execute("SELECT min(id) FROM outbox WHERE body LIKE '%warning%'").fetchone()
        sql, named = sql.replace("30", str(number)), f"outbox, row {number}"
    connection.close()
    tamper(copy, sql)
    result = CliRunner().invoke(app, ["verify", str(copy)])
    assert result.exit_code == 1 and named in result.output, result.output


@pytest.mark.parametrize("table", TABLES)
def test_a_changed_a_missing_and_an_added_row_of_each_table(copy: Path, table: str) -> None:
    connection = sqlite3.connect(copy)
    (key,) = connection.execute(f"SELECT id FROM {table} LIMIT 1").fetchone()
    connection.close()
    column = TABLES[table][1]
    new = "'other'" if column.kind == "TEXT" else "4711"
    tamper(copy, f"UPDATE {table} SET {column.name} = {new} WHERE id = '{key}'")
    fault = examine(copy).faults[0]
    assert (fault.table, fault.row) == (table, key) and column.name in fault.what
    tamper(copy, f"DELETE FROM {table} WHERE id = '{key}'")
    assert (examine(copy).faults[0].row, examine(copy).faults[0].what) == (key, "the row is missing")


def test_every_changed_row_of_the_journal_is_named(copy: Path) -> None:
    tamper(copy, "UPDATE journal SET body = body || ' ' WHERE seq IN (4, 9, 20)")
    assert [(fault.table, fault.row) for fault in examine(copy).faults] == [
        ("journal", 4),
        ("journal", 9),
        ("journal", 20),
    ]


def test_a_station_may_be_renamed(tmp_path: Path) -> None:
    """Field bug of 2026-11-25: messages made under the new name were taken for changed ones."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.feed(Started(kitchen.at_ms, "boot-2", True, "test", "line-9", (1,)))
    kitchen.check("wing", 150)
    path = tmp_path / "records.db"
    journal, messages, state = Journal.open(path), Messages("kitchen", "line-1", "alerts"), State()
    for event in kitchen.events:
        if isinstance(event, Started):
            journal.close()
            messages = Messages("kitchen", event.station, "alerts")
            journal = Journal.open(path)
            messages.begin(journal.first())
        state, effects = step(state, event)
        append(journal, ManualClock(event.at_ms).stamp(), event, effects, messages)
    assert {row.message.topic for row in journal.outbox.unsent()} == {"kitchen/line-1/alerts", "kitchen/line-9/alerts"}
    journal.close()
    assert examine(path).faults == ()


def test_a_recorder_at_work_is_no_tampering(tmp_path: Path) -> None:
    """Field bug of 2026-11-25: rows that were written while `verify` read were taken for unexplained ones."""
    path, kitchen = tmp_path / "records.db", Kitchen()
    journal, messages, state = Journal.open(path), Messages("kitchen", "line-1", "alerts"), State()
    for event in kitchen.events:
        state, effects = step(state, event)
        append(journal, ManualClock(event.at_ms).stamp(), event, effects, messages)
    written: list[Entry] = []

    def seen(seq: int) -> None:
        if not written:
            new = Heard(9, "shift start", Intent(m.SHIFT_START, cook=4), "test", "open")
            _, effects = step(state, new)
            written.append(append(journal, ManualClock(9).stamp(), new, effects, messages))

    finding = examine(path, seen)
    assert finding.faults == () and finding.entries == 2
    assert [row["cook"] for row in journal.table("shifts")] == [4]
    journal.close()


def test_each_byte_of_a_row_stands_for_something(records: Path, tmp_path: Path) -> None:
    """All bytes of one row as it stands in the file: its lengths and types and every value."""
    whole, seq = records.read_bytes(), 23
    connection = sqlite3.connect(records)
    sql = "SELECT kind || body || previous || hash FROM journal WHERE seq = ?"
    (texts,) = connection.execute(sql, (seq,)).fetchone()
    connection.close()
    end = whole.index(texts.encode()) + len(texts)
    begin = next(at for at in range(end - len(texts), 0, -1) if announced(whole, at) == end - at - 2)
    assert 20 < end - len(texts) - begin < 50, "two bytes of length, then types, numbers and the boot's id"
    path = tmp_path / "flipped.db"
    for at in range(begin, end):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ (1 << at % 8)]) + whole[at + 1 :])
        fault = examine(path).faults[0]
        assert (fault.table, fault.row) == ("journal", seq), f"byte {at - begin}: {fault}"


def announced(whole: bytes, at: int) -> int:
    """The length that a SQLite cell beginning at `at` has, in two bytes (SQLite's file format, "varint"); else -1."""
    return (whole[at] & 127) << 7 | whole[at + 1] if whole[at] & 128 and not whole[at + 1] & 128 else -1


@pytest.mark.slow
def test_bytes_changed_in_the_file_itself(records: Path, tmp_path: Path) -> None:
    """A byte of a journal row, wherever it stands in the file; each must be found, none may end in a traceback."""
    chance = random.Random(7)
    whole = records.read_bytes()
    connection = sqlite3.connect(records)
    bodies = connection.execute("SELECT seq, kind || body FROM journal ORDER BY seq").fetchall()
    connection.close()
    path = tmp_path / "cut.db"
    found = 0
    for seq, body in bodies[::3]:
        at = whole.index(body.encode()) + chance.randrange(len(body))
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        result = CliRunner().invoke(app, ["verify", str(path)])
        assert result.exit_code == 1, result.output
        found += f"row {seq}:" in result.output
    assert found == len(bodies[::3])
    for at in chance.sample(range(len(whole)), 120):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ (1 << chance.randrange(8))]) + whole[at + 1 :])
        result = CliRunner().invoke(app, ["verify", str(path)])
        assert result.exception is None or isinstance(result.exception, SystemExit), (at, result.exception)


def test_a_file_that_is_no_record(tmp_path: Path) -> None:
    for path in (tmp_path / "none.db", tmp_path):
        result = CliRunner().invoke(app, ["verify", str(path)])
        assert result.exit_code == 2 and "error:" in result.output
