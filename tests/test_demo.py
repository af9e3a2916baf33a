"""The demo as a person sees it, and what its record says."""

import shutil
from collections import Counter
from pathlib import Path

from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.core import alerts
from recorder.core.effects import Notice
from recorder.core.station import State, step
from recorder.demo import story
from recorder.journal.reader import Reader
from recorder.thermal.settle import SURE_C
from recorder.verification.examine import examine
from tests.conftest import Performance
from tests.tampering import unguarded

STORY = {
    alerts.RECORDER_STARTED: 1,
    alerts.CHECK_BELOW_TARGET: 2,
    alerts.HOLD_NEAR_LIMIT: 2,
    alerts.HOLD_PAST_LIMIT: 3,
    alerts.PROBE_LOST: 2,
    alerts.OIL_OUTSIDE_BAND: 2,
    alerts.DRIFT: 2,
}
"""Kind of alert of today -> messages about it: that it began, again, is over, or is in somebody's hand."""
YESTERDAY = 1
"""Messages from yesterday, which wait in the records until today: that the recorder started."""


def test_it_ends_well(performance: Performance) -> None:
    assert "Clean:" in performance.output
    assert str(performance.database) in performance.output
    assert "<h2>Deviations</h2>" in performance.database.with_name("report.html").read_text("utf-8")


def test_the_shift_is_about_ninety_minutes(performance: Performance) -> None:
    journal = Reader.open(performance.database)
    times = [event.at_ms for _, event in journal.entries() if event.at_ms >= story.START_MS]
    journal.close()
    assert 80 < (times[-1] - times[0]) / 60_000 < 100


def test_each_alert_of_the_story_reached_the_phone_once(performance: Performance) -> None:
    journal = Reader.open(performance.database)
    rows = [row for row in journal.table("alerts") if row["began_ms"] >= story.START_MS]
    journal.close()
    assert {row["kind"] for row in rows} == STORY.keys() and len(rows) == len(STORY)
    assert performance.output.count("Recorder at canteen-line-2 started") == 1, "yesterday's is not told today"
    lines = performance.output.splitlines()
    assert "…" not in performance.output and max(map(len, lines)) <= 80, "its tables fit 80 columns"
    assert any(line.split()[:1] == ["1"] and line.split()[-1:] == ["discarded"] for line in lines)
    shown = performance.output[performance.output.index("Alerts") :]
    counts = [int(line.split()[-1]) for line in shown.splitlines() if line[:1].isdigit() and line.split()[-1].isdigit()]
    assert Counter(counts) == Counter(STORY.values())


def test_the_story_holds(performance: Performance) -> None:
    journal = Reader.open(performance.database)
    before = len(story.YESTERDAY)
    batches = journal.table("batches")[before:]
    told = journal.table("alerts")
    loads, checks, commands = journal.table("loads"), journal.table("checks"), journal.table("commands")
    corrections, (_, probe_check) = journal.table("corrections"), journal.table("probe_checks")
    journal.close()
    assert [(row["number"], row["outcome"], row["discarded_pieces"]) for row in batches] == [
        (1, "discarded", 36),
        (2, "sold", None),
        (3, "sold", None),
    ]
    assert [row["part"] for row in loads if row["struck"]] == ["wing"]
    assert Counter(row["verdict"] for row in checks[before * 4 :]) == {"passed": 13, "below target": 1}
    assert all(row["settle_seconds"] < 15 and row["uncertainty_c"] <= SURE_C for row in checks[before * 4 :])
    assert (probe_check["how"], probe_check["verdict"]) == ("ice point", "passed")
    assert {row["probe_was"] for row in checks} == {"passed"}
    (drift,) = [row for row in told if row["kind"] == alerts.DRIFT]
    assert "batch 1 183." in drift["text"] and drift["acknowledged_by"] == "MK"
    assert len(corrections) == 1
    assert [row["outcome"] for row in commands].count("not understood") == 1
    assert "refused" not in {row["outcome"] for row in commands}


def test_replay_gives_the_same_rows_and_alerts(performance: Performance) -> None:
    assert examine(performance.database).faults == ()
    journal = Reader.open(performance.database)
    state, told = State(), []
    for _, event in journal.entries():
        state, effects = step(state, event)
        told += [f"alert.{effect.change}" for effect in effects if isinstance(effect, Notice)]
    sent = list(journal.rows("SELECT body FROM outbox WHERE sent_ms IS NOT NULL ORDER BY id"))
    journal.close()
    assert len(told) == len(sent) == sum(STORY.values()) + YESTERDAY


def test_one_changed_byte_is_found(performance: Performance, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(performance.database, copy)
    with unguarded(copy) as connection:
        connection.execute(
            "UPDATE journal SET body = replace(body, 'hold start', 'hold staru') WHERE seq = 200 OR seq = 201"
        )
        (row,) = connection.execute("SELECT min(seq) FROM journal WHERE kind = 'heard'").fetchone()
        connection.execute("UPDATE journal SET body = replace(body, 'shift', 'shirt') WHERE seq = ?", (row,))
    finding = examine(copy)
    assert (finding.faults[0].table, finding.faults[0].row) == ("journal", row)


def test_a_folder_that_cannot_be_made_is_named() -> None:
    done = CliRunner().invoke(app, ["demo", "--out", "/proc/demo"])
    assert (done.exit_code, "/proc/demo can't be created" in done.output) == (2, True), done.output


def test_a_probe_that_the_demo_has_not_is_refused() -> None:
    done = CliRunner().invoke(app, ["demo", "--probe", "magic"])
    assert done.exit_code == 2
    assert "use one of serial, ble-sim, modbus-sim, micropython" in done.output
