"""A day on paper, and a manager's initials to it: from the demo's record, and from records made for the purpose."""

import csv
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.clock import ManualClock
from recorder.commands.report import made
from recorder.config import load
from recorder.core import meanings as m
from recorder.core.events import RULES, ClockStepped, ProcedureLoaded, Reading, Signed, Started
from recorder.core.limits import Limit
from recorder.core.procedure import Part
from recorder.core.station import State, step
from recorder.demo import story
from recorder.journal.errors import JournalBusy, JournalError
from recorder.journal.journal import Journal
from recorder.journal.migrations import VIEWS
from recorder.journal.reader import Reader
from recorder.journal.verify import RecordFault
from recorder.notices.answers import SIGN, parse
from recorder.notices.outbox import Messages
from recorder.reports import charts
from recorder.reports.day import Day, gather
from recorder.reports.page import page
from recorder.verification.examine import examine
from tests.appended import append
from tests.conftest import Performance
from tests.kitchen import MINUTE, PROCEDURE, Kitchen
from tests.reported import recorded, report_of, text_of


def day_of(path: Path, day: date | None = None) -> Day:
    journal = Reader.open(path)
    try:
        return gather(journal, day, UTC)
    finally:
        journal.close()


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    run = [sys.executable, "-W", "error", "-m", "recorder", *arguments]
    return subprocess.run(run, capture_output=True, text=True, timeout=60, check=False)


def test_the_demos_day_is_one_file_that_needs_no_other(performance: Performance, tmp_path: Path) -> None:
    out = tmp_path / "day.html"
    run = command("report", str(performance.database), "--out", str(out), "--zone", "UTC")
    assert (run.returncode, run.stdout) == (0, f"{out}: 2026-02-26, 3 batches, 14 checks\n"), run.stderr
    html = out.read_text("utf-8")
    assert not re.search(r"""(src|href)\s*=|url\(|@import|<script""", html)
    text = text_of(html)
    for said in (
        "canteen-line-2: Thursday 26 February 2026",
        "Shift of cook 4, 10:00 to 11:32",
        "Times are UTC, temperatures °F.",
        "13 of 14",
        "36 pieces",
        "Batch 2, vat 1, breaded bone-in chicken: sold",
        "below target",
        "Sent back at 10:37: thigh below target.",
        "8 min 26 s over its limit",
        "Batch 1, vat 1, breaded bone-in chicken: discarded (36 of 36 pieces)",
        "All 14 readings were at or above the food safety limit; 1 of them below the target.",
        "MK, 10:20",
        "Not yet reviewed and signed.",
        "ice point",
        "heard as answer",
        "load wings twelve",
        "No change found: ",
        "reviewed by, initials",
        "a recorder, not a safety device",
    ):
        assert said in text, said
    for svg in re.findall(r"<svg.*?</svg>", html, re.S):
        ElementTree.fromstring(svg)
    assert html.count("<svg") == 1 + 14 + 3
    assert re.search(r'class="chart".*?>166\.7</text>.*?</svg>', html, re.S), "a chart shows what its lowest value is"
    assert 'content: "canteen-line-2, 2026-02-26"' in html, "each printed page says whose it is"


def test_yesterday_is_another_day(performance: Performance) -> None:
    day = day_of(performance.database, date(2026, 2, 25))
    assert len(day.batches) == len(story.YESTERDAY)
    assert len(day.means()["thigh", "F"]) == len(story.YESTERDAY)
    html = page(day, examine(performance.database), day.end_ms)
    assert 'class="centre"' in html, "nine batches have a centre of their own"


def test_a_changed_record_says_so_on_its_report(performance: Performance) -> None:
    finding = examine(performance.database)
    day = day_of(performance.database)
    html = page(day, replace(finding, faults=(RecordFault("checks", 7, "temp_c is 90"),)), day.end_ms)
    assert "1 row of checks was changed (7)" in text_of(html)
    assert '<div class="look"><dt>record</dt><dd>changed or damaged</dd></div>' in html, (
        "the summary on top says so too"
    )


def test_what_people_wrote_stays_text(kitchen: Kitchen, tmp_path: Path) -> None:
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "<script>alert(1)</script>"))
    path = recorded(kitchen, tmp_path / "records.db")
    html = page(day_of(path), examine(path), kitchen.at_ms)
    assert "<script" not in html and "&lt;script&gt;alert(1)" in html


def test_a_quiet_day_and_a_day_without_records(kitchen: Kitchen, tmp_path: Path) -> None:
    quiet = Kitchen(at_ms=story.START_MS)
    path = recorded(quiet, tmp_path / "quiet.db")
    text = text_of(page(day_of(path), examine(path), quiet.at_ms))
    assert "No shift was begun." in text and "The probe was not checked." in text and "None is on record." in text
    with pytest.raises(JournalError, match="nothing is on record for 2020-01-01"):
        day_of(path, date(2020, 1, 1))
    Journal.open(tmp_path / "empty.db").close()
    with pytest.raises(JournalError, match="nothing is on record yet"):
        day_of(tmp_path / "empty.db")


def test_what_changes_after_a_signature_shows_after_it(kitchen: Kitchen, tmp_path: Path) -> None:
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "all well"))
    kitchen.say(m.SCRATCH)
    text = report_of(recorded(kitchen, tmp_path / "records.db"))
    assert "Reviewed and signed by JD on 26 February 2026" in text and "After the signature this of the day" in text
    assert "hold of batch 1 taken back by the cook (“scratch that”)" in text
    assert "reviewed by, initials" not in text


@pytest.fixture
def kitchen() -> Kitchen:
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    return kitchen


STATION = 'station = "line-1"\ndatabase = "records.db"\n'


def test_a_day_is_signed_while_no_recorder_runs(kitchen: Kitchen, tmp_path: Path) -> None:
    recorded(kitchen, tmp_path / "records.db")
    station = tmp_path / "station.toml"
    station.write_text(STATION)
    run = command("sign", "--config", str(station), "--by", "JD", "--day", "2026-02-26")
    assert (run.returncode, run.stdout) == (0, "Signed for 2026-02-26 by JD.\n"), run.stderr
    assert examine(tmp_path / "records.db").faults == ()
    (row,) = day_of(tmp_path / "records.db", date(2026, 2, 26)).signatures
    assert row["initials"] == "JD"


def test_without_a_date_the_day_is_signed_that_it_was_by_the_clock_as_it_was_set_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The time line of a board whose clock was not set yet began in 1970."""
    monkeypatch.setenv("TZ", "UTC")
    journal, messages = Journal.open(tmp_path / "records.db"), Messages("kitchen", "line-1", "alerts")
    clock, state = ManualClock(0, known=False), State()
    for event in (Started(0, "manual", False, "test", "line-1", (1,), RULES), ClockStepped(0, story.START_MS, True)):
        if isinstance(event, ClockStepped):
            clock.wall_ms, clock.known = story.START_MS, True
        state, effects = step(state, event)
        append(journal, clock.stamp(), event, effects, messages)
    journal.close()
    (tmp_path / "station.toml").write_text(STATION)
    run = command("sign", "--config", str(tmp_path / "station.toml"), "--by", "JD")
    assert (run.returncode, run.stdout) == (0, "Signed for 2026-02-26 by JD.\n"), run.stderr


def test_what_has_no_day_is_not_signed(tmp_path: Path) -> None:
    Journal.open(tmp_path / "records.db").close()
    (tmp_path / "station.toml").write_text(STATION)
    run = command("sign", "--config", str(tmp_path / "station.toml"), "--by", "JD")
    assert (run.returncode, run.stderr) == (2, "error: nothing is on record yet\n")


@pytest.mark.parametrize(("month", "begun"), [(1, "13:00"), (7, "14:00")])
def test_without_a_zone_a_day_is_told_as_this_machine_told_it_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, month: int, begun: str
) -> None:
    """In winter and in summer, whatever it is today."""
    monkeypatch.setenv("TZ", "Europe/Madrid")
    kitchen = Kitchen(at_ms=round(datetime(2026, month, 5, 12, tzinfo=UTC).timestamp() * 1000))
    kitchen.say(m.SHIFT_START, cook=4)
    run = command("report", str(recorded(kitchen, tmp_path / "records.db")), "--out", str(tmp_path / "day.html"))
    assert run.returncode == 0, run.stderr
    assert f"Shift of cook 4, {begun}" in text_of((tmp_path / "day.html").read_text("utf-8"))


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--by", "J D"), "--by is no name"),
        (("--by", "JD", "--day", "yesterday"), "'yesterday' is no date"),
        (("--by", "JD", "--day", "2020-01-01"), "nothing is on record for 2020-01-01"),
        (("--by", "JD", "--note", "x\ny"), "letter that can't be seen"),
    ],
)
def test_a_bad_signature_is_refused(
    kitchen: Kitchen, tmp_path: Path, arguments: tuple[str, ...], complaint: str
) -> None:
    recorded(kitchen, tmp_path / "records.db")
    (tmp_path / "station.toml").write_text(STATION)
    run = command("sign", "--config", str(tmp_path / "station.toml"), *arguments)
    assert run.returncode in (1, 2) and complaint in run.stderr


def test_one_record_has_one_writer(kitchen: Kitchen, tmp_path: Path) -> None:
    recorded(kitchen, tmp_path / "records.db")
    (tmp_path / "station.toml").write_text(STATION)
    journal = Journal.open(tmp_path / "records.db")
    with pytest.raises(JournalBusy, match="is being written by a recorder that runs"):
        Journal.open(tmp_path / "records.db")
    run = command("sign", "--config", str(tmp_path / "station.toml"), "--by", "JD")
    assert run.returncode == 2 and "a recorder that runs" in run.stderr
    run = command("run", "--config", str(tmp_path / "station.toml"))
    assert (run.returncode, run.stderr.splitlines()[-1]) == (
        4,
        f"error: {tmp_path / 'records.db'} is being written by a recorder that runs; stop it first",
    )
    journal.close()
    Journal.open(tmp_path / "records.db").close()
    assert load(tmp_path / "station.toml").mqtt is None


def test_all_of_a_day_that_is_not_over_lies_within_its_timeline(tmp_path: Path) -> None:
    """The last lid was opened long before the last piece was read, and the hold after it goes on."""
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.wait(5 * MINUTE)
    kitchen.check_all()
    kitchen.wait(5 * MINUTE)
    kitchen.say(m.HOLD_START)
    svg = ElementTree.fromstring(charts.timeline(day_of(recorded(kitchen, tmp_path / "records.db")), str))
    bars = [(float(each.get("x", "")), float(each.get("width", ""))) for each in svg.iter("rect")]
    marks = [float(each.get("cx", "")) for each in svg.iter("circle")]
    assert (len(bars), len(marks)) == (2, 4)
    assert all(left + width <= charts.WIDTH for left, width in bars) and max(marks) <= charts.WIDTH


@given(st.lists(st.tuples(st.integers(0, 10**6), st.floats(-50, 400)), max_size=30), st.floats(-50, 400))
def test_any_curve_is_a_picture(way: list[tuple[int, float]], value: float) -> None:
    check = {"temperature": value, "target": 178.0, "critical_limit": 165.0, "part": "<thigh>", "unit": "F"}
    svg = charts.curve(check | {"closed_ms": 10**6}, tuple(sorted(way)))
    assert bool(svg) == bool(way)
    if svg:
        assert "nan" not in svg
        ElementTree.fromstring(svg)


@given(st.lists(st.tuples(st.integers(1, 29), st.floats(50, 300)), min_size=2, max_size=40), st.none() | st.just(178.0))
def test_any_control_chart_is_a_picture(points: list[tuple[int, float]], target: float | None) -> None:
    ElementTree.fromstring(charts.control(points, target, "F"))


def test_an_answer_to_sign_is_checked_like_any_other() -> None:
    good = {"day": "2026-02-26", "by": "JD", "note": "fryer two was down"}
    assert parse(SIGN, json.dumps(good).encode(), 5) == Signed(5, "2026-02-26", "JD", "fryer two was down")
    for bad in ({"day": "26.2."}, {"by": "J D"}, {"note": 3}, {"note": "a\nb"}, {"note": "x" * 401}, {"more": 1}):
        with pytest.raises(ValueError, match=r"it must be|its "):
            parse(SIGN, json.dumps(good | bad).encode(), 5)


@pytest.mark.parametrize("letter", ["\ud800", "\u202e", "\u2028", "\u2029", "\x85", "\u200b"])
def test_a_note_has_no_letter_that_cannot_be_seen(letter: str) -> None:
    """Half of a surrogate pair can't be written, and a commit that fails is the last: it stopped the recorder."""
    with pytest.raises(ValueError, match="letter that can't be seen"):
        parse(SIGN, json.dumps({"day": "2026-02-26", "by": "JD", "note": f"fryer{letter}two"}).encode(), 5)


HOSTILE = (
    '=HYPERLINK("http://x","y")',
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "'=1",
    "\uff1d1+1",
    "plain; a, b",
    "it's = fine",
)


def test_no_cell_of_csv_is_a_formula_and_the_other_forms_are_exact(kitchen: Kitchen, tmp_path: Path) -> None:
    """What begins a formula in a cell: OWASP, CSV Injection (=, +, -, @, tab, carriage return, and full-width ones)."""
    for note in HOSTILE:
        kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", note))
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "\t=1\x1b[31m\r\n\u202eABC"))
    path = recorded(kitchen, tmp_path / "records.db")
    notes = [event.note for event in kitchen.events if isinstance(event, Signed)]
    for form in ("csv", "jsonl"):
        assert CliRunner().invoke(app, ["export", str(path), "--out", str(tmp_path), "--as", form]).exit_code == 0
    with (tmp_path / "signatures.csv").open(encoding="utf-8", newline="") as lines:
        cells = [row["note"] for row in csv.DictReader(lines)]
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d")]
    assert [cell.removeprefix("'") for cell in cells[:-1]] == list(HOSTILE), "one apostrophe less is the text"
    assert cells[-1] == r"'\u0009=1\u001b[31m\u000d\u000a\u202eABC"
    text = (tmp_path / "signatures.jsonl").read_text("utf-8")
    assert [json.loads(line)["note"] for line in text.splitlines()] == notes
    assert not set("\x1b\u202e\t\r") & set(text)
    with (tmp_path / "checks.csv").open(encoding="utf-8", newline="") as lines:
        assert all(float(row["temp_c"]) > 80 for row in csv.DictReader(lines)), "numbers are numbers"


def test_what_cannot_be_seen_is_seen_on_a_page(kitchen: Kitchen, tmp_path: Path) -> None:
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "a\x1b[2Jb\u202ec\x00"))
    path = recorded(kitchen, tmp_path / "records.db")
    html = made(path, None, UTC, kitchen.at_ms)[2]
    assert r"a\u001b[2Jb\u202ec\u0000" in html and not set("\x1b\u202e\x00") & set(html)


@pytest.mark.parametrize("name", ['x"; } body { display: none', "a</style><b>", "Caf\u00e9 & Co \\"])
def test_a_stations_name_stays_a_name_in_the_footer(tmp_path: Path, name: str) -> None:
    """It stands in a CSS string: CSS Syntax Level 3, 4.3.7, says how each character can be written by its code."""
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.feed(Started(kitchen.at_ms, "boot-1", True, "test", name, (1,), RULES))
    html = made(recorded(kitchen, tmp_path / "records.db"), None, UTC, kitchen.at_ms)[2]
    (written,) = re.findall(r'bottom-left \{ font: 9px sans-serif; content: "([^"]*)"; \}', html)
    assert re.sub(r"\\([0-9a-f]+) ", lambda code: chr(int(code[1], 16)), written) == f"{name}, 2026-02-26"
    text_of(html)


# ---- time ----


def at(*when: int) -> int:
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc, arg-type]


def holding(began_ms: int, parts: int = 4) -> Kitchen:
    """A batch that went into hot holding at about `began_ms`; its limit is an hour."""
    kitchen = Kitchen(at_ms=began_ms - 14 * MINUTE)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check_all()
    kitchen.wait(began_ms - 1_000 - kitchen.at_ms)
    kitchen.say(m.HOLD_START)
    return kitchen


def over(kitchen: Kitchen, minutes: int) -> None:
    """The hold's limit is passed by so much, and the cabinet is read."""
    until_ms = kitchen.rows("holds")[-1]["until_ms"]
    assert isinstance(until_ms, int)
    kitchen.wait(until_ms + minutes * MINUTE - kitchen.at_ms)
    kitchen.feed(Reading(kitchen.at_ms, "cabinet", 70.0))


def test_a_hold_that_goes_on_is_reckoned_to_the_newest_entry(tmp_path: Path) -> None:
    """Not to midnight, which has not come."""
    kitchen = holding(at(2026, 2, 26, 10, 15))
    over(kitchen, 57)
    text = report_of(recorded(kitchen, tmp_path / "records.db"), None, kitchen.at_ms)
    newest = f"{datetime.fromtimestamp(kitchen.at_ms / 1000, UTC):%H:%M:%S}"
    assert "57 min 00 s over its limit so far" in text
    assert f"so far, to the newest entry at {newest}" in text
    said = (
        f"The day was not over when this was made. What is here is the day so far, up to the newest entry at {newest}."
    )
    assert said in text


def test_a_hold_over_midnight_is_reckoned_past_it(tmp_path: Path) -> None:
    kitchen = holding(at(2026, 2, 26, 23, 30))
    over(kitchen, 15)
    text = report_of(recorded(kitchen, tmp_path / "records.db"), date(2026, 2, 26), kitchen.at_ms)
    assert "15 min 00 s over its limit so far" in text and re.search(
        r"so far, to the newest entry at 00:4\d:\d\d on 27 February", text
    )
    assert "The day was not over" not in text
    kitchen.say(m.HOLD_END)
    kitchen.say(m.CONFIRM)
    text = report_of(recorded(kitchen, tmp_path / "later.db"), date(2026, 2, 26), kitchen.at_ms)
    assert re.search(r"15 min 0\d s over its limit", text) and "so far" not in text


def test_the_next_day_names_what_goes_on_from_the_day_before(tmp_path: Path) -> None:
    kitchen = holding(at(2026, 2, 26, 23, 30))
    over(kitchen, 15)
    kitchen.say(m.HOLD_END)
    kitchen.say(m.CONFIRM)
    kitchen.say(m.SHIFT_END)
    text = report_of(recorded(kitchen, tmp_path / "records.db"), date(2026, 2, 27), kitchen.at_ms)
    assert "No shift was begun" not in text
    assert re.search(r"Shift of cook 4 went on from 23:16 on 26 February until 00:4\d\.", text)
    assert "Batch 1, vat 1, was not closed when this day began" in text


@pytest.mark.parametrize(
    ("zone", "began", "made", "named"),
    [
        ("Europe/Berlin", (2026, 7, 1, 10), (2026, 12, 1, 10), "Times are CEST (UTC+02:00)"),
        ("Europe/Berlin", (2026, 1, 5, 10), (2026, 7, 1, 10), "Times are CET (UTC+01:00)"),
        ("America/New_York", (2026, 7, 1, 15), (2026, 12, 1, 10), "Times are EDT (UTC-04:00)"),
        (
            "Europe/Berlin",
            (2026, 10, 25, 10),
            (2026, 12, 1, 10),
            "Times are CEST (UTC+02:00) until 03:00, then CET (UTC+01:00) from 02:00 on",
        ),
        (
            "America/New_York",
            (2026, 3, 8, 15),
            (2026, 12, 1, 10),
            "Times are EST (UTC-05:00) until 02:00, then EDT (UTC-04:00) from 03:00 on",
        ),
        ("America/Sao_Paulo", (2026, 3, 8, 15), (2026, 12, 1, 10), "Times are -03 (UTC-03:00)"),
    ],
)
def test_a_report_names_the_zone_of_its_own_day(
    tmp_path: Path, zone: str, began: tuple[int, ...], made: tuple[int, ...], named: str
) -> None:
    """Offsets and changes: the IANA time zone database."""
    kitchen = Kitchen(at_ms=at(*began))
    kitchen.say(m.SHIFT_START, cook=4)
    text = report_of(recorded(kitchen, tmp_path / "records.db"), None, at(*made), ZoneInfo(zone))
    assert named + ", temperatures" in text


@pytest.mark.parametrize(
    ("zone", "first", "letters"),
    [
        ("Europe/Berlin", (2026, 10, 25, 0, 30), ("CEST", "CET")),
        ("America/New_York", (2026, 11, 1, 5, 30), ("EDT", "EST")),
    ],
)
def test_the_hour_that_comes_twice_is_told_apart(
    tmp_path: Path, zone: str, first: tuple[int, ...], letters: tuple[str, str]
) -> None:
    kitchen = Kitchen(at_ms=at(*first) - 1_000)
    kitchen.say(m.BATCH_START)
    kitchen.wait(59 * MINUTE + 59_000)
    kitchen.say(m.DISCARD)
    clock = f"{datetime.fromtimestamp(at(*first) / 1000, ZoneInfo(zone)):%H:%M}"
    text = report_of(recorded(kitchen, tmp_path / "records.db"), None, kitchen.at_ms, ZoneInfo(zone))
    for each in letters:
        assert f"{clock}:00 {each}" in text
    assert not re.search(r"\d\d:\d\d:\d\d (?!CES?T|E[SD]T)", text), "each time of that day says which it is"


def test_units_are_not_joined_on_a_day_whose_procedure_changed_unit(tmp_path: Path) -> None:
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.say(m.SHIFT_START, cook=4)
    celsius = replace(
        PROCEDURE,
        unit="C",
        parts=tuple(Part(part.name, Limit(82.0, "C"), Limit(74.0, "C")) for part in PROCEDURE.parts),
        hold_minimum=Limit(57.0, "C"),
        oil_low=Limit(162.0, "C"),
        oil_high=Limit(177.0, "C"),
    )
    for procedure in (PROCEDURE, celsius):
        kitchen.feed(ProcedureLoaded(kitchen.at_ms, procedure))
        for _ in range(2):
            kitchen.cook()
            kitchen.check_all()
            kitchen.say(m.HOLD_START)
            kitchen.say(m.HOLD_END)
    path = recorded(kitchen, tmp_path / "records.db")
    day = day_of(path)
    assert {key: len(points) for key, points in day.means().items()} == {
        (part.name, unit): 2 for part in PROCEDURE.parts for unit in "FC"
    }
    for sheet in day.sheets:
        for check, way in sheet.checks:
            assert way and abs(way[-1][1] - check["temperature"]) < 0.01, "a curve is in the unit of its check"
    text = report_of(path, None, kitchen.at_ms)
    assert "temperatures °F and °C" in text
    assert "185.0 °F" in text and "85.0 °C" in text
    assert "mean of the first checks in °F" in text and "mean of the first checks in °C" in text


def test_a_limit_that_is_less_safe_says_why_on_top(tmp_path: Path) -> None:
    """A procedure says so in `less_safe_because`, where it has that field."""
    kitchen = Kitchen(at_ms=story.START_MS)
    path = recorded(kitchen, tmp_path / "records.db")
    day = replace(day_of(path), less_safe=["chicken: variance 12 of the county"])
    html = page(day, examine(path), kitchen.at_ms)
    text = text_of(html[: html.index("<main>")] + "</html>")
    assert "less safe than the published one. Its reason: chicken: variance 12 of the county" in text


def test_what_went_wrong_stands_on_the_page(tmp_path: Path) -> None:
    """Late words, a dispute, a failed probe, cold food, drops, a late hold: each in words."""
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.deviate()
    text = report_of(recorded(kitchen, tmp_path / "records.db"), None, kitchen.at_ms)
    for said in (
        "said late",
        "disputed by the cook, does not count",
        "in doubt, does not count: the probe failed its own check after it",
        "in holding",
        "after the lid was opened too late",
        "quality limit",
        "counted from",
        "below its minimum for",
        "It had to be hot again by",
        ": it was not",
        "readings in doubt",
        "held below the minimum",
        "dropped 1",
        "puts ",
    ):
        assert said in text, (said, text[text.index("Batches ") :])


def test_no_page_calls_food_proven(performance: Performance, tmp_path: Path) -> None:
    """Four checked pieces of thirty-six prove nothing of the others: the checks are complete, or not."""
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.open_shift()
    pages = [made(recorded(kitchen, tmp_path / "records.db"), None, UTC, kitchen.at_ms)[2]]
    pages.append(made(performance.database, None, UTC, story.START_MS)[2])
    for html in pages:
        text = text_of(html)
        assert "Checks " in text and not re.search(r"\b(un)?proven\b", text[: text.index("All that was said")])
        assert re.search(r"Of \d+ pieces that were counted \d+ were read; the others were not.", text)


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("report", "--zone", "Mars/Base"), "'Mars/Base' is no time zone; write it like Europe/Madrid"),
        (("report", "--zone", "/etc"), "'/etc' is no time zone"),
        (("report", "--out", "/proc/day.html"), "/proc/day.html can't be written: No such file or directory; choose"),
        (("export", "--out", "/proc/day"), "/proc/day can't be written: No such file or directory; choose another"),
    ],
)
def test_what_cannot_be_is_named(performance: Performance, arguments: tuple[str, ...], complaint: str) -> None:
    done = CliRunner().invoke(app, [*arguments, str(performance.database)])
    assert done.exit_code == 2 and done.output.startswith(f"error: {complaint}"), done.output


def test_an_unknown_form_is_refused(performance: Performance) -> None:
    run = command("export", str(performance.database), "--as", "xlsx")
    assert run.returncode == 2 and "'xlsx' is not a format; use one of csv, jsonl, parquet" in run.stderr


def test_nothing_is_rounded_up_over_a_limit(kitchen: Kitchen, tmp_path: Path) -> None:
    """164.96 °F is below 165 °F, and reads so everywhere."""
    kitchen.cook()
    kitchen.check("thigh", 164.96)
    kitchen.check("leg", 165.0)
    path = recorded(kitchen, tmp_path / "records.db")
    html = page(day_of(path), examine(path), kitchen.at_ms)
    assert "<b>164.9</b>" in html and "<b>165.0</b>" in html and "read 164.9 °F" in html
    journal = Reader.open(path)
    read = [row[0] for row in journal.rows("SELECT read FROM checks_read WHERE batch = 2")]
    journal.close()
    assert read == ["164.9 °F", "165.0 °F"]


def test_the_views_read_like_a_log(performance: Performance) -> None:
    journal = Reader.open(performance.database)
    found = {view: list(journal.rows(f"SELECT * FROM {view}")) for view in VIEWS}
    journal.close()
    day = "2026-02-26"
    assert next(row for row in found["batches_read"] if row[0] == day)[1:7] == (
        "10:02",
        1,
        1,
        "breaded bone-in chicken",
        36,
        "4 of 4",
    )
    assert [row[3:5] for row in found["checks_read"] if row[0] == day and row[7] != "passed"] == [("thigh", "166.7 °F")]
    assert any("needs 178 °F (target)" in row[3] for row in found["deviations_read"])
    assert (day, "10:21:05", "load wings twelve", "Batch 2, wing 12.", "taken back") in found["commands_read"]


def test_reports_and_exports_are_for_their_owner_alone(performance: Performance, tmp_path: Path) -> None:
    """What a kitchen did is nobody else's business, whatever the umask says."""
    before = os.umask(0)
    try:
        for words in (["report", "--out", "day.html"], ["export", "--out", "tables"], ["export", "--out", "lines"]):
            more = ["--as", "jsonl"] if words[-1] == "lines" else []
            place = str(tmp_path / words.pop())
            done = CliRunner().invoke(app, [*words[:1], str(performance.database), *words[1:], place, *more])
            assert done.exit_code == 0, done.output
    finally:
        os.umask(before)
    files = [file for file in tmp_path.rglob("*") if file.is_file()]
    assert len(files) > 20 and {oct(file.stat().st_mode & 0o777) for file in files} == {"0o600"}
