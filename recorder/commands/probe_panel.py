"""What `probe` shows in a terminal: two lines for each channel, drawn again as samples come.

The first has the newest value and how it moves, the second the pace, the curve and its range. All fits 60 columns.
"""

import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from recorder.core.events import NEEDLE, Event, ProbeLost, Reading
from recorder.core.limits import in_unit
from recorder.probes.probe import Probe
from recorder.probes.source import Charge, Doubt, Fault, Found, Sample

SPAN_MS = 60_000
"""The curve shows so much."""
CELLS = 30
BARS = "▁▂▃▄▅▆▇█"
LEAST_RANGE_C = 2.0
"""The curve's height is this at least, so that noise looks like noise."""
RATE_MS = 10_000
"""Messages are counted over this."""
SLOPE_MS = {NEEDLE: 3_000}
"""The way of the temperature is taken over this, of the needle and"""
SLOW_MS = 30_000
"""of anything else."""

SHOWN = ("board", "firmware", "reset")
"""What a board says of itself, in the order in which it is shown."""


@dataclass(slots=True)
class Row:
    """One channel, as far as it is known."""

    samples: deque[tuple[int, float]] = field(default_factory=deque)
    """Time, °C; no older than `SPAN_MS`."""
    fault: str | None = None
    rest: Reading | None = None
    """Where the needle rests, while it does."""
    charge: int | None = None


class Panel:
    """All that is known of one probe. Fed by one thread, drawn by another."""

    def __init__(self, title: str) -> None:
        self._title = title
        self._rows: dict[str, Row] = {}
        self._began_ms: int | None = None
        self._lock = threading.Lock()

    def look(self, at_ms: int, found: Found) -> None:
        """Every sample, fault and charge, before it is thinned."""
        with self._lock:
            self._began_ms = at_ms if self._began_ms is None else self._began_ms
            if isinstance(found, Doubt):
                return
            row = self._rows.setdefault(found.channel, Row())
            match found:
                case Sample(temp_c=temp_c):
                    row.fault = None
                    row.samples.append((at_ms, temp_c))
                case Fault(reason=reason):
                    row.fault, row.rest = reason, None
                case Charge(percent=percent):
                    row.charge = percent

    def event(self, event: Event) -> None:
        """What the driver would report to the station."""
        with self._lock:
            match event:
                case Reading(channel=channel):
                    self._rows.setdefault(channel, Row()).rest = event if event.settled else None
                case ProbeLost(channel=channel, reason=reason):
                    row = self._rows.setdefault(channel, Row())
                    row.fault, row.rest = reason, None

    def draw(self, probe: Probe, now_ms: int) -> RenderableType:
        """The panel as it stands."""
        table = Table(box=None, padding=(0, 2, 0, 0), show_header=False)
        table.add_column(no_wrap=True, min_width=8)
        table.add_column(no_wrap=True, min_width=CELLS)
        table.add_column()
        with self._lock:
            for channel, row in self._rows.items():
                while row.samples and row.samples[0][0] <= now_ms - SPAN_MS:
                    row.samples.popleft()
                for line in _lines(channel, row, now_ms):
                    table.add_row(*line)
        if not self._rows:
            table.add_row("Nothing has come yet.")
        seconds = (now_ms - self._began_ms) / 1000 if self._began_ms is not None else 0
        head = Text.assemble((self._title, "bold"), f"   {seconds:.0f} s")
        return Group(
            head, counts(probe), table, Text(f"The curve is the last {SPAN_MS // 1000} s. Ctrl-C ends it.", "dim")
        )


def counts(probe: Probe) -> str:
    """What came in, in a line."""
    reader = probe.reader
    kinds = "; ".join(f"{count} {kind}" for kind, count in sorted(reader.bad.items()))
    bad = f"{reader.bad.total()} bad ({kinds})" if kinds else "0 bad"
    late = f", {probe.late} not of now" if probe.late else ""
    lost = f", {reader.about['lost']} lost on the board" if "lost" in reader.about else ""
    about = " ".join(f"{key} {reader.about[key]}." for key in SHOWN if key in reader.about)
    text = f"{probe.bytes_read} bytes: {reader.good} good messages, {bad}, {reader.missed} missed{lost}{late}."
    slow = probe.slow()
    return "\n".join(filter(None, (text, about, f"Beware: {slow}" if slow else "")))


def degrees(temp_c: float) -> str:
    """In both units."""
    return f"{temp_c:8.2f} °C {in_unit(temp_c, 'F'):8.2f} °F"


def _lines(channel: str, row: Row, now_ms: int) -> Iterator[tuple[Text, Text, Text]]:
    recent = [at_ms for at_ms, _ in row.samples if at_ms > now_ms - RATE_MS]
    temps_c = [temp_c for _, temp_c in row.samples]
    value, style, how = degrees(temps_c[-1]).strip() if temps_c else "", "", way(channel, row.samples)
    if row.fault:
        value, style, how = "", "red", f"lost: {row.fault}"
    elif rest := row.rest:
        sure = f" ± {max(rest.uncertainty_c, 0.1):.1f}" if rest.uncertainty_c is not None else ""
        took = f", in {rest.settle_ms / 1000:.0f} s" if rest.settle_ms is not None else ""
        style, how = "green", f"at rest at {rest.temp_c:.1f}{sure} °C, spot {rest.spot}{took}"
    charge = f"battery {row.charge} %" if row.charge is not None else ""
    yield Text(channel), Text(value, f"bold {style}"), Text(", ".join(filter(None, (how, charge))), style)
    reach = f"{min(temps_c):.0f} to {max(temps_c):.0f} °C" if temps_c else ""
    pace = Text(f"{len(recent) / (RATE_MS / 1000):.1f}/s", "dim")
    yield pace, Text(curve(row.samples, now_ms)), Text(reach, "dim")


def way(channel: str, samples: deque[tuple[int, float]]) -> str:
    """How fast it rises or falls: of the needle °C a second, of anything else °C a minute; "" while that is unknown."""
    if not samples:
        return ""
    at_ms, temp_c = samples[-1]
    length_ms = SLOPE_MS.get(channel, SLOW_MS)
    first_ms, first_c = next(each for each in samples if each[0] >= at_ms - length_ms)
    if at_ms - first_ms < length_ms / 2:
        return ""
    slope = (temp_c - first_c) / (at_ms - first_ms) * 1000
    return f"{slope:+.2f} °C/s" if channel in SLOPE_MS else f"{60 * slope:+.1f} °C/min"


def curve(samples: deque[tuple[int, float]], now_ms: int) -> str:
    """The mean of each cell's samples as a bar, from the lowest to the highest; a blank where none came."""
    if not samples:
        return ""
    cells: list[list[float]] = [[] for _ in range(CELLS)]
    for at_ms, temp_c in samples:
        cells[min(CELLS - 1, max(0, (at_ms - now_ms + SPAN_MS) * CELLS // SPAN_MS))].append(temp_c)
    means = [sum(cell) / len(cell) if cell else None for cell in cells]
    known = [mean for mean in means if mean is not None]
    low, high = min(known), max(known)
    reach = max(high - low, LEAST_RANGE_C)
    base = (low + high - reach) / 2
    return "".join(
        " " if mean is None else BARS[min(len(BARS) - 1, int((mean - base) / reach * len(BARS)))] for mean in means
    )
