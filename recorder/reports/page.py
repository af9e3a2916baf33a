"""A day as one self-contained HTML page. The only door to jinja2."""

from datetime import datetime
from importlib.resources import files
from typing import Any

from recorder.core.rules import minutes_text, tenths
from recorder.journal.verify import Finding
from recorder.reports import charts
from recorder.reports.day import Day, Row


def page(day: Day, finding: Finding, made_ms: int) -> str:
    """The report as HTML text; `finding` is what `verify` says of the records, `made_ms` the time of the report."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(
        clock=lambda at_ms: _moment(day, at_ms).strftime("%H:%M:%S") if at_ms is not None else "",
        date=lambda at_ms: f"{_moment(day, at_ms):%-d %B %Y}",
        hour=lambda at_ms: _moment(day, at_ms).strftime("%H:%M") if at_ms is not None else "",
        lasting=lambda seconds: minutes_text(round(seconds * 1000)) if seconds is not None else "",
        degrees=lambda value: tenths(value) if value is not None else "",
        plain=lambda value: f"{value:g}" if value is not None else "",
    )
    targets = {check["part"]: check["target"] for check in day.checks}
    template = environment.from_string(files("recorder").joinpath("share/report.html").read_text("utf-8"))
    return template.render(
        day=day,
        finding=finding,
        made=_moment(day, made_ms),
        timeline=Markup(charts.timeline(day)),
        curve=lambda check, way: Markup(charts.curve(check, way)),
        controls=[
            (part, Markup(charts.control(points, targets.get(part), day.unit)))
            for part, points in day.means().items()
            if len(points) > 1
        ],
        numbers=_numbers(day, finding),
        verdict=_verdict(day),
        zone=_zone(_moment(day, made_ms)),
    )


def _moment(day: Day, at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000, day.zone)


def _zone(moment: datetime) -> str:
    """The time zone and how far it is from UTC."""
    name, offset = moment.strftime("%Z"), moment.strftime("%z")
    return name if name == "UTC" else f"{name} (UTC{offset[:3]}:{offset[3:]})"


def _numbers(day: Day, finding: Finding) -> list[tuple[str, str, bool]]:
    """The summary: what, how much, and whether somebody should look at it."""
    checks = [check for check in day.checks if check["temp_c"] is not None]
    missed = [check for check in checks if check["verdict"] != "passed"]
    late = [sheet for sheet in day.batches if sheet.hold and sheet.hold["past_limit"]]
    unproven = [sheet for sheet in day.batches if sheet.hold and not sheet.hold["proven"]]
    open_alerts = [alert for alert in day.alerts if alert["ended_ms"] is None]
    discarded = [sheet.batch for sheet in day.batches if sheet.batch["outcome"] == "discarded"]
    return [
        ("batches", str(len(day.batches)), not day.batches),
        ("pieces", str(sum(sheet.batch["pieces"] or 0 for sheet in day.batches)), False),
        ("checks passed", f"{len(checks) - len(missed)} of {len(checks)}", bool(missed)),
        ("sent back to cook more", str(sum(len(sheet.corrections) for sheet in day.batches)), False),
        ("held past the limit", str(len(late)), bool(late)),
        ("held unproven", str(len(unproven)), bool(unproven)),
        ("discarded", _discarded(discarded), False),
        ("probe", _probe(day.probe_checks), _probe(day.probe_checks) != "passed"),
        ("alerts still open", str(len(open_alerts)), bool(open_alerts)),
        ("record", "changed" if finding.faults else "unchanged", bool(finding.faults)),
    ]


def _verdict(day: Day) -> str:
    """One sentence about all that was read."""
    read = [check for check in day.checks if check["temp_c"] is not None]
    unsafe = sum(check["verdict"] == "below critical limit" for check in read)
    short = sum(check["verdict"] == "below target" for check in read)
    if not read:
        return "No piece was read."
    safe = "All" if not unsafe else f"{len(read) - unsafe} of"
    return f"{safe} {len(read)} readings were at or above the food safety limit; {short} of them below the target."


def _discarded(batches: list[Row]) -> str:
    pieces = sum(batch["discarded_pieces"] or batch["pieces"] or 0 for batch in batches)
    return f"{pieces} pieces" if batches else "none"


def _probe(checks: Any) -> str:
    read = [row["verdict"] for row in checks if row["temp_c"] is not None and not row["struck"]]
    return read[-1] if read else "not checked"
