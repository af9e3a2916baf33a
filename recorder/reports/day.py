"""One day of a station, gathered from its records: what a report shows, and nothing judged anew. Knows no HTML.

Moments are in wall time, as far as the clock was ever known in their boot (see `wall.py`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from statistics import fmean
from typing import Any

from recorder.core.events import NEEDLE, ProcedureLoaded, Reading, Started
from recorder.core.rules import in_unit
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from recorder.reports.wall import wall_times

Row = dict[str, Any]
Curve = tuple[tuple[int, float], ...]
"""ms and temperature, in the unit of the procedure."""

BEFORE_MS = 3_000
"""A check's curve begins so long before the words."""

EARLIER_MS = 60_000
"""What happened at most so long before it was recorded is looked for."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One batch, with all that belongs to it."""

    batch: Row
    loads: Sequence[Row]
    cooks: Sequence[Row]
    checks: Sequence[tuple[Row, Curve]]
    """Each check, and what the needle read meanwhile."""
    corrections: Sequence[Row]
    hold: Row | None

    @property
    def struck(self) -> bool:
        return bool(self.batch["struck"])


@dataclass(frozen=True, slots=True)
class Day:
    """What is on record of one day."""

    station: str
    day: date
    unit: str
    zone: tzinfo
    begin_ms: int
    end_ms: int
    shifts: Sequence[Row]
    sheets: Sequence[Sheet]
    alerts: Sequence[Row]
    """Warnings and worse."""
    struck: Sequence[Row]
    """Commands that were taken back."""
    refused: Sequence[Row]
    """Commands that were refused or not understood."""
    probe_checks: Sequence[Row]
    oil: Sequence[Row]
    recoveries: Sequence[Row]
    signatures: Sequence[Row]
    later: Sequence[Row]
    """Commands that changed the records of this day after its last signature."""
    entries: int
    """Entries of the journal on this day."""
    unsure: Sequence[tuple[int, int]] = ()
    """From when to when the recorder ran on this day and its clock was never known to be set, in wall time."""

    @property
    def batches(self) -> Sequence[Sheet]:
        """Those that were not struck."""
        return [sheet for sheet in self.sheets if not sheet.struck]

    @property
    def checks(self) -> Sequence[Row]:
        return [check for sheet in self.batches for check, _ in sheet.checks if not check["struck"]]

    def means(self) -> dict[str, list[tuple[int, float]]]:
        """By part: batch number and the mean of its first checks by the probe, in the order of the day."""
        found: dict[str, list[tuple[int, float]]] = {}
        for sheet in self.batches:
            read: dict[str, list[float]] = {}
            for check, _ in sheet.checks:
                if check["source"] == "probe" and check["round"] == 0 and not check["struck"] and check["part"]:
                    read.setdefault(check["part"], []).append(check["temperature"])
            for part, values in read.items():
                found.setdefault(part, []).append((sheet.batch["number"], fmean(values)))
        return found


def last_day(journal: Journal, zone: tzinfo) -> date:
    """The last day in `zone` that has a record; raises `JournalError` where there is nothing."""
    newest = journal.newest()
    if newest is None:
        raise JournalError("nothing is on record yet")
    return datetime.fromtimestamp(wall_times(journal).wall_ms(newest.stamp.at_ms) / 1000, zone).date()


def gather(journal: Journal, day: date | None, zone: tzinfo) -> Day:
    """The records of `day` in `zone`, or of the last day that has any; raises `JournalError` where there is nothing."""
    day = day or last_day(journal, zone)
    walls = wall_times(journal)
    begin_ms = _ms(datetime.combine(day, time(), zone))
    end_ms = _ms(datetime.combine(day + timedelta(1), time(), zone))
    here = [
        stretch
        for stretch in walls.stretches
        if begin_ms <= stretch.end_ms + stretch.ahead_ms and stretch.begin_ms + stretch.ahead_ms < end_ms
    ]
    if not here:
        raise JournalError(f"nothing is on record for {day}")
    low_ms = min(max(stretch.begin_ms, begin_ms - stretch.ahead_ms) for stretch in here)
    high_ms = max(min(stretch.end_ms, end_ms - stretch.ahead_ms) for stretch in here)

    def right(row: Row) -> Row:
        """The row with its moments in wall time."""
        moved = {name: walls.wall_ms(at) for name, at in row.items() if name.endswith("_ms") and at is not None}
        if row.get("until_ms") is not None:  # foreseen when it began
            moved["until_ms"] = row["until_ms"] + walls.stretch(row["started_ms"]).ahead_ms
        return row | moved

    def mine(table: str, column: str) -> list[Row]:
        rows = map(right, journal.table(table, f"{column} BETWEEN ? AND ?", low_ms, high_ms))
        return sorted((row for row in rows if begin_ms <= row[column] < end_ms), key=lambda row: row[column])

    batches = mine("batches", "started_ms")
    ids = [batch["id"] for batch in batches]
    within = ("batch_id BETWEEN ? AND ?", min(ids, default=0), max(ids, default=0))
    tables = {name: journal.table(name, *within) for name in ("loads", "cooks", "checks", "corrections", "holds")}
    high_ms = max([high_ms, *(check["closed_ms"] or 0 for check in tables["checks"])])
    tables = {name: list(map(right, rows)) for name, rows in tables.items()}
    started, loaded = (journal.newest_of(kind, high_ms) for kind in ("started", "procedure loaded"))
    station = started.station if isinstance(started, Started) else ""
    unit = loaded.procedure.unit if isinstance(loaded, ProcedureLoaded) else "C"
    entries, needle = 0, list[tuple[int, float]]()
    for event in journal.between(low_ms - EARLIER_MS, high_ms + EARLIER_MS):
        at_ms = walls.wall_ms(event.at_ms)
        if isinstance(event, Reading) and event.channel == NEEDLE:
            needle.append((at_ms, in_unit(event.temp_c, unit)))
        entries += begin_ms <= at_ms < end_ms
    if not entries:
        raise JournalError(f"nothing is on record for {day}")

    commands = mine("commands", "at_ms")
    signatures = list(map(right, journal.table("signatures", "day = ?", day.isoformat())))
    signed = signatures[-1]["id"] if signatures else None
    return Day(
        station=station,
        day=day,
        unit=unit,
        zone=zone,
        begin_ms=begin_ms,
        end_ms=end_ms,
        shifts=mine("shifts", "started_ms"),
        sheets=[_sheet(batch, tables, needle) for batch in batches],
        alerts=[row for row in mine("alerts", "began_ms") if row["level"] != "info"],
        struck=[row for row in commands if row["struck"]],
        refused=[row for row in commands if row["outcome"] in ("refused", "not understood")],
        probe_checks=mine("probe_checks", "opened_ms"),
        oil=mine("oil", "at_ms"),
        recoveries=mine("recoveries", "loaded_ms"),
        signatures=signatures,
        later=[row for row in commands if signed is not None and row["id"] > signed and row["outcome"] == "done"],
        entries=entries,
        unsure=[
            (max(stretch.begin_ms + stretch.ahead_ms, begin_ms), min(stretch.end_ms + stretch.ahead_ms, end_ms))
            for stretch in here
            if not stretch.known
        ],
    )


def _sheet(batch: Row, tables: dict[str, list[Row]], needle: Sequence[tuple[int, float]]) -> Sheet:
    def of(name: str) -> list[Row]:
        return [row for row in tables[name] if row["batch_id"] == batch["id"] and row["struck"] == batch["struck"]]

    return Sheet(
        batch=batch,
        loads=of("loads"),
        cooks=of("cooks"),
        checks=[(check, _curve(check, needle)) for check in of("checks")],
        corrections=of("corrections"),
        hold=next(iter(of("holds")), None),
    )


def _curve(check: Row, needle: Iterable[tuple[int, float]]) -> Curve:
    if check["source"] != "probe" or check["closed_ms"] is None:
        return ()
    return tuple(each for each in needle if check["opened_ms"] - BEFORE_MS <= each[0] <= check["closed_ms"])


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)
