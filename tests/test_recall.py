"""A recall: every batch that may have food of the lot, where its pieces went, from the records alone."""

import csv
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.config import load_phrases
from recorder.console.typed import heard
from recorder.core import meanings as m
from tests.kitchen import MINUTE, PROCEDURE, Kitchen
from tests.reported import recorded, report_of

OWN = replace(PROCEDURE, raw_out_ms=30 * MINUTE, breading_every_ms=4 * 60 * MINUTE, lots=True)


@pytest.fixture
def records(tmp_path: Path) -> Path:
    """Lot 0417 went into two batches, one of them beside lot 052; a load of it was taken back."""
    k = Kitchen(procedure=OWN)
    k.say(m.SHIFT_START, cook=4)
    k.say(m.RAW_OUT, part="thigh", count=40)
    k.say(m.LOT, lot="041")
    k.say(m.LOT_MORE, lot="7")
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=12)
    k.say(m.LOAD, part="wing", count=6)
    k.say(m.LOAD, part="thigh", count=9)
    k.say(m.SCRATCH)
    k.say(m.LID_LOCKED)
    k.wait(13 * MINUTE)
    k.say(m.LID_OPEN)
    for part in ("thigh", "wing", "thigh", "wing"):
        k.check(part, 185)
    k.say(m.HOLD_START)
    k.say(m.SOLD, count=10)
    k.say(m.DROPPED, count=1)
    k.say(m.DISCARD, count=3)
    k.say(m.CONFIRM)
    k.say(m.RAW_OUT, part="thigh", count=10)
    k.say(m.LOT, lot="052")
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh")
    k.say(m.RAW_BACK, part="thigh")
    k.say(m.RAW_OUT, part="wing", count=5)
    k.say(m.LOT, lot="17")
    return recorded(k, tmp_path / "records.db")


def asked(records: Path, lot: str, *more: str) -> Any:
    return CliRunner().invoke(app, ["recall", lot, str(records), "--zone", "UTC", *more])


def test_it_names_each_batch_and_where_its_pieces_went(records: Path) -> None:
    done = asked(records, "0417")
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines() == [
        "Lot 0417: 2 loads in 2 batches.",
        "1970-01-01 00:00  thigh, 40 pieces, out of the cooler, cook 4: back 1970-01-01 00:13",
        "1970-01-01 00:00  thigh, 12 pieces, into batch 1, vat 1, breaded bone-in chicken, cook 4",
        "    of its 18 pieces: sold 10, discarded 3, dropped 1, still there 4; holding",
        "1970-01-01 00:13  thigh, uncounted pieces, into batch 2, vat 1, breaded bone-in chicken, cook 4"
        " (it may be of any of the lots 0417 and 052)",
        "    of its uncounted pieces: the others are not counted; loading",
        "Where pieces went is counted by batch: of which part they were is not on record.",
        "Alike, and not in this list: 17.",
    ]


def test_what_is_still_out_is_named(records: Path) -> None:
    said = asked(records, "17").stdout
    assert (
        "Lot 17: 0 loads in 0 batches." in said
        and "wing, 5 pieces, out of the cooler, cook 4: still out, 5 left" in said
    )


def test_a_lot_that_is_not_on_record_is_said_to_be_so(records: Path) -> None:
    assert asked(records, "99").stdout == "Nothing on record is of lot 99. Lots on record: 0417, 052, 17.\n"
    k = Kitchen()
    assert asked(recorded(k, records.with_name("empty.db")), "99").stdout.endswith("Lots on record: none.\n")


def test_as_rows_for_other_programs(records: Path) -> None:
    rows = list(csv.DictReader(asked(records, "0417", "--as", "csv").stdout.splitlines()))
    lines = [json.loads(line) for line in asked(records, "0417", "--as", "jsonl").stdout.splitlines()]
    assert [(row["what"], row["lot"], row["batch"], row["sold"], row["still_there"]) for row in rows] == [
        ("raw food", "0417", "", "", "0"),
        ("load", "0417", "1", "10", "4"),
        ("load", "0417 052", "2", "0", ""),
    ]
    assert [{key: "" if value is None else str(value) for key, value in line.items()} for line in lines] == rows


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("4-17",), "'4-17' is no lot; write its digits alone"),
        (("17", "--as", "xml"), "'xml' is not a format; use one of text, csv, jsonl"),
        (("17", "--zone", "Nowhere"), "Nowhere"),
    ],
)
def test_what_it_can_not_use_is_named(words: tuple[str, ...], said: str, records: Path) -> None:
    done = CliRunner().invoke(app, ["recall", words[0], str(records), *words[1:]])
    assert done.exit_code == 2 and said in done.output


def test_a_changed_record_is_answered_and_said_to_be_changed(records: Path) -> None:
    with closing(sqlite3.connect(records)) as db, db:
        db.execute("UPDATE loads SET lot = '0417' WHERE part = 'wing'")
    done = asked(records, "0417")
    assert done.exit_code == 1 and "3 loads" in done.stdout and "batch-recorder verify" in done.output


def test_a_batch_that_was_taken_back_is_left_out(tmp_path: Path) -> None:
    k = Kitchen(procedure=OWN)
    k.say(m.SHIFT_START, cook=4)
    k.say(m.RAW_OUT, part="thigh", count=40)
    k.say(m.LOT, lot="0417")
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=12)
    k.say(m.SCRATCH)
    k.say(m.SCRATCH)
    assert "Lot 0417: 0 loads in 0 batches." in asked(recorded(k, tmp_path / "r.db"), "0417").stdout


def test_the_report_has_what_was_before_the_oil(records: Path, tmp_path: Path) -> None:
    said = report_of(records)
    assert "Before the oil" in said and "raw thigh 40 out of the cooler, lot 0417" in said
    assert "30 min, set by this kitchen; 4 h (Food Code 3-501.19)" in said
    assert "thigh 12 of lot 0417 at" in said and "thigh uncounted of lot 0417 or 052 at" in said
    k = Kitchen(procedure=OWN)
    k.say(m.SHIFT_START, cook=4)
    k.before_the_oil()
    k.say(m.PROBE_RAW, part="wing")
    k.dip(41.04)
    k.say(m.BREADING_CHANGED)
    k.say(m.SCRATCH)
    k.say(m.RAW_OUT, part="wing")
    said = report_of(recorded(k, tmp_path / "another.db"))
    for text in (
        "raw thigh under the probe 38.0 ± 0.2 °F 41 °F or below (Food Code 3-501.16) passed, in doubt:",
        "passed, disputed by the cook, proves nothing",
        "raw wing under the probe 41.1 °F 41 °F or below (Food Code 3-501.16) above cold limit, probe failed",
        "breading changed 4 h, set by this kitchen",
        "oil ready, vat 1 300.0 °F though its oil is 300.0 °F, the band is 325 to 350 °F",
        "raw wing uncounted out of the cooler still out at the newest entry",
        "taken back",
    ):
        assert text in said, (text, said[said.index("Before the oil") :][:1500])


def test_a_day_of_raw_food_alone_is_one_of_trade(tmp_path: Path) -> None:
    k = Kitchen(procedure=OWN)
    k.say(m.RAW_OUT, part="thigh", count=4)
    assert "Before the oil" in report_of(recorded(k, tmp_path / "r.db"))


def test_an_export_has_the_tables_and_rounds_nothing_down_to_the_limit(records: Path, tmp_path: Path) -> None:
    k = Kitchen(procedure=OWN)
    k.say(m.PROBE_RAW, part="thigh")
    k.dip(41.04, uncertainty_c=0.1)
    path = recorded(k, tmp_path / "r.db")
    assert CliRunner().invoke(app, ["export", str(path), "--out", str(tmp_path / "out")]).exit_code == 0
    (row,) = csv.DictReader((tmp_path / "out" / "raw_checks.csv").read_text("utf-8").splitlines())
    assert (row["temperature"], row["uncertainty"], row["verdict"]) == ("41.04", "0.2", "above cold limit")
    for table in ("raw_times", "breading"):
        assert (tmp_path / "out" / f"{table}.csv").exists()


def test_a_typed_lot_keeps_its_zeros() -> None:
    phrases = load_phrases(None)
    for typed, lot in (("lot 041", "041"), ("lot 41", "41"), ("lot 007", "007")):
        event = heard(phrases, typed, 0)
        assert event and event.intent.lot == lot, typed
