"""One day of a station, gathered from its records: what a report shows, and nothing judged again. Knows no HTML.

Moments are in wall time, as far as the clock was ever known in their boot (see `wall.py`); which day a row belongs to
is said in `days.py`.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, tzinfo
from statistics import fmean

from recorder.core.batch import FAILED
from recorder.core.events import NEEDLE, ProcedureLoaded, Reading, Started
from recorder.core.limits import in_unit
from recorder.core.procedure import Procedure
from recorder.journal.reader import Reader
from recorder.practice import is_practice
from recorder.reports.days import MOMENT, PARTS, Calendar, Row

Curve = tuple[tuple[int, float], ...]
"""ms and temperature, in the unit of the check."""

BEFORE_MS = 3_000
"""A check's curve begins so long before the words."""

OWN_DAY = tuple(table for table in MOMENT if table != "batches")
"""Tables whose rows have a day of their own."""

LATE_MS = 60_000
"""A reading is on record at most so long after it was taken."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One batch, with all that belongs to it."""

    batch: Row
    loads: Sequence[Row]
    fryings: Sequence[Row]
    checks: Sequence[tuple[Row, Curve]]
    """Each check, and what the needle read meanwhile."""
    corrections: Sequence[Row]
    holds: Sequence[Row]
    taken_back: Sequence[tuple[str, Row]] = ()
    """Table and row of what the cook took back of a batch that was not taken back itself."""

    @property
    def struck(self) -> bool:
        """Whether the batch was taken back."""
        return bool(self.batch["struck"])

    @property
    def hold(self) -> Row | None:
        """The newest one."""
        return self.holds[-1] if self.holds else None

    @property
    def unit(self) -> str | None:
        """That of its checks, or of its loads."""
        return next((row["unit"] for row in (*(check for check, _ in self.checks), *self.loads) if row["unit"]), None)

    def rows(self) -> Iterator[tuple[str, Row]]:
        """All of it, with the names of the tables."""
        yield "batches", self.batch
        for table in ("loads", "fryings", "corrections", "holds"):
            for row in getattr(self, table):
                yield table, row
        yield from (("checks", check) for check, _ in self.checks)
        yield from self.taken_back


@dataclass(frozen=True, slots=True)
class Day:
    """What is on record of one day."""

    station: str
    day: date
    unit: str
    """Of the procedure that was in force last."""
    calendar: Calendar
    begin_ms: int
    end_ms: int
    now_ms: int
    """The newest entry of all: what is still open lasts at least until then, and more is not known."""
    shifts: Sequence[Row]
    carried: Sequence[Row]
    """The shift that began on an earlier day and went on into this one, if one did."""
    carried_batches: Sequence[Row]
    """Batches of earlier days that were not closed when this day began."""
    carried_alerts: Sequence[Row]
    """Warnings and worse of earlier days that were open when this day began."""
    sheets: Sequence[Sheet]
    alerts: Sequence[Row]
    commands: Sequence[Row]
    probe_checks: Sequence[Row]
    oil: Sequence[Row]
    raw_times: Sequence[Row]
    raw_checks: Sequence[Row]
    breading: Sequence[Row]
    recoveries: Sequence[Row]
    prompts: Sequence[Row]
    tasks: Sequence[Row]
    corrective_actions: Sequence[Row]
    signatures: Sequence[Row]
    entries: int
    """Entries of the journal on this day."""
    less_safe: Sequence[str] = ()
    """Why a limit in force on this day is less safe than the published one, in the kitchen's words."""
    menu: Sequence[Procedure] = ()
    """The procedures that were in force last, of the product that need not be named last."""
    raw_out_ms: int | None = None
    """The longest that raw food may be out of the cooler, by the procedure that was in force last,"""
    breading_every_ms: int | None = None
    """and how long the breading may be in use."""
    answers: Mapping[str, Sequence[Row]] = field(default_factory=dict)
    """By the id of an alert: the causes and corrective actions that were named for it, on this day or later."""
    asks: bool = False
    """Whether the kitchen has causes or actions to name."""
    dwell_advice: str = ""
    """The FSIS table whose dwell times the procedure asks for; "" for none."""
    unsure: Sequence[tuple[int, int]] = ()
    """From when to when the recorder ran on this day and its clock was never known to be set, in wall time."""

    @property
    def practice(self) -> bool:
        """Whether none of this happened to food."""
        return is_practice(self.station)

    @property
    def zone(self) -> tzinfo:
        """The zone that its times are in."""
        return self.calendar.zone

    @property
    def until_ms(self) -> int:
        """How far the record of this day reaches: to its end, or to the newest entry."""
        return min(self.now_ms, self.end_ms)

    @property
    def batches(self) -> Sequence[Sheet]:
        """Those that were not struck."""
        return [sheet for sheet in self.sheets if not sheet.struck]

    def name(self, batch: Row) -> str:
        """A batch's number; where the day has two of that number, with the time of its start after it."""
        alike = [sheet for sheet in self.sheets if sheet.batch["number"] == batch["number"]]
        began = self.calendar.moment(batch["started_ms"])
        return f"{batch['number']} of {began:%H:%M}" if len(alike) > 1 else str(batch["number"])

    def part(self, sheet: Sheet, part: str) -> str:
        """A part's name; where the day has several products, with its product before it."""
        several = len({each.batch["product"] for each in self.batches}) > 1
        return f"{sheet.batch['product']}: {part}" if several else part

    @property
    def checks(self) -> Sequence[Row]:
        """The checks of all batches."""
        return [check for sheet in self.batches for check, _ in sheet.checks]

    @property
    def deviations(self) -> Sequence[Row]:
        """Warnings and worse."""
        return [row for row in self.alerts if row["level"] != "info"]

    @property
    def notes(self) -> Sequence[Row]:
        """What was good to know, with nothing to do."""
        return [row for row in self.alerts if row["level"] == "info"]

    @property
    def struck(self) -> Sequence[Row]:
        """Commands that were taken back."""
        return [row for row in self.commands if row["struck"]]

    @property
    def refused(self) -> Sequence[Row]:
        """Commands that were refused or not understood."""
        return [row for row in self.commands if row["outcome"] in ("refused", "not understood")]

    @property
    def units(self) -> Sequence[str]:
        """The units of this day's temperatures, in the order of their first row; more than one where it changed."""
        rows = [row for _, row in self.rows() if row.get("unit")]
        return list(dict.fromkeys(row["unit"] for row in sorted(rows, key=lambda row: int(row["id"])))) or [self.unit]

    def rows(self) -> Iterator[tuple[str, Row]]:
        """All rows that belong to this day, each once, with the names of their tables."""
        for table in (*OWN_DAY, "signatures"):
            yield from ((table, row) for row in getattr(self, table))
        for sheet in self.sheets:
            yield from sheet.rows()

    def means(self) -> dict[tuple[str, str], list[tuple[int, float]]]:
        """By part, as `part` has it, and unit: batch number and the mean of its first checks by the probe, in order."""
        found: dict[tuple[str, str], list[tuple[int, float]]] = {}
        for sheet in self.batches:
            read: dict[tuple[str, str], list[float]] = {}
            for check, _ in sheet.checks:
                first = (
                    check["source"] == "probe" and check["round"] == 0 and not check["stage"] and not doubtful(check)
                )
                if first and check["part"]:
                    read.setdefault((self.part(sheet, check["part"]), check["unit"]), []).append(check["temperature"])
            for key, values in read.items():
                found.setdefault(key, []).append((sheet.batch["number"], fmean(values)))
        return found


def doubtful(check: Row) -> bool:
    """Whether it says nothing of its piece: disputed, or read by a probe that failed its own check before or after."""
    return bool(check["disputed"] or check["in_doubt"] or check["probe_was"] == FAILED)


def passed(check: Row) -> bool:
    """Whether it passed and stands: one in holding as such, another as one that the batch needs."""
    return check["verdict"] == "passed" and not doubtful(check) and bool(check["stage"] or check["counts"] != 0)


def gather(journal: Reader, day: date | None, zone: tzinfo) -> Day:
    """The records of `day` in `zone`, or of the last day of trade; raises `JournalError` where there is nothing."""
    calendar = Calendar(journal, zone)
    day = day or calendar.last_day()
    walls = calendar.walls
    begin_ms, end_ms = calendar.begin_ms(day), calendar.end_ms(day)

    def right(row: Row) -> Row:
        """The row with its moments in wall time."""
        moved = {name: walls.wall_ms(at) for name, at in row.items() if name.endswith("_ms") and at is not None}
        if row.get("until_ms") is not None:  # foreseen when it began
            moved["until_ms"] = row["until_ms"] + walls.stretch(row["started_ms"]).ahead_ms
        return row | moved

    def mine(table: str) -> list[Row]:
        return [right(row) for row in calendar.rows(table, day)]

    def carried(table: str, over: str) -> list[Row]:
        return [right(row) for row in _carried(journal, calendar, begin_ms, table, over)]

    batches = mine("batches")
    ids = [batch["id"] for batch in batches]
    ends = min(ids, default=0), max(ids, default=0)
    parts = {name: [row for row in journal.within(name, "batch_id", *ends) if row["batch_id"] in ids] for name in PARTS}
    curves = {check["id"]: _curve(journal, calendar, check) for check in parts["checks"]}
    parts = {name: [right(row) for row in rows] for name, rows in parts.items()}
    procedures = list(_procedures(journal, calendar, begin_ms, end_ms))
    found = Day(
        station=_station(journal, calendar, end_ms),
        day=day,
        unit=procedures[-1].unit if procedures else "C",
        calendar=calendar,
        begin_ms=begin_ms,
        end_ms=end_ms,
        now_ms=calendar.now_ms,
        shifts=mine("shifts"),
        carried=carried("shifts", "ended_ms")[-1:],
        carried_batches=carried("batches", "closed_ms"),
        carried_alerts=carried("alerts", "ended_ms"),
        sheets=[_sheet(batch, parts, curves) for batch in batches],
        alerts=mine("alerts"),
        commands=mine("commands"),
        probe_checks=mine("probe_checks"),
        oil=mine("oil"),
        raw_times=mine("raw_times"),
        raw_checks=mine("raw_checks"),
        breading=mine("breading"),
        recoveries=mine("recoveries"),
        prompts=mine("prompts"),
        tasks=mine("tasks"),
        corrective_actions=mine("corrective_actions"),
        signatures=mine("signatures"),
        entries=calendar.entries(day),
        less_safe=list(dict.fromkeys(filter(None, (_less_safe(each) for each in procedures)))),
        menu=_last_in_force(procedures),
        raw_out_ms=procedures[-1].raw_out_ms if procedures else None,
        breading_every_ms=procedures[-1].breading_every_ms if procedures else None,
        answers=_answers(journal, right),
        asks=any(each.own.causes or each.own.actions for each in procedures),
        dwell_advice=procedures[-1].dwell_advice if procedures else "",
        unsure=[
            (max(boot.begin_wall_ms, begin_ms), min(boot.end_wall_ms, end_ms))
            for boot in calendar.boots
            if not boot.known and boot.begin_wall_ms < end_ms and begin_ms <= boot.end_wall_ms
        ],
    )
    if not found.entries and next(found.rows(), None) is None:
        raise calendar.missing(day)
    return found


def _sheet(batch: Row, parts: dict[str, list[Row]], curves: dict[int, Curve]) -> Sheet:
    def of(name: str, struck: bool = False) -> list[Row]:
        wanted = not batch["struck"] if struck else batch["struck"]
        return [row for row in parts[name] if row["batch_id"] == batch["id"] and bool(row["struck"]) == bool(wanted)]

    return Sheet(
        batch=batch,
        loads=of("loads"),
        fryings=of("fryings"),
        checks=[(check, curves[check["id"]]) for check in of("checks")],
        corrections=of("corrections"),
        holds=of("holds"),
        taken_back=[(name, row) for name in PARTS for row in of(name, struck=True)],
    )


def _curve(journal: Reader, calendar: Calendar, check: Row) -> Curve:
    """What the needle read from shortly before a check was asked for until it was read, at wall times."""
    if check["source"] != "probe" or check["closed_ms"] is None:
        return ()
    low_ms, high_ms = check["opened_ms"] - BEFORE_MS, check["closed_ms"]
    return tuple(
        (calendar.walls.wall_ms(event.at_ms), in_unit(event.temp_c, check["unit"]))
        for event in journal.between(low_ms, high_ms + LATE_MS)
        if isinstance(event, Reading) and event.channel == NEEDLE and low_ms <= event.at_ms <= high_ms
    )


def _carried(journal: Reader, calendar: Calendar, begin_ms: int, table: str, over: str) -> list[Row]:
    """The rows that began before `begin_ms` and were not over by then, by the moment in the column `over`.

    Without those that were taken back, and without alerts that only inform.
    """
    wall_ms, began = calendar.walls.wall_ms, MOMENT[table]
    return [
        row
        for row in journal.each(table)
        if not row.get("struck") and row.get("level") != "info"
        if wall_ms(row[began]) < begin_ms and (row[over] is None or wall_ms(row[over]) > begin_ms)
    ]


def _procedures(journal: Reader, calendar: Calendar, begin_ms: int, end_ms: int) -> Iterator[Procedure]:
    """Those that were in force at some time from `begin_ms` to `end_ms`, in order."""
    before: tuple[Procedure, ...] = ()
    for event in journal.all_of("procedure loaded"):
        assert isinstance(event, ProcedureLoaded)
        at_ms = calendar.walls.wall_ms(event.at_ms)
        if at_ms >= end_ms:
            break
        if at_ms > begin_ms:
            yield from before
        before = (*event.others, event.procedure)
    yield from before


def _answers(journal: Reader, right: Callable[[Row], Row]) -> dict[str, list[Row]]:
    """The causes and corrective actions on record, by their alert, with their moments as `right` has them."""
    found: dict[str, list[Row]] = {}
    for row in journal.each("corrective_actions"):
        found.setdefault(row["alert"], []).append(right(row))
    return found


def _last_in_force(procedures: Sequence[Procedure]) -> Sequence[Procedure]:
    """The newest procedure of each product."""
    return list({each.product: each for each in procedures}.values())


def _less_safe(procedure: Procedure) -> str:
    text = getattr(procedure, "less_safe_because", "")
    return f"{procedure.product}: {text.strip()}" if text.strip() else ""


def _station(journal: Reader, calendar: Calendar, end_ms: int) -> str:
    """The station's name, as the last recorder that started before `end_ms` had it, or the first one."""
    names = [
        (calendar.walls.wall_ms(event.at_ms), event.station)
        for event in journal.all_of("started")
        if isinstance(event, Started)
    ]
    before = [name for at_ms, name in names if at_ms < end_ms]
    return (before or [name for _, name in names[:1]] or [""])[-1]
