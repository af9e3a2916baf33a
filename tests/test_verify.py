"""`verify` finds one changed byte anywhere, and names the row."""

import random
import shutil
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.clock import ManualClock
from recorder.commands.records import examine
from recorder.core.station import State, step
from recorder.journal.journal import Journal
from recorder.journal.migrations import TABLES
from recorder.notices.outbox import Messages
from tests.kitchen import MINUTE, Kitchen, m


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The records of a short shift in which every table has a row."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.OIL_CHANGED)
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.say(m.LID_OPEN)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.wait(65 * MINUTE)
    kitchen.say(m.HOLD_END)
    kitchen.say(m.SCRATCH)
    path = tmp_path_factory.mktemp("verify") / "records.db"
    journal, clock, state = Journal.open(path, Messages("kitchen", "line-1", "all")), ManualClock(0), State()
    for event in kitchen.events:
        clock.at_ms = event.at_ms
        state, effects = step(state, event)
        journal.append(clock.stamp(), event, effects)
    journal.close()
    return path


@pytest.fixture
def copy(records: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(records, tmp_path / "copy.db"))


def tamper(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for sql in statements:
        connection.execute(sql)
    connection.commit()
    connection.close()


def test_an_untouched_record_is_clean(records: Path) -> None:
    finding = examine(records)
    assert finding.faults == () and finding.entries > 25 and finding.rows > 30
    result = CliRunner().invoke(app, ["verify", str(records)])
    assert result.exit_code == 0 and "Clean" in result.output and finding.head in result.output


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
    assert f"journal, row {seq}:" in result.output or (column == "hash" and f"journal, row {seq + 1}:" in result.output)


@pytest.mark.parametrize(
    ("sql", "named"),
    [
        ("DELETE FROM journal WHERE seq = 20", "journal, row 21: entry 20 is missing"),
        ("DELETE FROM journal WHERE seq = 1", "journal, row 2: entry 1 is missing"),
        ("UPDATE journal SET seq = 1000 WHERE seq = 20", "entry 20 is missing"),
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
    column = next(iter(TABLES[table]))
    new = "'other'" if TABLES[table][column] == "TEXT" else "4711"
    tamper(copy, f"UPDATE {table} SET {column} = {new} WHERE id = '{key}'")
    fault = examine(copy).faults[0]
    assert (fault.table, fault.row) == (table, key) and column in fault.what
    tamper(copy, f"DELETE FROM {table} WHERE id = '{key}'")
    assert (examine(copy).faults[0].row, examine(copy).faults[0].what) == (key, "the row is missing")


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
