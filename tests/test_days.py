"""Each row stands in exactly one day's report, and on the right day, over any history of clocks, cuts and midnights.

The board of tests/test_time.py ticks here at every look at its clock, so that an event is older than its entry. More of
it:  TIME_HISTORIES=2000 python -m pytest tests/test_days.py
"""

import random
import tempfile
from collections import Counter
from datetime import UTC, date, datetime, timedelta, tzinfo
from html import unescape
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from recorder.clock import Stamp
from recorder.core.effects import Record
from recorder.core.events import Signed
from recorder.core.station import State, step
from recorder.journal.columns import TABLES
from recorder.journal.errors import JournalError
from recorder.journal.reader import Reader
from recorder.loop import Loop
from recorder.reports.day import Day, gather
from recorder.reports.days import MOMENT, PARTS, Calendar
from recorder.reports.page import page
from recorder.verification.examine import examine
from tests.appended import silent
from tests.kitchen import MINUTE, PROCEDURE
from tests.true_time import CUTS, HAPPENINGS, HISTORIES, HOUR, MEMORY, SYNC_MS, Bench, TrueTime

BEGINS = [
    ("Europe/Berlin", datetime(2026, 3, 28, 19, tzinfo=UTC)),
    ("Europe/Berlin", datetime(2026, 10, 24, 19, tzinfo=UTC)),
    ("America/New_York", datetime(2026, 3, 8, 1, tzinfo=UTC)),
    ("America/New_York", datetime(2026, 11, 1, 1, tzinfo=UTC)),
    ("UTC", datetime(2028, 2, 28, 20, tzinfo=UTC)),
    ("Pacific/Apia", datetime(2026, 5, 1, 8, tzinfo=UTC)),
]
"""Evenings before the clocks change, and others. Changes of the hour: the IANA time zone database."""


class Ticking(TrueTime):
    """Time passes between any two looks at the clock."""

    def __init__(self, begin: datetime, chance: random.Random) -> None:
        self._chance = chance
        super().__init__(round(begin.timestamp() * 1000))

    def boot_ms(self) -> int:
        self.true_ms += self._chance.randint(1, 4)
        return super().boot_ms()


def bench_at(path: Path, begin: datetime, seed: int = 1) -> Bench:
    return Bench(path, Ticking(begin, random.Random(seed)))


def all_days(journal: Reader, zone: tzinfo) -> dict[date, Day]:
    return {day: gather(journal, day, zone) for day in Calendar(journal, zone).days()}


def boots_of(journal: Reader) -> list[list[Stamp]]:
    """The stamps of the entries, boot by boot."""
    boots: list[list[Stamp]] = []
    for entry, _ in journal.entries():
        if not boots or boots[-1][0].boot_id != entry.stamp.boot_id:
            boots.append([])
        boots[-1].append(entry.stamp)
    return boots


def walls_of(boots: list[list[Stamp]]) -> list[int]:
    """How far wall time is ahead of the time line, boot by boot, computed stamp by stamp."""
    ahead: list[int] = []
    for at, boot in enumerate(boots):
        known = [each for each in boot if each.wall_known]
        newest = known[-1] if known else boot[-1]
        found = newest.wall_ms - newest.at_ms
        if not known and at and boot[0].at_ms + found < boots[at - 1][-1].at_ms + ahead[-1]:
            found = ahead[-1]
        ahead.append(found)
    return ahead


def days_expected(boots: list[list[Stamp]], ahead: list[int], at_ms: int, zone: tzinfo) -> set[date]:
    """The days on which a moment of the time line may be: one, or those of a gap between two boots."""
    for at, boot in enumerate(boots):
        if at_ms <= boot[-1].at_ms or at == len(boots) - 1:
            begin_ms = boot[0].at_ms + ahead[at]
            if at_ms >= boot[0].at_ms or at == 0:
                return {datetime.fromtimestamp((at_ms + ahead[at]) / 1000, zone).date()}
            low_ms = boots[at - 1][-1].at_ms + ahead[at - 1]
            first, last = (datetime.fromtimestamp(each / 1000, zone).date() for each in sorted((low_ms, begin_ms)))
            return {first + timedelta(each) for each in range((last - first).days + 1)}
    raise AssertionError("a journal has a boot")


def each_row_stands_once(bench: Bench, journal: Reader, zone: tzinfo) -> dict[date, Day]:
    days, calendar = all_days(journal, zone), Calendar(journal, zone)
    stands = Counter((table, row["id"]) for day in days.values() for table, row in day.rows())
    assert stands == Counter((table, row["id"]) for table in TABLES for row in journal.table(table))
    assert set(stands.values()) <= {1}
    boots = boots_of(journal)
    ahead = walls_of(boots)
    stored: dict[tuple[str, Any], dict[str, Any]] = {
        (table, row["id"]): row for table in TABLES for row in journal.table(table)
    }
    for shown, day in days.items():
        for table, row in day.rows():
            key = (table, row["id"])
            if table == "signatures":
                assert row["day"] == shown.isoformat()
                continue
            if table in PARTS:
                table, key = "batches", ("batches", row["batch_id"])
            at_ms = stored[key][MOMENT[table]]
            assert calendar.day_of(table, stored[key]) == shown
            assert shown in days_expected(boots, ahead, at_ms, zone)
            if at_ms in bench.true_ms and calendar.walls.stretch(at_ms).known:
                true_ms = bench.true_ms[at_ms]
                true = {
                    datetime.fromtimestamp((true_ms + each) / 1000, zone).date()
                    for each in (-SYNC_MS - 20, SYNC_MS + 20)
                }
                assert shown in true, "the day that it really was"
    entries = Counter(
        datetime.fromtimestamp((each.at_ms + by) / 1000, zone).date()
        for boot, by in zip(boots, ahead, strict=True)
        for each in boot
    )
    assert {day: found.entries for day, found in days.items() if found.entries} == dict(entries)
    return days


@pytest.mark.slow
@settings(max_examples=HISTORIES, deadline=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate])
@given(st.integers(0, 2**40))
def test_each_row_stands_in_one_days_report_whatever_the_clocks_did(seed: int) -> None:
    chance = random.Random(seed)
    place, begin = chance.choice(BEGINS)
    zone = ZoneInfo(place)
    names = ("work",) * 9 + ("wait",) * 4 + HAPPENINGS + CUTS * 2
    history = [
        (chance.choice(names), chance.randint(1, chance.choice((90 * MINUTE, 30 * HOUR))))
        for _ in range(chance.randint(10, 60))
    ]
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        bench = bench_at(Path(folder) / "records.db", begin, seed)
        bench.signs = (begin + timedelta(chance.randint(-1, 3))).date().isoformat()
        for what, ms in history:
            bench.do(what, ms)
        bench.journal.close()
        journal = Reader.open(Path(folder) / "records.db")
        each_row_stands_once(bench, journal, zone)
        journal.close()


def held_over(bench: Bench) -> None:
    """A batch goes into hot holding without its checks."""
    bench.do("sync", SYNC_MS)
    for what in ("work", "work", "wait", "work", "work"):
        bench.do(what, 12 * MINUTE)


def page_of(path: Path, day: Day) -> str:
    return page(day, examine(path), day.now_ms)


def test_what_a_boots_first_entry_raises_stands_in_that_days_report(tmp_path: Path) -> None:
    """Its event is some milliseconds older than its stamp, and so before the boot's first moment on record."""
    path = tmp_path / "records.db"
    bench = bench_at(path, datetime(2028, 2, 28, 12, tzinfo=UTC))
    held_over(bench)
    bench.do("cut, 1970", 30 * HOUR)
    bench.do("sync", SYNC_MS)
    bench.journal.close()
    reader = Reader.open(path)
    days = each_row_stands_once(bench, reader, UTC)
    reader.close()
    later = days[date(2028, 2, 29)]
    assert {"time not proven", "clock not set"} <= {row["kind"] for row in later.deviations}
    html = page_of(path, later)
    assert "clock is not known to be set" in html and "None is on record" not in html


def test_what_came_due_while_the_board_was_off_over_midnight_stands_in_a_report(tmp_path: Path) -> None:
    """The hold's limit comes on a day on which the recorder never ran."""
    path = tmp_path / "records.db"
    bench = bench_at(path, datetime(2028, 2, 27, 23, 15, tzinfo=UTC))
    held_over(bench)
    assert PROCEDURE.hold_limit_ms == HOUR
    bench.do("cut, right", 60 * HOUR)
    bench.settle()
    bench.journal.close()
    reader = Reader.open(path)
    days = each_row_stands_once(bench, reader, UTC)
    reader.close()
    assert list(days) == [date(2028, 2, 27), date(2028, 2, 28), date(2028, 3, 1)]
    off = days[date(2028, 2, 28)]
    assert off.entries == 0 and "hold past limit" in {row["kind"] for row in off.deviations}
    html = page_of(path, off)
    (alert,) = (row for row in off.deviations if row["kind"] == "hold past limit")
    assert "The recorder did not run on this day" in html and alert["text"] in unescape(html)


def test_a_signature_that_is_its_boots_first_entry_has_its_own_time(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    bench = bench_at(path, datetime(2026, 2, 26, 12, tzinfo=UTC))
    held_over(bench)
    bench.do("hold end", 0)
    journal, clock = bench.cut(265 * 24 * HOUR, 0, known=False)
    Loop(journal, clock, lambda cue: None, silent).handle(Signed(clock.now_ms(), "2026-02-26", "JD", "late"))
    journal.close()
    bench.board.set(0, known=True)
    bench.start()
    bench.journal.close()
    reader = Reader.open(path)
    days = each_row_stands_once(bench, reader, UTC)
    reader.close()
    assert "signed by <b>JD</b> on 18 November 2026" in page_of(path, days[date(2026, 2, 26)])


def test_a_board_that_never_learns_the_time_has_all_its_rows_on_its_days(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    bench = bench_at(path, datetime(2026, 5, 1, 12, tzinfo=UTC))
    for what in ("work", "work", "cut, 1970", "work", "wait", "cut, 1970", "work", "work"):
        bench.do(what, 5 * HOUR)
    bench.journal.close()
    journal = Reader.open(path)
    days = each_row_stands_once(bench, journal, ZoneInfo("Europe/Berlin"))
    journal.close()
    assert all(day.year == 1970 for day in days)


def test_a_day_without_records_is_refused_and_the_last_day_is_named(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    bench = bench_at(path, datetime(2026, 5, 1, 12, tzinfo=UTC))
    bench.do("sync", 1)
    bench.do("work", 1)
    bench.do("cut, right", 48 * HOUR)
    with pytest.raises(JournalError, match="nothing is on record for 2026-05-02; the last day on record is 2026-05-01"):
        gather(bench.journal, date(2026, 5, 2), UTC)
    assert gather(bench.journal, None, UTC).day == date(2026, 5, 1), "the last day of trade"
    bench.journal.close()


def test_a_row_that_changes_stays_on_its_day(tmp_path: Path) -> None:
    """The moment that decides it is never rewritten."""
    path = tmp_path / "records.db"
    bench = bench_at(path, datetime(2026, 5, 1, 12, tzinfo=UTC))
    held_over(bench)
    state, found = State(), dict[tuple[str, int | str], int]()
    for _, event in bench.journal.entries():
        state, effects = step(state, event)
        for effect in effects:
            if isinstance(effect, Record) and effect.table in MOMENT:
                moment = dict(effect.row)[MOMENT[effect.table]]
                assert isinstance(moment, int)
                assert found.setdefault((effect.table, effect.id), moment) == moment
    bench.journal.close()
    assert {"shifts", "batches", "alerts", "commands"} <= {table for table, _ in found}
