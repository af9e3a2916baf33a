"""A day as one self-contained HTML page. The only door to jinja2."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.resources import files
from typing import Any

from recorder.core.limits import lasting as span
from recorder.core.limits import minutes_text, tenths, tenths_up
from recorder.journal.verify import Finding
from recorder.reports import charts, duties
from recorder.reports.day import Day, Sheet
from recorder.reports.days import Row
from recorder.reports.figures import bound, dwell, limits, numbers, verdict
from recorder.reports.integrity import NOT_KNOWN, integrity
from recorder.reports.later import Change, Later
from recorder.reports.words import visible


def page(day: Day, finding: Finding, made_ms: int, later: Later | None = None) -> str:
    """The report as HTML text.

    `finding` is what `verify` says of the records, `made_ms` the time of the report; `later` has seen the replayed
    journal. Without it the page says of a signed day that nobody has looked for later changes.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    def shown(value: object) -> object:
        return visible(value) if type(value) is str else value

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, finalize=shown
    )
    times = Times(day)
    environment.filters.update(
        clock=times.clock,
        hour=times.hour,
        date=lambda at_ms: f"{times.moment(at_ms):%-d %B %Y}",
        lasting=lambda seconds: lasting(round(seconds * 1000)) if seconds is not None else "",
        degrees=lambda value: tenths(value) if value is not None else "",
        span=lambda ms: span(ms) if ms is not None else "",
        degrees_up=lambda value: tenths_up(value) if value is not None else "",
        plain=lambda value: f"{value:g}" if value is not None else "",
        css=lambda text: Markup(re.sub(r"[^A-Za-z0-9 ,._-]", lambda each: f"\\{ord(each[0]):x} ", visible(text))),
    )
    record = integrity(finding)
    changes = {row["id"]: later.after(row["id"]) if later else None for row in day.signatures}
    template = environment.from_string(files("recorder").joinpath("share/report.html").read_text("utf-8"))
    targets = {
        (day.part(sheet, check["part"]), check["unit"]): check["target"]
        for sheet in day.batches
        for check, _ in sheet.checks
        if check["part"]
    }
    return template.render(
        day=day,
        finding=finding,
        record=record,
        not_known=NOT_KNOWN,
        forged={fault.row for fault in finding.faults if fault.table == "signatures"},
        made=f"{times.moment(made_ms):%Y-%m-%d %H:%M} {_zone(times.moment(made_ms))}",
        running=day.begin_ms <= made_ms < day.end_ms,
        timeline=Markup(charts.timeline(day, times.hour)),
        curve=lambda check, way: Markup(charts.curve(check, way)),
        controls=[
            (part, unit, Markup(charts.control(points, targets.get((part, unit)), unit)))
            for (part, unit), points in day.means().items()
            if len(points) > 1
        ],
        numbers=numbers(day, record, changes),
        verdict=verdict(day),
        zone=times.zone(),
        units=" and ".join(f"°{unit}" for unit in day.units),
        over=lambda hold: _over(day, hold),
        held=lambda sheet, hold: _held(day, sheet, hold),
        changes={id: None if found is None else lines(found, times) for id, found in changes.items()},
        bound=bound,
        limits=list(limits(day.menu)),
        answers=lambda alert: duties.answers(day, alert, times.hour),
        asked=duties.asked(day),
        tasks=duties.tasks(day),
        dwell=lambda check: dwell(day.dwell_advice, check),
        back=lambda table, row: _name(table, row),
    )


class Times:
    """The times of one day, so that none can be taken for another: of another day, or of the hour that comes twice."""

    def __init__(self, day: Day) -> None:
        self._day = day
        self._begin, self._end = self.moment(day.begin_ms), self.moment(day.end_ms - 1)

    def moment(self, at_ms: float) -> datetime:
        """`at_ms` in the zone of the day."""
        return self._day.calendar.moment(at_ms)

    def wall_ms(self, at_ms: int) -> int:
        """The wall time of a moment of the time line."""
        return self._day.calendar.walls.wall_ms(at_ms)

    def clock(self, at_ms: int | None) -> str:
        """Hours, minutes and seconds; "" for None."""
        return self._text(at_ms, "%H:%M:%S")

    def hour(self, at_ms: float | None) -> str:
        """Hours and minutes; "" for None."""
        return self._text(at_ms, "%H:%M")

    def zone(self) -> str:
        """The day's time zone and how far it is from UTC; both and when, where the clocks were changed."""
        if not self._changes():
            return _zone(self._begin)
        low_ms, high_ms = self._day.begin_ms, self._day.end_ms - 1
        while high_ms - low_ms > 1:
            middle_ms = (low_ms + high_ms) // 2
            if self.moment(middle_ms).utcoffset() == self._begin.utcoffset():
                low_ms = middle_ms
            else:
                high_ms = middle_ms
        before, after = self.moment(low_ms) + timedelta(milliseconds=1), self.moment(high_ms)
        return f"{_zone(self._begin)} until {before:%H:%M}, then {_zone(self._end)} from {after:%H:%M} on"

    def _changes(self) -> bool:
        return self._begin.utcoffset() != self._end.utcoffset()

    def _text(self, at_ms: float | None, form: str) -> str:
        if at_ms is None:
            return ""
        moment = self.moment(at_ms)
        text = f"{moment:{form}}"
        if self._changes() or moment.utcoffset() != self._begin.utcoffset():
            text += f" {_short(moment)}"
        if moment.date() != self._day.day:
            text += f" on {moment:%-d %B}" + (f" {moment:%Y}" if moment.year != self._day.day.year else "")
        return text


def _zone(moment: datetime) -> str:
    """The time zone and how far it is from UTC."""
    name, offset = moment.strftime("%Z"), moment.strftime("%z")
    return name if name == "UTC" else f"{name} (UTC{offset[:3]}:{offset[3:]})"


def _short(moment: datetime) -> str:
    """The time zone in a few letters."""
    name, offset = moment.strftime("%Z"), moment.strftime("%z")
    return name if name.isalpha() else f"UTC{offset[:3]}:{offset[3:5]}"


def _over(day: Day, hold: Row) -> str:
    """By how much a hold ran over its limit, as far as is known: one that goes on did so by the newest entry."""
    over_ms = (hold["ended_ms"] or day.now_ms) - hold["until_ms"]
    return f"{lasting(over_ms)} over its limit" if over_ms > 0 else "past its limit"


def _held(day: Day, sheet: Sheet, hold: Row) -> str:
    """How long a hold lasted, as far as is known."""
    ended_ms = hold["ended_ms"] or sheet.batch["closed_ms"] or day.now_ms
    return lasting(ended_ms - hold["started_ms"])


def lasting(ms: int) -> str:
    """A length of time for people: "12 min 05 s"; from three hours on "8 h 26 min"."""
    minutes = ms // 60_000
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 180 else minutes_text(ms)


@dataclass(frozen=True, slots=True)
class Line:
    """One change after a signature, for people."""

    when: str
    what: str
    how: str


def lines(changes: Sequence[Change], times: Times) -> list[Line]:
    """What changed, one line a row.

    The parts of a batch that is new itself are left out, and the commands that stand beside what they changed.
    """
    added = {change.row["id"] for change in changes if change.table == "batches" and change.before is None}
    said = {text for change in changes for text in change.said if change.table != "commands"}
    found = []
    for change in changes:
        new = change.before is None
        if new and (change.row.get("batch_id") in added or (change.table == "commands" and change.row["text"] in said)):
            continue
        by = f" (“{'”, “'.join(change.said)}”)" if change.said and change.table != "commands" else ""
        moment = times.clock(times.wall_ms(change.at_ms))
        found.append(Line(moment, _name(change.table, change.row), _how(change, times) + by))
    return found


def _how(change: Change, times: Times) -> str:
    row = change.row
    if row.get("struck") and not (change.before or {}).get("struck"):
        return "taken back by the cook"
    if change.before is None:
        state = row.get("verdict") or row.get("outcome") or row.get("stage")
        return "added" + (f": {state}" if state else "")

    def value(name: str, of: Mapping[str, Any]) -> str:
        found = of.get(name)
        if found in (None, ""):
            return "nothing"
        if name.endswith("_ms"):
            return times.clock(times.wall_ms(found))
        if name in FLAGS:
            return "yes" if found else "no"
        return f"{found:g}" if isinstance(found, float) else str(found)

    names = [name for name in change.columns() if name not in DERIVED] or change.columns()
    labels = {name: LABELS.get(name, name.removesuffix("_ms").replace("_", " ")) for name in names}
    return "; ".join(f"{labels[name]}: {value(name, change.before)} → {value(name, row)}" for name in names)


FLAGS = (
    "proven",
    "past_limit",
    "time_proven",
    "short",
    "overdue",
    "out_of_order",
    "over_capacity",
    "struck",
    "counts",
    "in_doubt",
    "late",
    "said_late",
    "reheat_missed",
    "too_long",
    "asks_done",
    "missed",
)
DERIVED = ("stage", "temp_c", "unit", "uncertainty_c", "settle_seconds", "probe_check")
"""Columns that say again what another one says."""

LABELS = {
    "proven": "checks complete",
    "past_limit": "past its limit",
    "limit_kind": "limit",
    "counts": "counts as a passed check",
    "counted_from_ms": "counted from",
    "repeats": "reminders",
    "acknowledged_ms": "in hand since",
    "acknowledged_by": "in hand of",
    "ended_by": "over because",
}


def _name(table: str, row: Mapping[str, Any]) -> str:
    """What a row is, in words."""
    match table:
        case "shifts":
            return f"shift of cook {row['cook']}"
        case "batches":
            return f"batch {row['number']}"
        case "loads":
            return f"load of {row['part']} {row['pieces'] or 'uncounted'}, batch {row['batch']}"
        case "fryings":
            return f"cook of batch {row['batch']}"
        case "checks":
            read = f" {tenths(row['temperature'])} °{row['unit']}" if row["temperature"] is not None else ""
            return f"check of {row['part'] or 'a piece'}{read}, batch {row['batch']}"
        case "corrections":
            return f"sending back of batch {row['batch']}"
        case "holds":
            return f"hold of batch {row['batch']}"
        case "oil":
            return f"{row['what']}, vat {row['vat']}"
        case "probe_checks":
            return f"probe check, {row['how']}"
        case "raw_times":
            return f"raw {row['part']} out of the cooler"
        case "raw_checks":
            return f"cold check of raw {row['part']}"
        case "breading":
            return str(row["what"])
        case "recoveries":
            return f"recovery of the oil, vat {row['vat']}"
        case "prompts":
            return f"prompt: {row['text']}"
        case "tasks":
            return f"task {row['task']}, {row['part_of_day']}"
        case "corrective_actions":
            return f"{row['what']} {row['text']}"
        case "alerts":
            return f"alert: {row['text']}"
        case _:
            return f"said: “{row['text']}”"
