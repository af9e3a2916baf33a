"""Insertions as pictures, one SVG each: samples, the truth, and what was settled. `tests.bench.settle --draw DIR`.

Grey: samples; the black line: the undisturbed temperature where the junction is; green: the settled values with their
intervals, dotted what only the upper side has, the first one thick, in orange where the needle seems to rest in no
piece; the violet cross: the first one of the rule that was released before.
"""

from pathlib import Path
from xml.sax.saxutils import escape

from recorder.thermal.settle import Settling
from tests.bench import released_settle
from tests.bench.needles import BEFORE_S, STEP_S, Insertion

WIDTH, HEIGHT, EDGE = 720, 360, 40
SHOWN_S = (-5.0, 60.0)
START_MS = 20_000


def draw(insertion: Insertion, folder: Path) -> Path:
    """Write the picture of one insertion; gives its path."""
    samples = [(at_ms / 1000, value) for at_ms, value in insertion.samples if SHOWN_S[0] <= at_ms / 1000 <= SHOWN_S[1]]
    truth = [
        (number * STEP_S - BEFORE_S, float(value))
        for number, value in enumerate(insertion.truth_c)
        if insertion.in_s <= number * STEP_S - BEFORE_S <= min(insertion.out_s, SHOWN_S[1])
    ]
    values = [value for _, value in samples + truth]
    low, high = min(values) - 2, max(values) + 2

    def x(at_s: float) -> float:
        return EDGE + (at_s - SHOWN_S[0]) / (SHOWN_S[1] - SHOWN_S[0]) * (WIDTH - 2 * EDGE)

    def y(value: float) -> float:
        return HEIGHT - EDGE - (value - low) / (high - low) * (HEIGHT - 2 * EDGE)

    def bar(at_s: float, value: float, half: float, above: float, colour: str, width: float) -> str:
        reach = f"M{x(at_s):.1f} {y(value - half):.1f}V{y(value + half):.1f}"
        upper = f"M{x(at_s):.1f} {y(value + half):.1f}V{y(min(value + above, high)):.1f}"
        return (
            f'<path d="{reach}" stroke="{colour}" stroke-width="{width / 3:.1f}"/>'
            f'<path d="{upper}" stroke="{colour}" stroke-width="{width / 3:.1f}" stroke-dasharray="2 3"/>'
            f'<circle cx="{x(at_s):.1f}" cy="{y(value):.1f}" r="{width}" fill="{colour}"/>'
        )

    parts = [f'<circle cx="{x(at_s):.1f}" cy="{y(value):.1f}" r="1" fill="#999"/>' for at_s, value in samples]
    line = " ".join(f"{x(at_s):.1f},{y(value):.1f}" for at_s, value in truth)
    parts.append(f'<polyline points="{line}" fill="none" stroke="#000"/>')
    settling, first, shown_s = Settling(), True, -10.0
    for at_ms, value in insertion.samples:
        rest = settling.feed(at_ms + START_MS, value)
        at_s = at_ms / 1000
        if rest and 0 <= at_s <= SHOWN_S[1] and (first or at_s - shown_s >= 2):
            colour = "#e80" if rest.medium else "#283"
            parts.append(bar(at_s, rest.temp_c, rest.uncertainty_c, rest.above_c, colour, 4.0 if first else 1.5))
            first, shown_s = False, at_s
    before = released_settle.Settling()
    for at_ms, value in insertion.samples:
        if (old := before.feed(at_ms + START_MS, value)) and 0 <= at_ms / 1000 <= SHOWN_S[1]:
            place = f"M{x(at_ms / 1000) - 5:.1f} {y(old.temp_c) - 5:.1f}"
            parts.append(f'<path d="{place}l10 10m0-10l-10 10" stroke="#92c" stroke-width="2"/>')
            break
    for value in range(10 * int(low // 10 + 1), int(high) + 1, 10):
        parts.append(f'<text x="4" y="{y(value):.0f}" font-size="11">{value}</text>')
        parts.append(f'<path d="M{EDGE} {y(value):.1f}H{WIDTH - EDGE}" stroke="#ddd"/>')
    for at_s in range(0, 61, 10):
        parts.append(f'<text x="{x(at_s):.0f}" y="{HEIGHT - 20}" font-size="11">{at_s} s</text>')
    title = escape(f"{insertion.kind}, {insertion.diameter_mm} mm")
    body = "\n".join(parts)
    path = folder / f"{insertion.kind.replace(' ', '-').replace(',', '')}-{insertion.diameter_mm}.svg"
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif">'
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>\n'
        f'<text x="{EDGE}" y="20">{title}, °C</text>\n{body}\n</svg>\n'
    )
    return path
