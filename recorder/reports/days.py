"""Which day a row belongs to, and which days there are. Each row belongs to one day, and stands in its report.

A thing belongs to the day on which it began, in wall time. What belongs to a batch stands with its batch, and a
signature with the day that it signs.
"""

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any

from recorder.journal.errors import JournalError
from recorder.journal.reader import Reader
from recorder.reports.wall import Stretch, WallTimes, wall_times

MOMENT = {
    "shifts": "started_ms",
    "batches": "started_ms",
    "oil": "at_ms",
    "probe_checks": "opened_ms",
    "raw_times": "out_ms",
    "raw_checks": "opened_ms",
    "breading": "at_ms",
    "recoveries": "loaded_ms",
    "prompts": "at_ms",
    "tasks": "begun_ms",
    "corrective_actions": "at_ms",
    "alerts": "began_ms",
    "commands": "at_ms",
}
"""By table: the moment that decides to which day a row belongs."""

PARTS = ("loads", "fryings", "checks", "corrections", "holds")
"""Tables whose rows belong to a batch, and to its day."""

TRADE = ("shifts", "batches", "oil", "probe_checks", "raw_times", "raw_checks", "breading", "recoveries")
"""Tables whose rows make a day one of trade."""

Row = dict[str, Any]


class Calendar:
    """The days of one journal in one time zone."""

    def __init__(self, journal: Reader, zone: tzinfo) -> None:
        """Raises `JournalError` where nothing is on record."""
        if journal.newest() is None:
            raise JournalError("nothing is on record yet")
        self.zone = zone
        self.walls: WallTimes = wall_times(journal)
        self._journal = journal

    @property
    def now_ms(self) -> int:
        """The wall time of the newest entry: so far the record reaches."""
        return self.walls.stretches[-1].end_wall_ms

    def moment(self, wall_ms: float) -> datetime:
        """A wall time as the zone's clocks show it."""
        return datetime.fromtimestamp(wall_ms / 1000, self.zone)

    def begin_ms(self, day: date) -> int:
        """The wall time at which `day` begins."""
        return round(datetime.combine(day, time(), self.zone).timestamp() * 1000)

    def end_ms(self, day: date) -> int:
        """When `day` ends, in wall time."""
        return self.begin_ms(day + timedelta(1))

    def day_of(self, table: str, row: Row) -> date:
        """The day to which a row belongs, by its moments as they are stored; of a row of `PARTS` ask for its batch."""
        if table == "signatures":
            return date.fromisoformat(str(row["day"]))
        return self.moment(self.walls.wall_ms(row[MOMENT[table]])).date()

    def rows(self, table: str, day: date) -> list[Row]:
        """The rows of a table that belong to `day`, in the order of their moments; none of `PARTS`."""
        if table == "signatures":
            return self._journal.table(table, day=day.isoformat())
        column = MOMENT[table]
        found = [
            row
            for low_ms, high_ms in self._ranges(day)
            for row in self._journal.within(table, column, low_ms, high_ms)
            if self.day_of(table, row) == day
        ]
        return sorted(found, key=lambda row: (self.walls.wall_ms(row[column]), self.walls.at(row[column])))

    def entries(self, day: date) -> int:
        """How many entries the journal has of `day`."""
        return sum(self._before(each, self.end_ms(day)) - self._before(each, self.begin_ms(day)) for each in self.boots)

    @property
    def boots(self) -> Sequence[Stretch]:
        """The stretches between starts and changes of the clock."""
        return self.walls.stretches

    def days(self) -> list[date]:
        """All days that have an entry, a row or a signature."""
        return sorted(self._with_entries() | self._with_rows())

    def last_day(self) -> date:
        """The day of the newest row of trade, by the time line; where there is none, that of the newest entry."""
        found = (self._journal.greatest(table, MOMENT[table]) for table in TRADE)
        newest = [at_ms for at_ms in found if at_ms is not None]
        return self.moment(self.walls.wall_ms(max(newest)) if newest else self.now_ms).date()

    def missing(self, day: date) -> JournalError:
        """Says that `day` has no record, and which is the last one that has."""
        return JournalError(f"nothing is on record for {day}; the last day on record is {self.last_day()}")

    def _with_entries(self) -> set[date]:
        found = set()
        for boot in self.boots:
            day, last = self.moment(boot.begin_wall_ms).date(), self.moment(boot.end_wall_ms).date()
            while day <= last:
                if day not in found and self._before(boot, self.end_ms(day)) > self._before(boot, self.begin_ms(day)):
                    found.add(day)
                day += timedelta(1)
        return found

    def _with_rows(self) -> set[date]:
        return {self.day_of(table, row) for table in (*MOMENT, "signatures") for row in self._journal.each(table)}

    def _ranges(self, day: date) -> Iterator[tuple[int, int]]:
        """Stretches of the time line that hold all moments of `day`, and others."""
        begin_ms, end_ms = self.begin_ms(day), self.end_ms(day)
        before: Stretch | None = None
        for boot in self.boots:
            low_ms, high_ms = begin_ms - boot.ahead_ms, end_ms - boot.ahead_ms
            if before:
                low_ms = max(low_ms, boot.begin_ms)
                if min(before.end_wall_ms, boot.begin_wall_ms) < end_ms and begin_ms <= boot.begin_wall_ms:
                    yield before.end_ms + 1, boot.begin_ms - 1
            if boot is not self.boots[-1]:
                high_ms = min(high_ms, boot.end_ms)
            if low_ms <= high_ms:
                yield low_ms, high_ms
            before = boot

    def _before(self, boot: Stretch, wall_ms: int) -> int:
        """The number of the boot's last entry before `wall_ms`; of the entry before it where it has none."""
        at_ms = wall_ms - boot.ahead_ms
        if at_ms <= boot.begin_ms:
            return boot.first - 1
        if at_ms > boot.end_ms:
            return boot.last
        first, last = self._journal.at(boot.first), self._journal.at(boot.last)
        assert first and last
        return self._journal.last_where(lambda entry: entry.stamp.at_ms < at_ms, first, last).seq
