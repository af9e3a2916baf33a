"""Pictures of a day as SVG text: the shift's timeline, a check's curve, a part's control chart. Pure.

Shape and words carry the meaning, colour only helps: a report is printed in grey more often than not.
"""

from collections.abc import Callable, Sequence
from html import escape as escaped
from statistics import fmean

from recorder.core.limits import tenths
from recorder.reports.day import Curve, Day, Sheet, passed
from recorder.reports.days import Row
from recorder.reports.words import visible
from recorder.thermal import sampling

WIDTH, LANE, MARGIN = 1000, 26, 90


HOUR_MS = 3_600_000


def escape(text: str) -> str:
    """`text` for SVG, with nothing in it that can't be seen."""
    return escaped(visible(text))


def timeline(day: Day, label: Callable[[float], str]) -> str:
    """Vats and hot holding from the first batch to the last thing, with the checks; `label` gives a time of day.

    What is not over ends where the record does, or with the day.
    """
    sheets = day.batches
    if not sheets:
        return ""
    begin_ms: int = min(sheet.batch["started_ms"] for sheet in sheets)
    end_ms = max(_end_ms(day, sheet) for sheet in sheets) + 60_000
    span_ms = max(end_ms - begin_ms, 600_000)

    def x(at_ms: float) -> float:
        return MARGIN + (at_ms - begin_ms) / span_ms * (WIDTH - MARGIN - 10)

    def bar(sheet: Sheet, row: Row, begin: str, end: str, text: str, kind: str) -> str:
        until_ms = row[end] or sheet.batch["closed_ms"] or max(day.until_ms, row[begin])
        return _bar(x(row[begin]), x(until_ms), text, kind)

    vats = sorted({sheet.batch["vat"] for sheet in sheets})
    lanes: list[list[str]] = [[] for _ in vats]
    names = [f"vat {vat}" for vat in vats]
    free_ms: list[int] = []
    for sheet in sheets:
        lane = lanes[vats.index(sheet.batch["vat"])]
        for frying in sheet.fryings:
            lane.append(bar(sheet, frying, "lid_locked_ms", "lid_open_ms", f"{sheet.batch['number']} cook", "cook"))
        for hold in sheet.holds:
            at = next((at for at, until in enumerate(free_ms) if until <= hold["started_ms"]), len(free_ms))
            free_ms[at:] = [hold["ended_ms"] or end_ms, *free_ms[at + 1 :]]
            if at + len(vats) == len(lanes):
                lanes.append([])
                names.append("holding" if at == 0 else "")
            late = " past its limit" if hold["past_limit"] else ""
            text = f"{sheet.batch['number']} hold{late}"
            lane = lanes[len(vats) + at]
            lane.append(bar(sheet, hold, "started_ms", "ended_ms", text, "hold late" if late else "hold"))
            lane += [_check(x, check) for check, _ in sheet.checks if _within(hold, check)]
        lane = lanes[vats.index(sheet.batch["vat"])]
        lane += [_check(x, check) for check, _ in sheet.checks if check["stage"] is None]
    height = LANE * len(lanes) + 24
    parts = [f'<svg class="day" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="Timeline of the day">']
    step_ms = 15 * 60_000 if span_ms < 3 * HOUR_MS else HOUR_MS * (1 + int(span_ms // (14 * HOUR_MS)))
    at_ms = begin_ms - begin_ms % step_ms
    while (at_ms := at_ms + step_ms) < begin_ms + span_ms:
        parts.append(f'<line class="grid" x1="{x(at_ms):.1f}" x2="{x(at_ms):.1f}" y1="0" y2="{height - 20}"/>')
        middle = min(x(at_ms), WIDTH - 22)  # its words stay within the picture
        parts.append(f'<text class="tick" x="{middle:.1f}" y="{height - 6}">{escape(label(at_ms))}</text>')
    for number, (name, shapes) in enumerate(zip(names, lanes, strict=True)):
        y = number * LANE
        parts.append(f'<text class="lane" x="0" y="{y + 18}">{name}</text><g transform="translate(0 {y})">')
        parts += [*shapes, "</g>"]
    return "".join([*parts, "</svg>"])


def _within(hold: Row, check: Row) -> bool:
    """Whether it is a check of food in hot holding, in this hold."""
    after = hold["started_ms"] <= check["opened_ms"]
    return check["stage"] is not None and after and check["opened_ms"] <= (hold["ended_ms"] or check["opened_ms"])


def _check(x: Callable[[float], float], check: Row) -> str:
    if not check["closed_ms"] or check["temp_c"] is None:
        return ""
    return _mark(x(check["closed_ms"]), passed(check))


def _end_ms(day: Day, sheet: Sheet) -> int:
    """The last thing that is on record of a batch, or how far the record reaches where it is not over."""
    names = ("started_ms", "lid_locked_ms", "lid_open_ms", "closed_ms", "ended_ms")
    rows = [row for table, row in sheet.rows() if table in ("batches", "fryings", "checks", "holds")]
    last_ms = max(row[name] for row in rows for name in names if row.get(name) is not None)
    return max(last_ms, day.until_ms) if sheet.batch["closed_ms"] is None else int(last_ms)


def _bar(left: float, right: float, text: str, kind: str) -> str:
    width = max(right - left, 1.5)
    short = text if width > 8 * len(text) else text.split()[0]
    label = f'<text class="in" x="{left + 4:.1f}" y="17">{escape(short)}</text>' if width > 8 * len(short) else ""
    place = f'x="{left:.1f}" y="4" width="{width:.1f}" height="18"'
    return f'<rect class="{kind}" {place}><title>{escape(text)}</title></rect>{label}'


def _mark(x: float, passed: bool) -> str:
    if passed:
        return f'<circle class="pass" cx="{x:.1f}" cy="13" r="4"/>'
    return f'<path class="miss" d="M{x - 5:.1f} 8 l10 10 m0 -10 l-10 10"/>'


def curve(check: Row, way: Curve) -> str:
    """The needle's way into one piece, with the value that was taken and both limits."""
    if check["temperature"] is None or not way:
        return ""
    width, height, left = 190, 96, 34
    limits = [value for value in (check["target"], check["critical_limit"]) if value is not None]
    values: list[float] = [value for _, value in way] + limits + [check["temperature"]]
    low, high = min(values) - 4, max(values) + 4
    begin_ms = way[0][0]
    span_ms: int = max(check["closed_ms"] - begin_ms, 1_000)

    def x(at_ms: int) -> float:
        return left + (at_ms - begin_ms) / span_ms * (width - left - 12)

    def y(value: float) -> float:
        return height - 14 - (value - low) / (high - low) * (height - 22)

    what = f"{check['part'] or 'piece'} {tenths(check['temperature'])} °{check['unit']}"
    parts = [f'<svg class="small" viewBox="0 0 {width} {height}" role="img" aria-label="{escape(what)}">']
    for name, value in (("target", check["target"]), ("critical", check["critical_limit"])):
        if value is not None:
            parts.append(f'<line class="{name}" x1="{left}" x2="{width - 8}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>')
            parts.append(f'<text class="axis" x="{left - 4}" y="{y(value) + 3:.1f}">{value:g}</text>')
    points = " ".join(f"{x(at_ms):.1f},{y(value):.1f}" for at_ms, value in way)
    parts.append(f'<polyline class="way" points="{points}"/>')
    parts.append(f'<circle class="value" cx="{x(check["closed_ms"]):.1f}" cy="{y(check["temperature"]):.1f}" r="3.5"/>')
    parts.append(f'<text class="foot" x="{left}" y="{height - 2}">{span_ms / 1000:.0f} s</text>')
    return "".join([*parts, "</svg>"])


def control(points: Sequence[tuple[int, float]], target: float | None, unit: str) -> str:
    """Batch means of one part in order, with their own centre and limits where there are enough, and the target.

    The lowest and the highest have their value beside them.
    """
    if len(points) < 2:
        return ""
    width, height, left = 480, 160, 44
    values = [value for _, value in points]
    lines: list[tuple[str, float]] = [("target", target)] if target is not None else []
    if len(values) >= sampling.LEAST_BASE:
        centre, reach = fmean(values), 3 * sampling.moving_sd(values)
        lines += [("centre", centre), ("limit", centre - reach), ("limit", centre + reach)]
    low = min([*values, *(value for _, value in lines)]) - 2
    high = max([*values, *(value for _, value in lines)]) + 2

    def x(at: int) -> float:
        return left + 14 + at / (len(values) - 1) * (width - left - 30)

    def y(value: float) -> float:
        return height - 36 - (value - low) / (high - low) * (height - 56)

    parts = [f'<svg class="chart" viewBox="0 0 {width} {height}" role="img" aria-label="Means of batches, °{unit}">']
    for at, (name, value) in enumerate(lines):
        parts.append(f'<line class="{name}" x1="{left}" x2="{width - 8}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>')
        if all(abs(y(value) - y(other)) > 9 for _, other in lines[:at]):
            parts.append(f'<text class="axis" x="{left - 4}" y="{y(value) + 3:.1f}">{value:.0f}</text>')
    parts.append(
        f'<polyline class="way" points="{" ".join(f"{x(at):.1f},{y(value):.1f}" for at, value in enumerate(values))}"/>'
    )
    for at, (number, value) in enumerate(points):
        parts.append(f'<circle class="value" cx="{x(at):.1f}" cy="{y(value):.1f}" r="3.5"/>')
        parts.append(f'<text class="tick" x="{x(at):.1f}" y="{height - 6}">{number}</text>')
    for at, beside in ((values.index(min(values)), 15), (values.index(max(values)), -7)):
        place = f'x="{x(at):.1f}" y="{y(values[at]) + beside:.1f}"'
        parts.append(f'<text class="tick" {place}>{tenths(values[at])}</text>')
    return "".join([*parts, "</svg>"])
