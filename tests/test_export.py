"""The exported tables, row by row, against the database as sqlite3 gives it, and what an independent count says of it.

Local time is reckoned here by the rule of the European Union (Directive 2000/84/EC, articles 2 and 3: summer time from
01:00 UTC on the last Sunday of March to 01:00 UTC on the last Sunday of October), not by the zone's tables.
"""

import ast
import csv
import json
import lzma
import math
import re
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable
from contextlib import closing
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.core import meanings as m
from recorder.core.effects import EARLIER_TABLES
from recorder.core.events import Signed
from recorder.journal.columns import TABLES, columns
from recorder.probes.thinning import PERIOD_MS, Thinning
from recorder.reports.exported import EXPORTED, JSON
from recorder.reports.numbers import MEASURED, WORDS, numbers
from tests.conftest import Performance
from tests.kitchen import MINUTE, Kitchen
from tests.replayed import FOLDER
from tests.reported import recorded
from tests.tampering import tamper

Row = dict[str, Any]

HOUR = 60 * MINUTE
FORMS = ("csv", "jsonl", "parquet")
FIXTURES = ("46da2e1", "be37cd4", "rules-5", "rules-5-deviations", "rules-6", "rules-7", "upgraded")
CUT = ("temperature", "oil_temperature", "lowest")


def unpacked(name: str, folder: Path) -> Path:
    path = folder / f"{name}.db"
    path.write_bytes(lzma.decompress((FOLDER / f"{name}.db.xz").read_bytes()))
    return path


def asked(path: Path, sql: str, *values: Any) -> list[Row]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        db.row_factory = sqlite3.Row
        return [dict(row) for row in db.execute(sql, values)]


def exported(path: Path, folder: Path, form: str = "jsonl", *more: str, zone: str = "Europe/Berlin") -> dict[str, Any]:
    """The tables as another program reads them."""
    words = ["export", str(path), "--out", str(folder), "--as", form, "--zone", zone, *more]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    return {table: READ[form](folder / f"{table}.{form}") for table in EXPORTED}


def _csv(file: Path) -> list[Row]:
    with file.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def _jsonl(file: Path) -> list[Row]:
    return [json.loads(line) for line in file.read_text("utf-8").splitlines()]


def _parquet(file: Path) -> list[Row]:
    from pyarrow import parquet

    return list(parquet.read_table(file).to_pylist())


READ: dict[str, Callable[[Path], list[Row]]] = {"csv": _csv, "jsonl": _jsonl, "parquet": _parquet}


def last_sunday(year: int, month: int) -> date:
    last = date(year, month, 31)
    return last - timedelta((last.weekday() + 1) % 7)


def local(wall_ms: int) -> str:
    """A wall time in Berlin, by the European rule."""
    moment = datetime(1970, 1, 1) + timedelta(seconds=wall_ms // 1000)
    begin, end = (
        datetime.combine(last_sunday(moment.year, month), datetime.min.time()) + timedelta(hours=1) for month in (3, 10)
    )
    ahead = 2 if begin <= moment < end else 1
    if moment.year < 1980:  # the rule began later; Germany had no summer time then
        ahead = 1
    return f"{(moment + timedelta(hours=ahead)).isoformat()}+0{ahead}:00"


def ahead_of(path: Path) -> int:
    """Wall time less the time line of a journal of one boot."""
    stamps = asked(path, "SELECT boot_id, at_ms, wall_ms, wall_known FROM journal ORDER BY seq")
    assert len({row["boot_id"] for row in stamps}) == 1
    newest = [row for row in stamps if row["wall_known"]][-1:] or stamps[-1:]
    return int(newest[0]["wall_ms"] - newest[0]["at_ms"])


def independent(path: Path) -> dict[str, list[Row]]:
    """What stands in the files, by the database alone."""
    ahead_ms = ahead_of(path)
    there = {row["name"] for row in asked(path, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    named = {table: table if table in there else EARLIER_TABLES.get(table, table) for table in TABLES}
    stored = {table: asked(path, f"SELECT * FROM {name} ORDER BY id") for table, name in named.items() if name in there}
    starts = asked(path, "SELECT seq, body ->> 'station' AS name FROM journal WHERE kind = 'started' ORDER BY seq")
    batches = {row["id"]: row for row in stored["batches"]}
    found: dict[str, list[Row]] = defaultdict(list)
    for table, rows in stored.items():
        for row in rows:
            made: Row = {name: row.get(name) for name in columns(table)}
            number = int(str(row["id"]).partition("-")[0])
            made["station"] = [each["name"] for each in starts if each["seq"] <= number][-1]
            for name in [name for name in made if name.endswith("_ms")]:
                made[name[:-3]] = None if made[name] is None else local(made[name] + ahead_ms)
            if table in ("alerts", "recoveries"):
                same = [each for each in batches.values() if each["number"] == row["batch"] and each["id"] <= number]
                made["batch_id"] = max((each["id"] for each in same), default=None)
            for name in set(CUT) & made.keys():
                made[name] = made[name] if made[name] is None else math.floor(round(made[name] * 10, 3)) / 10
            if "uncertainty_c" in made:
                by = 1.8 if row["unit"] == "F" else 1
                half = row.get("uncertainty_c")
                made["uncertainty"] = None if half is None else math.ceil(round(half * by * 10, 3)) / 10
            found[table].append(made)
    return found


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", FIXTURES)
def test_every_exported_value_is_the_databases_or_derived_from_it(name: str, form: str, tmp_path: Path) -> None:
    path = unpacked(name, tmp_path)
    files = exported(path, tmp_path / "out", form)
    found = independent(path)
    assert all(files[table] == [] for table in TABLES if table not in found)
    for table, wanted in found.items():
        assert len(files[table]) == len(wanted), table
        for row, should in zip(files[table], wanted, strict=True):
            assert list(row) == [column.name for column in EXPORTED[table]]
            left = {column.name for column in EXPORTED[table] if column.kind == JSON}
            left |= {"day", "day_utc", "shift_day"}
            kinds = {column.name: column.kind for column in EXPORTED[table]}
            for key in row.keys() - left:
                value = row[key]
                if form == "csv":
                    value = {"INTEGER": int, "REAL": float, "TEXT": str}[kinds[key]](value) if value else None
                    value = value.removeprefix("'") if isinstance(value, str) else value
                assert value == (should[key] or None if form == "csv" and kinds[key] == "TEXT" else should[key]), key


@pytest.mark.parametrize("name", FIXTURES)
def test_readings_are_the_journals(name: str, tmp_path: Path) -> None:
    path = unpacked(name, tmp_path)
    ahead_ms = ahead_of(path)
    rows = exported(path, tmp_path / "out")["readings"]
    wanted = asked(path, "SELECT seq, kind, body FROM journal WHERE kind IN ('reading', 'probe lost') ORDER BY seq")
    assert len(rows) == len(wanted) > 20
    procedures = asked(path, "SELECT seq, body ->> '$.procedure.unit' AS unit FROM journal WHERE kind LIKE 'proc%'")
    for row, entry in zip(rows, wanted, strict=True):
        body = json.loads(entry["body"])
        unit = [each["unit"] for each in procedures if each["seq"] <= entry["seq"]][-1]
        assert (row["id"], row["at_ms"], row["channel"]) == (entry["seq"], body["at_ms"], body["channel"])
        assert row["at"] == local(body["at_ms"] + ahead_ms)
        assert row["vat"] == (int(body["channel"][3:]) if body["channel"].startswith("vat") else None)
        assert (row["temp_c"], row["lost"], row["unit"]) == (body.get("temp_c"), body.get("reason"), unit)
        if entry["kind"] == "reading":
            shown = body["temp_c"] * 1.8 + 32 if unit == "F" else body["temp_c"]
            assert row["temperature"] <= round(shown, 4) < row["temperature"] + 0.1001
            assert row["settled"] == int(body.get("settled", False))
            assert row["uncertainty_c"] == body.get("uncertainty_c")
            half = row["uncertainty_c"]
            assert half is None or row["uncertainty"] >= half * (1.8 if unit == "F" else 1) - 1e-9


def test_a_level_channel_gives_so_many_rows_a_day_as_the_manifest_says(tmp_path: Path) -> None:
    channel, day_s = Thinning("cabinet"), 86_400
    rows = sum(channel.feed(1000 * second, 60.0) is not None for second in range(day_s))
    exported(unpacked("rules-7", tmp_path), tmp_path / "out")
    manifest = json.loads((tmp_path / "out/manifest.json").read_text("utf-8"))
    assert f"one row in {PERIOD_MS // 1000} s, which is {rows} a day" in manifest["readings"]
    assert f"{rows:,} a day" in Path("recorder/share/docs/records.md").read_text("utf-8")


def test_the_batch_of_a_number_that_is_used_again_is_the_one_of_that_time(tmp_path: Path) -> None:
    """By the times: a load's oil comes back, and an alert begins, while its batch is open or after it, before the next
    of that number."""
    path = unpacked("upgraded", tmp_path)
    files = exported(path, tmp_path / "out")
    numbered = Counter(row["number"] for row in files["batches"])
    assert max(numbered.values()) > 1
    checked = 0
    for table, column in (("recoveries", "loaded_ms"), ("alerts", "began_ms")):
        for row in files[table]:
            if row["batch"] is None:
                assert row["batch_id"] is None
                continue
            begun = [
                each
                for each in files["batches"]
                if each["number"] == row["batch"] and each["started_ms"] <= row[column]
            ]
            assert row["batch_id"] == max(begun, key=lambda each: each["started_ms"])["id"]
            checked += 1
    assert checked > 5


def night(path: Path, day: date, evening_utc: int) -> Kitchen:
    """Two nights of work, each from an evening into the morning, and a day between them without a shift."""
    begin_ms = round((datetime.combine(day, datetime.min.time()) - datetime(1970, 1, 1)).total_seconds() * 1000)
    kitchen = Kitchen(at_ms=begin_ms + evening_utc * HOUR)
    for _ in range(2):
        kitchen.say(m.SHIFT_START, cook=4)
        for hours in (1, 2, 2):
            kitchen.read("vat1", 340)
            kitchen.cook()
            kitchen.check_all(170)
            kitchen.read("vat1", 340)
            kitchen.say(m.DISCARD)
            kitchen.say(m.CONFIRM)
            kitchen.wait(hours * HOUR)
        kitchen.say(m.OIL_FILTERED)
        kitchen.say(m.SHIFT_END, cook=4)
        kitchen.wait(4 * HOUR)
        kitchen.read("vat1", 200)
        kitchen.feed(Signed(kitchen.at_ms, day.isoformat(), "JD", "seen"))
        next_ms = begin_ms + evening_utc * HOUR + 24 * HOUR
        kitchen.wait(max(0, next_ms - kitchen.at_ms))
    recorded(kitchen, path)
    return kitchen


@pytest.mark.parametrize(
    ("day", "offsets"),
    [(date(2026, 3, 28), ["+01:00", "+02:00"]), (date(2026, 10, 24), ["+02:00", "+01:00"])],
    ids=["summer begins", "summer ends"],
)
def test_a_night_shift_over_midnight_and_a_change_of_the_hour_stays_whole(
    day: date, offsets: list[str], tmp_path: Path
) -> None:
    path = tmp_path / "records.db"
    night(path, day, 20)
    after = day + timedelta(1)
    everything = exported(path, tmp_path / "all")
    (first, second) = everything["shifts"]
    assert (first["shift_day"], second["shift_day"]) == (day.isoformat(), after.isoformat())
    for table, rows in everything.items():
        for row in rows:
            names = [name for name in row if name.endswith("_ms") and row[name] is not None]
            assert all(row[name[:-3]] == local(row[name]) for name in names), table
            moment = row[next(name for name in row if name.endswith("_ms"))]
            if table not in ("signatures", "loads", "fryings", "checks", "holds", "corrections"):
                assert row["day"] == local(moment)[:10], table
                assert row["day_utc"] == (datetime(1970, 1, 1) + timedelta(milliseconds=moment)).date().isoformat()
            if first["started_ms"] <= moment <= first["ended_ms"]:
                assert row["shift_day"] == day.isoformat(), table
            elif second["started_ms"] <= moment <= second["ended_ms"]:
                assert row["shift_day"] == after.isoformat(), table
    checks = [row for row in everything["checks"] if row["shift_day"] == day.isoformat()]
    assert [row["day"] for row in checks] == [day.isoformat()] * 8 + [after.isoformat()] * 4, "two days, one shift"
    seen = [row["at"][-6:] for row in everything["commands"] if row["shift_day"] == day.isoformat()]
    assert list(dict.fromkeys(seen)) == offsets
    one = exported(path, tmp_path / "one", "jsonl", "--from", day.isoformat(), "--to", day.isoformat())
    other = exported(path, tmp_path / "other", "jsonl", "--from", after.isoformat())
    for table, rows in everything.items():
        assert one[table] == [row for row in rows if row["shift_day"] <= day.isoformat()]
        assert other[table] == [row for row in rows if row["shift_day"] > day.isoformat()]
    assert len(one["checks"]) == len(other["checks"]) == 12 and one["readings"] and other["readings"]
    assert exported(path, tmp_path / "none", "jsonl", "--to", "2026-01-01")["commands"] == []
    manifest = json.loads((tmp_path / "one/manifest.json").read_text("utf-8"))
    assert (manifest["from"], manifest["to"], manifest["zone"]) == (day.isoformat(), day.isoformat(), "Europe/Berlin")


def test_the_hour_that_comes_twice_has_two_offsets(tmp_path: Path) -> None:
    """25 October 2026, 02:30 in Berlin, before and after the change."""
    kitchen = Kitchen(at_ms=1_792_888_200_000)
    kitchen.wait(HOUR)
    kitchen.feed(Signed(kitchen.at_ms, "2026-10-24", "JD", "seen"))
    rows = exported(recorded(kitchen, tmp_path / "records.db"), tmp_path / "out")
    assert rows["alerts"][0]["began"] == "2026-10-25T02:30:00+02:00"
    assert rows["signatures"][0]["at"] == "2026-10-25T02:30:00+01:00"


def test_a_shift_that_nobody_ended_does_not_swallow_the_days_after_it(tmp_path: Path) -> None:
    kitchen = Kitchen(at_ms=1_772_100_000_000)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.wait(3 * 24 * HOUR)
    kitchen.say(m.OIL_FILTERED)
    rows = exported(recorded(kitchen, tmp_path / "records.db"), tmp_path / "out")["commands"]
    assert [row["shift_day"] for row in rows] == ["2026-02-26", "2026-03-01"]


def test_numbers_of_alerts_are_values_again() -> None:
    assert numbers("temperature 171.94, limit 180, unit F, part wing, source probe") == {
        "temperature": 171.94,
        "limit": 180,
        "unit": "F",
        "part": "wing",
        "source": "probe",
    }
    assert numbers("channel needle, vat1, reason unplugged") == {"channel": "needle, vat1", "reason": "unplugged"}
    assert numbers("") == {} and numbers(None) is None and numbers("what, limit 3") == {"text": "what, limit 3"}


@pytest.mark.parametrize("name", [file.name.removesuffix(".db.xz") for file in sorted(FOLDER.glob("*.db.xz"))])
def test_numbers_of_every_released_alert_say_what_its_text_says(name: str, tmp_path: Path) -> None:
    for row in asked(unpacked(name, tmp_path), "SELECT DISTINCT numbers FROM alerts WHERE numbers IS NOT NULL"):
        found = numbers(row["numbers"])
        assert found is not None and "text" not in found
        told = (f"{key} {value:g}" if isinstance(value, float) else f"{key} {value}" for key, value in found.items())
        assert ", ".join(told) == row["numbers"]


def test_every_name_that_an_alert_gives_a_number_is_known() -> None:
    """By the source: the keywords of each call of `alerts.made` beside its own parameters."""
    names: set[str] = set()
    for file in Path("recorder/core").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("alerts.made", "made"):
                names |= {keyword.arg for keyword in node.keywords if keyword.arg}
    assert len(names) > 15 and names - {"unsafe", "batch"} <= MEASURED | WORDS, names - MEASURED - WORDS


@pytest.mark.parametrize("form", FORMS)
def test_data_is_structured(form: str, tmp_path: Path) -> None:
    files = exported(unpacked("rules-6", tmp_path), tmp_path / "out", form)
    stored = asked(tmp_path / "rules-6.db", "SELECT id, numbers FROM alerts ORDER BY id")
    doubts = asked(tmp_path / "rules-6.db", "SELECT checks_in_doubt FROM probe_checks ORDER BY id")
    ids: list[list[int] | None] = [
        None if row["checks_in_doubt"] is None else [int(each) for each in row["checks_in_doubt"].split()]
        for row in doubts
    ]
    assert any(ids)
    if form == "csv":
        found = [
            json.loads(row["checks_in_doubt"]) if row["checks_in_doubt"] else None for row in files["probe_checks"]
        ]
        told = [json.loads(row["numbers"]) for row in files["alerts"]]
    else:
        found = [row["checks_in_doubt"] for row in files["probe_checks"]]
        told = [row["numbers"] for row in files["alerts"]]
    assert found == ids
    limits = {
        row["id"]: float(match[1]) for row in stored if (match := re.search(r"(?:^|, )limit ([\d.]+)", row["numbers"]))
    }
    if form == "parquet":
        told = [{each["name"]: each["text"] or each["number"] for each in row} for row in told]
    by = {row["id"]: each["limit"] for row, each in zip(files["alerts"], told, strict=True) if "limit" in each}
    assert by == limits and len(limits) > 10


def test_parquet_has_types_and_units(tmp_path: Path) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    exported(unpacked("rules-7", tmp_path), tmp_path / "out", "parquet")
    for table, described in EXPORTED.items():
        schema = parquet.read_schema(tmp_path / f"out/{table}.parquet")
        types = {"INTEGER": pa.int64(), "REAL": pa.float64(), "TEXT": pa.string(), "DATE": pa.date32()}
        for column in described:
            field = schema.field(column.name)
            assert column.kind == JSON or field.type == types[column.kind], column
            assert field.metadata[b"unit"].decode() == column.unit and field.metadata[b"means"]
    alerts = parquet.read_schema(tmp_path / "out/alerts.parquet").field("numbers").type
    assert alerts == pa.list_(pa.struct([("name", pa.string()), ("number", pa.float64()), ("text", pa.string())]))
    doubts = parquet.read_schema(tmp_path / "out/probe_checks.parquet").field("checks_in_doubt").type
    assert doubts == pa.list_(pa.int64())


@pytest.mark.parametrize("form", FORMS)
def test_the_demo_is_exported_as_its_day_report_has_it(performance: Performance, tmp_path: Path, form: str) -> None:
    """The story's day: 26 February 2026, from 10:00 UTC; yesterday's shift before it."""
    files = exported(performance.database, tmp_path, form, "--from", "2026-02-26")
    before = exported(performance.database, tmp_path / "before", form, "--to", "2026-02-25")
    assert {str(row["day"]) for row in files["batches"]} == {"2026-02-26"} and len(files["batches"]) == 3
    assert {str(row["day"]) for row in before["batches"]} == {"2026-02-25"}
    assert {row["station"] for rows in files.values() for row in rows} == {"canteen-line-2"}
    for table in TABLES:
        (stored,) = asked(performance.database, f"SELECT count(*) AS rows FROM {table}")
        assert len(files[table]) + len(before[table]) == stored["rows"], table
    with (tmp_path / "dictionary.csv").open(encoding="utf-8", newline="") as lines:
        described = [(row["table"], row["column"]) for row in csv.DictReader(lines) if row["means"]]
    assert described == [(table, column.name) for table in EXPORTED for column in EXPORTED[table]]


def test_of_a_damaged_journal_all_that_can_be_read_is_exported(tmp_path: Path) -> None:
    path = unpacked("rules-7", tmp_path)
    (bad,) = asked(path, "SELECT max(seq) AS seq FROM journal WHERE kind = 'reading'")
    tamper(path, f"UPDATE journal SET body = 'what?' WHERE seq = {bad['seq']}")
    done = CliRunner().invoke(app, ["export", str(path), "--out", str(tmp_path / "out"), "--as", "jsonl"])
    assert done.exit_code == 1 and "changed or damaged" in done.output
    (count,) = asked(path, "SELECT count(*) AS rows FROM journal WHERE kind IN ('reading', 'probe lost')")
    assert len(_jsonl(tmp_path / "out/readings.jsonl")) == count["rows"] - 1
    assert len(_jsonl(tmp_path / "out/checks.jsonl")) == 40


@pytest.mark.parametrize(
    ("more", "complaint"),
    [
        (("--from", "26.2."), "'26.2.' is no date; write it like 2026-02-26"),
        (("--from", "2026-02-27", "--to", "2026-02-26"), "--from 2026-02-27 is after --to 2026-02-26; exchange them"),
        (("--zone", "Mars/Base"), "'Mars/Base' is no time zone; write it like Europe/Madrid"),
    ],
)
def test_a_bad_range_or_zone_is_named(more: tuple[str, ...], complaint: str, tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["export", str(unpacked("rules-7", tmp_path)), *more])
    assert done.exit_code == 2 and done.output.startswith(f"error: {complaint}"), done.output
