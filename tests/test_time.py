"""Time over any history of work, set clocks, restarts and power cuts: what is marked proven is true, the rest marked.

The board is simulated, and knows the true time; the station's real clock, journal and reports see only what a board
without a clock battery would show them. More of it:  TIME_HISTORIES=2000 python -m pytest tests/test_time.py
"""

import random
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from recorder.core import meanings as m
from recorder.core.events import Heard
from recorder.journal.reader import Reader
from recorder.reports.day import gather
from recorder.reports.page import page
from recorder.reports.wall import wall_times
from recorder.verification.examine import examine
from tests.kitchen import MINUTE, PROCEDURE, Kitchen, kept
from tests.true_time import BEGIN_MS, CUTS, HAPPENINGS, HISTORIES, HOUR, MEMORY, SYNC_MS, Bench

BOUND_MS = 2 * SYNC_MS + 20


@pytest.mark.slow
@settings(max_examples=HISTORIES, deadline=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate])
@given(st.integers(0, 2**40))
def test_what_is_marked_proven_is_true_and_the_rest_is_marked(seed: int) -> None:
    """Histories by the seed: Hypothesis's own are too short to get far in a shift, and shrinking them takes long."""
    chance = random.Random(seed)
    names = ("work",) * 9 + ("wait",) * 3 + HAPPENINGS + CUTS
    history = [
        (chance.choice(names), chance.randint(1, chance.choice((30 * MINUTE, 30 * HOUR))))
        for _ in range(chance.randint(10, 60))
    ]
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        path = Path(folder) / "records.db"
        bench = Bench(path)
        for what, ms in history:
            bench.do(what, ms)
        bench.journal.close()
        journal = Reader.open(path)
        lengths_are_true_or_marked(bench, journal)
        wall_times_are_true_or_marked(bench, journal)
        days_have_their_batches(bench, journal)
        journal.close()
        assert examine(path).faults == ()


def test_a_plain_history_cooks_and_holds() -> None:
    """So that the property above has something to look at."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        bench = Bench(Path(folder) / "records.db")
        for what in ("work", "work", "wait", "work", "work", "wait", "hold end"):
            bench.do(what, 12 * MINUTE)
        for table, begin, end in (("fryings", "lid_locked_ms", "lid_open_ms"), ("holds", "started_ms", "ended_ms")):
            (row,) = bench.journal.table(table)
            assert 12 * MINUTE <= row[end] - row[begin] < 12 * MINUTE + 1_000 and row["time_proven"]
        bench.journal.close()


def lengths_are_true_or_marked(bench: Bench, journal: Reader) -> None:
    cooks = [(row, row["lid_locked_ms"], row["lid_open_ms"]) for row in journal.table("fryings")]
    holds = [(row, row["counted_from_ms"], row["ended_ms"]) for row in journal.table("holds")]
    for row, begin_ms, end_ms in cooks + holds:
        if row["struck"]:
            continue
        begin_true_ms = bench.true_ms[begin_ms]
        end_true_ms = bench.true_ms[end_ms] if end_ms is not None else bench.board.true_ms
        doubted = any(begin_true_ms < at_ms <= end_true_ms for at_ms in bench.doubts_ms)
        cold = "lid_locked_ms" in row and any(begin_true_ms < at_ms <= end_true_ms for at_ms in bench.cuts_ms)
        late = bool(row.get("said_late"))
        assert row["time_proven"] == (not (doubted or cold or late)), "a fryer without power does not cook"
        if end_ms is not None and not doubted:
            cuts = 1 + len(bench.synced)
            assert abs((end_ms - begin_ms) - (end_true_ms - begin_true_ms)) <= cuts * BOUND_MS


def wall_times_are_true_or_marked(bench: Bench, journal: Reader) -> None:
    walls, before = wall_times(journal), None
    for entry, event in journal.entries():
        if before:
            new_boot = entry.stamp.boot_id != before.boot_id
            assert entry.stamp.at_ms >= before.at_ms + new_boot, "the time line never runs backwards"
        before = entry.stamp
        stretch = walls.stretch(entry.stamp.at_ms)
        assert stretch.known == (entry.stamp.boot_id in bench.synced)
        if isinstance(event, Heard) and stretch.known:
            assert abs(walls.wall_ms(event.at_ms) - bench.true_ms[event.at_ms]) <= SYNC_MS + 20


def days_have_their_batches(bench: Bench, journal: Reader) -> None:
    """Each batch is on one day: the true one, or one that says that its clock was not set."""
    batches, walls = journal.table("batches"), wall_times(journal)
    days = {datetime.fromtimestamp(walls.wall_ms(row["started_ms"]) / 1000, UTC).date() for row in batches}
    shown = {day: gather(journal, day, UTC) for day in days}
    assert sorted(sheet.batch["id"] for day in shown.values() for sheet in day.sheets) == [row["id"] for row in batches]
    stored = {row["id"]: row["started_ms"] for row in [*batches, *journal.table("holds")]}
    stored |= {row["id"]: row["lid_locked_ms"] for row in journal.table("fryings")}
    for day in shown.values():
        for sheet in day.sheets:
            at_ms = stored[sheet.batch["id"]]
            if walls.stretch(at_ms).known:
                assert abs(sheet.batch["started_ms"] - bench.true_ms[at_ms]) <= SYNC_MS + 20
                moments = [(row, stored[row["id"]]) for row in sheet.fryings]
                moments += [(sheet.hold, stored[sheet.hold["id"]])] if sheet.hold else []
                for row, at_ms in moments:
                    if walls.stretch(at_ms).known:
                        shown_ms = row["lid_locked_ms"] if "lid_locked_ms" in row else row["started_ms"]
                        assert abs(shown_ms - bench.true_ms[at_ms]) <= SYNC_MS + 20
            else:
                assert any(begin <= sheet.batch["started_ms"] <= end for begin, end in day.unsure)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Madrid", date(2026, 3, 29), 23),
        ("Europe/Madrid", date(2026, 10, 25), 25),
        ("America/New_York", date(2026, 3, 8), 23),
        ("America/New_York", date(2026, 11, 1), 25),
        ("America/Sao_Paulo", date(2018, 11, 4), 23),
        ("UTC", date(2028, 2, 29), 24),
    ],
    ids=["spring", "autumn", "spring, US", "autumn, US", "a day without a midnight", "leap day"],
)
def test_a_moment_is_on_one_day_whatever_the_zone_does(zone: str, day: date, hours: int, tmp_path: Path) -> None:
    """One batch each half hour over four days. Changes of the hour: the IANA time zone database."""
    place = ZoneInfo(zone)
    begin = datetime.combine(day - timedelta(1), datetime.min.time(), place)
    kitchen = Kitchen(at_ms=round(begin.timestamp() * 1000))
    kitchen.say(m.SHIFT_START, cook=4)
    for _ in range(4 * 24 * 2):
        kitchen.say(m.BATCH_START)
        kitchen.wait(30 * MINUTE - 3_000)
        kitchen.say(m.DISCARD)
        kitchen.say(m.CONFIRM)
    journal = kept(kitchen, tmp_path / "records.db")
    found = [gather(journal, day + timedelta(each), place) for each in (-1, 0, 1)]
    journal.close()
    assert [len(each.sheets) for each in found] == [48, 2 * hours, 48]
    assert found[0].end_ms == found[1].begin_ms and found[1].end_ms - found[1].begin_ms == hours * HOUR
    for each in found:
        for sheet in each.sheets:
            assert datetime.fromtimestamp(sheet.batch["started_ms"] / 1000, place).date() == each.day


def test_the_report_is_right_just_after_the_clock_is_set(tmp_path: Path) -> None:
    """A board begins in 1970; in the middle of a hold the clock is set to 29 February 2028."""
    path = tmp_path / "records.db"
    bench = Bench(path)
    for what in ("work", "work", "wait", "work", "work"):
        bench.do(what, 12 * MINUTE)
    before = gather(bench.journal, None, UTC)
    assert (before.day.year, len(before.unsure)) == (1970, 1)
    bench.do("wait", 12 * MINUTE)
    bench.do("sync", SYNC_MS)
    day = gather(bench.journal, None, UTC)
    assert (day.day, day.unsure, len(day.sheets)) == (date(2028, 2, 28), [], 1)
    (sheet,) = day.sheets
    assert sheet.hold and sheet.hold["time_proven"] and 0 < sheet.hold["started_ms"] - BEGIN_MS < 13 * MINUTE
    assert BEGIN_MS < sheet.fryings[0]["lid_locked_ms"] < sheet.hold["started_ms"]
    assert sheet.hold["until_ms"] - sheet.hold["counted_from_ms"] == PROCEDURE.hold_limit_ms
    html = page(day, examine(path), BEGIN_MS)
    assert "Monday 28 February 2028" in html and "clock was not known" not in html
    assert "clock was not known to be set" in page(before, examine(path), BEGIN_MS)
    bench.journal.close()
