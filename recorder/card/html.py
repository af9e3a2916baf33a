"""Pages as one HTML file that prints each on one sheet: the same marks as in the PDF, as SVG. Pure."""

from collections.abc import Iterator
from html import escape

from recorder.card.metrics import POINT_MM, width
from recorder.card.page import MAKER, Bar, Page, Text

BOLD = ' font-weight="bold"'

FONTS = "Helvetica, Arial, 'Liberation Sans', 'Nimbus Sans', sans-serif"
"""All of the same widths, but the last; each text is fitted to its width in any font."""


def html(*pages: Page) -> str:
    """The text of the file with one page or more; raises `LetterError` for a letter whose width is not known."""
    page = pages[0]
    wide, high = (f"{points * POINT_MM:.2f}mm" for points in (page.width, page.height))
    drawn = "\n".join(map(_svg, pages))
    return f"""<!doctype html>
<html lang="{escape(page.language)}">
<meta charset="utf-8">
<meta name="generator" content="{MAKER}">
<title>{escape(page.title)}</title>
<style>
@page {{ size: {wide} {high}; margin: 0 }}
body {{ margin: 0; background: white }}
svg {{ display: block; width: {wide}; height: {high}; font-family: {FONTS} }}
</style>
{drawn}
</html>
"""


def _svg(page: Page) -> str:
    marks = "\n".join(_drawn(page))
    box = f"0 0 {page.width:.2f} {page.height:.2f}"
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}">\n{marks}\n</svg>'


def _drawn(page: Page) -> Iterator[str]:
    for mark in page.marks:
        y = page.height - mark.y
        match mark:
            case Bar():
                fill = "#e0e0e0" if mark.light else "black"
                place = (
                    f'x="{mark.x:.2f}" y="{y - mark.height:.2f}" width="{mark.width:.2f}" height="{mark.height:.2f}"'
                )
                yield f'<rect {place} fill="{fill}"/>'
            case Text():
                long = width(mark.text, mark.size, mark.bold, mark.squeeze)
                turn = f' transform="rotate(-90 {mark.x:.2f} {y:.2f})"' if mark.upright else ""
                look = f'font-size="{mark.size:.2f}"{BOLD if mark.bold else ""}'
                yield (
                    f'<text x="{mark.x:.2f}" y="{y:.2f}" {look} fill="{"white" if mark.white else "black"}"{turn}'
                    f' textLength="{long:.2f}" lengthAdjust="spacingAndGlyphs">{escape(mark.text)}</text>'
                )
