"""What an export has of each table: the stored columns, and beside them what sorts, joins and plots them.

Nothing of it is stored: it is derived here, row by row, from the journal and the zone.
"""

import math
from collections.abc import Iterator
from typing import Any

from recorder.core.events import NEEDLE
from recorder.core.limits import span_in_unit, tenths
from recorder.journal.columns import BATCH_ID, BY_UNIT, TABLES, UNCERTAINTY_C, UNIT, VAT, Column
from recorder.probes.thinning import COMMON_STEP_C, PERIOD_MS, REPEAT_MS, STEP_C
from recorder.reports.days import PARTS
from recorder.reports.lookup import Lookup, Row
from recorder.reports.numbers import checks_in_doubt, numbers

JSON, DATE = "JSON", "DATE"
"""Kinds of columns beside SQLite's: structured data, and a day as YYYY-MM-DD."""

READINGS = "readings"
"""The series of the probes: a table of the export alone, made of the journal's entries."""

BOUND = (
    f"A channel that stays level gives one row in {PERIOD_MS // 1000} s, which is {86_400_000 // PERIOD_MS} a day;"
    f" one that moves gives one more at each step of {COMMON_STEP_C:g} K, the needle at {STEP_C[NEEDLE]:g} K;"
    f" a needle at rest gives one in {REPEAT_MS // 1000} s"
)
"""How many readings there are: what `probes.thinning` lets through."""

PLACE = (
    Column("station", "TEXT", "", "the station's name when it was recorded"),
    Column("shift_day", DATE, "", "local day on which the shift of this row began; without a shift as day"),
    Column("day", DATE, "", "local day on which it began, as in the day report; what belongs to a batch has its day"),
    Column("day_utc", DATE, "", "the same moment's day in UTC"),
)
"""What every table begins with, behind its id."""

UNCERTAINTY = Column("uncertainty", "REAL", BY_UNIT, "uncertainty_c in the unit of this row, rounded up to 0.1")
CUT = ("temperature", "oil_temperature", "lowest")
"""Temperatures that were read: to the tenth, as a display has them."""

UNCUT = ("raw_checks",)
"""Tables whose temperatures may not be above a limit: cut to the tenth, one would seem to be at it."""

PARSED = {("alerts", "numbers"): numbers, ("probe_checks", "checks_in_doubt"): checks_in_doubt}
"""Columns of text that hold data."""

SERIES = (
    Column("id", "INTEGER", "1", "number of the journal entry", null=False),
    Column("at_ms", "INTEGER", "ms", "when it was read", null=False),
    Column("channel", "TEXT", "", "needle, cabinet, or vat1, vat2 and so on"),
    VAT,
    Column("temp_c", "REAL", "Cel", "what was read; empty where the probe was lost"),
    UNCERTAINTY_C,
    Column("temperature", "REAL", BY_UNIT, "what was read, in the unit of the procedure"),
    Column("unit", "TEXT", "", UNIT.means),
    Column("settled", "INTEGER", "1", "1: the needle had come to rest"),
    Column("spot", "INTEGER", "1", "counts the needle's resting places; 0 while it moves"),
    Column("settle_seconds", "REAL", "s", "how long the needle took to settle"),
    Column("colder", "INTEGER", "1", "1: the needle came down to this spot from the one before"),
    Column("medium", "TEXT", "", "what the needle seems to rest in where that is no piece: air, steam, oil, water"),
    Column("lost", "TEXT", "", "why the channel gave no more temperatures from here on"),
)

STORED = TABLES | {READINGS: SERIES}


def _exported(table: str) -> Iterator[Column]:
    first, *others = STORED[table]
    yield first
    yield from PLACE
    names = {column.name for column in STORED[table]}
    for column in others:
        if column.name == "day":  # of a signature: the day that was signed, which is where it stands
            continue
        if (table, column.name) in PARSED:
            yield Column(column.name, JSON, "", column.means)
        elif column.name in CUT and table not in UNCUT:
            yield Column(column.name, column.kind, column.unit, f"{column.means}; cut to 0.1, never rounded up")
        else:
            yield column
        if column.unit == "ms":
            local = f"{column.means}; ISO 8601 in the zone of the export, with its offset from UTC"
            yield Column(column.name.removesuffix("_ms"), "TEXT", "", local)
        if column.name == "temperature" and "uncertainty_c" in names:
            yield UNCERTAINTY
        if column.name == "batch" and "batch_id" not in names:
            yield BATCH_ID


EXPORTED: dict[str, tuple[Column, ...]] = {table: tuple(_exported(table)) for table in STORED}
"""Table -> the columns of its file, in order."""


def rows(lookup: Lookup, table: str) -> Iterator[Row]:
    """The rows of a table's file, in the order of their ids; raises `JournalError`."""
    for row in lookup.readings() if table == READINGS else lookup.stored(table):
        if lookup.wanted(table, row):
            yield {column.name: row.get(column.name) for column in EXPORTED[table]} | _derived(lookup, table, row)


def _derived(lookup: Lookup, table: str, row: Row) -> Row:
    made: Row = {
        "station": lookup.station(row),
        "shift_day": _day(lookup.shift_day(table, row)),
        "day": _day(lookup.day(table, row)),
        "day_utc": _day(lookup.day_utc(table, row)),
    }
    if table in ("alerts", "recoveries") or table in PARTS:
        made["batch_id"] = lookup.batch_id(table, row)
    for name, value in row.items():
        if name.endswith("_ms"):
            made[name.removesuffix("_ms")] = lookup.local(value)
        elif name in CUT and table not in UNCUT:
            made[name] = _cut(value)
        elif (table, name) in PARSED:
            made[name] = PARSED[table, name](value)
    if "uncertainty_c" in row and "temperature" in row:
        made["uncertainty"] = _uncertain(row["uncertainty_c"], row["unit"])
    return made


def _day(day: Any) -> str | None:
    return day.isoformat() if day else None


def _cut(value: float | None) -> float | None:
    return float(tenths(value)) if value is not None and math.isfinite(value) else value


def _uncertain(uncertainty_c: float | None, unit: str | None) -> float | None:
    if uncertainty_c is None or unit is None or not math.isfinite(uncertainty_c):
        return None
    return math.ceil(round(span_in_unit(uncertainty_c, unit) * 10, 4)) / 10
