"""The eleven questions of docs/questions.md, put to the record of a released random day: each runs, and counts right.

Three of them are put to its export as well, by the page's own lines of Python.

What a query adds up is added up here again, row by row and without SQL's arithmetic.
"""

import lzma
import re
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.core import meanings as m
from recorder.journal.journal import Journal
from tests.kitchen import PROCEDURE, Kitchen
from tests.reported import recorded

PAGE = Path("recorder/share/docs/questions.md")
QUESTIONS = re.findall(r"^## \d+\. (.*?)\n+```sql\n(.*?)```", PAGE.read_text("utf-8"), re.S | re.M)

PYTHON = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), re.S)

Rows = list[dict[str, Any]]


def _opened(name: str, folder: Path) -> Iterator[sqlite3.Connection]:
    path = folder / "records.db"
    path.write_bytes(lzma.decompress(Path(f"fixtures/records/{name}.db.xz").read_bytes()))
    Journal.open(path).close()  # by the tables of now
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        db.row_factory = sqlite3.Row
        yield db


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    """A random day."""
    yield from _opened("rules-6", tmp_path_factory.mktemp("random"))


@pytest.fixture(scope="module")
def orderly(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    """A day with a filter, a probe check and oil that recovers."""
    yield from _opened("rules-5", tmp_path_factory.mktemp("orderly"))


def _rows(db: sqlite3.Connection, sql: str) -> Rows:
    return [dict(row) for row in db.execute(sql)]


def _table(db: sqlite3.Connection, name: str) -> Rows:
    return _rows(db, f"SELECT * FROM {name}")


@pytest.mark.parametrize("number", range(10))
def test_each_question_has_an_answer(records: sqlite3.Connection, orderly: sqlite3.Connection, number: int) -> None:
    assert len(QUESTIONS) == 11
    question, sql = QUESTIONS[number]
    assert question.endswith("?") and (_rows(records, sql) + _rows(orderly, sql)), question


def test_a_recall_by_one_lot(tmp_path: Path) -> None:
    """Of a kitchen that says lots, which no released record has; of two lots a load may be of either."""
    k = Kitchen(procedure=replace(PROCEDURE, raw_out_ms=1_800_000, lots=True))
    k.say(m.SHIFT_START, cook=4)
    k.say(m.BATCH_START)
    for lot in ("041", "0417", "052"):
        k.say(m.RAW_OUT, part="thigh")
        k.say(m.LOT, lot=lot)
        k.say(m.LOAD, part="thigh", count=5)
        k.say(m.RAW_BACK, part="thigh") if lot == "041" else None
    with closing(sqlite3.connect(recorded(k, tmp_path / "records.db"))) as db:
        db.row_factory = sqlite3.Row
        answer = _rows(db, QUESTIONS[10][1])
    assert [(row["lot"], row["pieces"], row["of_the_batch"], row["now"]) for row in answer] == [
        ("0417", 5, 15, "loading"),
        ("0417 052", 5, 15, "loading"),
    ]


def test_checks_below_target_by_part(records: sqlite3.Connection) -> None:
    checks = _table(records, "checks")
    since_ms = max(row["opened_ms"] for row in checks) - 7 * 86_400_000
    read = [
        row
        for row in checks
        if not row["struck"] and row["temp_c"] is not None and not row["disputed"] and row["opened_ms"] > since_ms
    ]
    wanted = Counter((row["part"], row["unit"]) for row in read)
    missed = Counter((row["part"], row["unit"]) for row in read if row["verdict"] != "passed")
    answer = _rows(records, QUESTIONS[0][1])
    assert {(row["part"], row["unit"]): row["checks"] for row in answer} == wanted
    assert {(row["part"], row["unit"]): row["missed"] for row in answer if row["missed"]} == missed


def test_short_cooks_by_cook(records: sqlite3.Connection) -> None:
    batches = {row["id"]: row for row in _table(records, "batches")}
    shifts = {row["id"]: row["cook"] for row in _table(records, "shifts")}
    short: Counter[int] = Counter()
    for row in _table(records, "fryings"):
        batch = batches[row["batch_id"]]
        if not row["struck"] and not batch["struck"] and batch["shift"] in shifts:
            short[shifts[batch["shift"]]] += row["short"] or 0
    assert {row["cook"]: row["short"] or 0 for row in _rows(records, QUESTIONS[2][1])} == short


def test_waste_by_day(records: sqlite3.Connection) -> None:
    wasted: defaultdict[str, int] = defaultdict(int)
    for row in _table(records, "batches"):
        if not row["struck"]:
            wasted[row["started"][:10]] += (row["discarded_pieces"] or 0) + (row["dropped_pieces"] or 0)
    answer = _rows(records, QUESTIONS[3][1])
    assert {row["day"]: row["discarded"] + row["dropped"] for row in answer} == wasted
    assert any(wasted.values())


def test_refusals_are_counted(records: sqlite3.Connection) -> None:
    refused = Counter(row["reply"] for row in _table(records, "commands") if row["outcome"] == "refused")
    counted: Counter[str] = Counter()
    for row in _rows(records, QUESTIONS[8][1]):
        counted[row["reply"]] += row["times"]
    assert counted == refused and refused


@pytest.mark.parametrize("name", ["rules-5", "rules-6", "rules-7"])
def test_an_export_gives_the_same_answers(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for db in _opened(name, tmp_path):
        parts, cooks, days = (_rows(db, QUESTIONS[number][1]) for number in (0, 2, 3))
        everything = _rows(db, QUESTIONS[0][1].replace("- 7 * 86400000", "- 7000 * 86400000"))
    assert parts == everything, "the record is of one week"
    monkeypatch.chdir(tmp_path)
    assert CliRunner().invoke(app, ["export", "records.db", "--zone", "UTC"]).exit_code == 0
    found: dict[str, Any] = {}
    assert len(PYTHON) == 4
    for lines in PYTHON:
        exec(compile(lines, str(PAGE), "exec"), found)
    assert {row["part"] or "": (row["checks"], row["missed"]) for row in parts} == {
        part: (found["checks"][part], found["missed"][part]) for part in found["checks"]
    }
    printed = capsys.readouterr().out.splitlines()
    for row in parts:
        (line,) = (line for line in printed if line.startswith(f"{row['part'] or ''} {row['checks']} "))
        coldest = float(line.split()[-1])
        assert coldest <= row["coldest"] < coldest + 0.1001
    assert {int(cook): count for cook, count in found["short"].items()} == {row["cook"]: row["short"] for row in cooks}
    assert sum(found["wasted"].values()) == sum(row["discarded"] + row["dropped"] for row in days)
