"""Columns are stated once, in `journal.columns`: a database, the core's rows and what is published agree with it."""

import lzma
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recorder.core import meanings as m
from recorder.core.effects import Record
from recorder.core.events import Acknowledged, Intent, ProcedureLoaded, Seen, Signed, Started
from recorder.journal.columns import BY_CHECKS, BY_UNIT, TABLES, Column, columns
from recorder.journal.journal import Journal
from recorder.journal.reader import Reader
from recorder.reports.export import dictionary
from recorder.reports.exported import DATE, EXPORTED, JSON, PARSED
from tests import record_schema
from tests.kitchen import PROCEDURE, Kitchen
from tests.own_words import OWN
from tests.replayed import FOLDER

PYTHON = {"INTEGER": (int,), "REAL": (float, int), "TEXT": (str,)}


def stored(path: Path, table: str) -> list[tuple[str, str, bool]]:
    """The columns of a table on disk, without those that are computed: name, type and whether NULL is refused."""
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute('SELECT name, type, "notnull" OR pk FROM pragma_table_info(?)', (table,))
        return [(name, kind, bool(refused)) for name, kind, refused in found]


@pytest.fixture
def database(tmp_path: Path) -> Path:
    Journal.open(tmp_path / "r.db").close()
    return tmp_path / "r.db"


def test_a_database_has_these_tables(database: Path) -> None:
    ours = ("journal", "outbox", "sqlite_sequence", "_sqlite_migrations")
    with closing(sqlite3.connect(database)) as connection:
        found = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert found - {*ours} == TABLES.keys()


@pytest.mark.parametrize("table", TABLES)
def test_a_database_has_these_columns(table: str, database: Path) -> None:
    """By their names, order and types; one that SQLite keeps from being empty is described so."""
    found = stored(database, table)
    assert [(name, kind) for name, kind, _ in found] == [(column.name, column.kind) for column in TABLES[table]]
    assert {name for name, _, refused in found if refused} <= {c.name for c in TABLES[table] if not c.null}


def rows() -> Iterator[Record]:
    """Rows of every table, from a shift in which much goes wrong."""
    kitchen = Kitchen()
    kitchen.open_shift()
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    kitchen.hear(Intent(m.LID_OPEN), Intent(m.OIL_FILTERED))
    for answer in (Seen, Acknowledged):
        kitchen.feed(answer(kitchen.at_ms, kitchen.state.world.alerts[0].id, "JD"))
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "reviewed"))
    kitchen.deviate()
    timed = replace(PROCEDURE.parts[0], critical_for_ms=15_000)  # as in codes of earlier editions
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, replace(PROCEDURE, parts=(timed,))))
    for batch in kitchen.state.world.batches:
        kitchen.say(m.DISCARD, batch=batch.number)
        kitchen.say(m.CONFIRM)
    kitchen.cook()
    kitchen.say(m.PROBE, part="thigh")
    for _ in range(10):
        kitchen.wait(2000)
        kitchen.read("needle", 182, settled=True, spot=kitchen.spot + 1)
    kitchen.feed(Started(kitchen.at_ms, "boot-1", True, "test", "line-1", (1,), 7, cabinets=(1,)))
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    kitchen.read("cabinet1", 150)
    morning = Kitchen()
    morning.say(m.SHIFT_START, cook=5)
    morning.say(m.BATCH_START)
    morning.say(m.SHIFT_START, cook=4)
    morning.say(m.SHIFT_END, cook=5)
    morning.say(m.DISCARD)
    morning.say(m.CONFIRM)
    morning.before_the_oil()
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, replace(PROCEDURE, own=OWN)))
    kitchen.say(m.SHIFT_END)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.say(m.ACTION, action="cooked longer")
    return (effect for effect in (*kitchen.effects, *morning.effects) if isinstance(effect, Record))


def fits(column: Column, value: Any) -> bool:
    if value is None:
        return column.null
    return isinstance(value, PYTHON[column.kind]) and (value in (0, 1) if column.flag else not isinstance(value, bool))


def test_the_core_makes_these_columns_and_values_of_their_types() -> None:
    """All of them: a column that later steps added is left out of a row while it is empty."""
    made: dict[str, set[str]] = {}
    for record in rows():
        row, described = {"id": record.id, **dict(record.row)}, {each.name: each for each in TABLES[record.table]}
        assert row.keys() <= described.keys(), record.table
        wrong = {name: value for name, value in row.items() if not fits(described[name], value)}
        assert wrong == {}, record.table
        made.setdefault(record.table, set()).update(row)
    assert made == {table: {*columns(table)} for table in TABLES}


@pytest.mark.parametrize("name", ["be37cd4", "rules-5-deviations", "rules-6"])
def test_rows_of_released_versions_fit_them(name: str, tmp_path: Path) -> None:
    """Stored ones, as they are read: a column that is not empty in new rows was never empty."""
    path = tmp_path / "r.db"
    path.write_bytes(lzma.decompress((FOLDER / f"{name}.db.xz").read_bytes()))
    with Reader.open(path) as reader:
        for table, described in TABLES.items():
            for row in reader.each(table):
                assert [each.name for each in described if not fits(each, row[each.name])] == [], (table, row)


def test_the_published_schema_is_made_of_them() -> None:
    assert record_schema.FILE.read_text("utf-8") == record_schema.made(), "write it: python -m tests.record_schema"


def test_an_export_has_them_in_its_dictionary() -> None:
    """Each stored column in the stored order, with its own words; what was data in a text is data."""
    described = {(row["table"], row["column"]): row for row in dictionary()}
    for table in TABLES:
        stored = [column.name for column in EXPORTED[table] if column.name in columns(table)]
        assert [name for name in stored if name != "day"] == [name for name in columns(table) if name != "day"]
        for each in TABLES[table]:
            found = described[table, each.name]
            if (table, each.name) != ("signatures", "day"):
                assert found["means"].startswith(each.about) and found["unit"] == each.unit
                assert found["type"] == (JSON if (table, each.name) in PARSED else each.kind)
    assert all(row["means"] for row in described.values())


@pytest.mark.parametrize("table", EXPORTED)
def test_units_are_given_as_the_name_and_type_ask_for(table: str) -> None:
    """A moment is in ms, a number has a unit or "1", a text has none; and all say what they mean."""
    assert table not in TABLES or columns(table) == [column.name for column in TABLES[table]]
    for column in (*TABLES.get(table, ()), *EXPORTED[table]):
        assert column.means and column.means[-1] != "." and column.about.startswith(column.means), column
        assert column.about.endswith("; ms since 1970 UTC on the station's time line") == (column.unit == "ms"), column
        assert not column.flag or (column.kind, column.unit) == ("INTEGER", "1"), column
        assert (column.unit == "") == (column.kind in ("TEXT", DATE, JSON)), column
        assert (column.unit == "ms") == column.name.endswith("_ms"), column
        assert column.unit in ("", "1", "ms", "s", "h", "%", "Cel", "K", BY_UNIT, BY_CHECKS), column
        assert (column.unit in ("Cel", "K")) == column.name.endswith("_c"), column
        if column.unit == BY_UNIT:
            assert any(each.name == "unit" for each in EXPORTED[table]), column
