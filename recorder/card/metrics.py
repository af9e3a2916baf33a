"""How wide text is in Helvetica, and how large type must be to be read from a distance. Pure.

The widths are those of Adobe's Core 14 font metrics (AFM), in thousandths of the type size, for the letters of Windows
code page 1252 from 32 on; 0 for a place without a letter. Every PDF reader has these two fonts or ones just as wide.
"""

from functools import cache
from math import radians, tan

from recorder.errors import RecorderError

_WIDTHS = {
    False: """
278 278 355 556 556 889 667 191 333 333 389 584 278 333 278 278 556 556 556 556 556 556 556 556 556 556 278 278
584 584 584 556 1015 667 667 722 722 667 611 778 722 278 500 667 556 833 722 778 667 778 722 667 611 722 667 944
667 667 611 278 278 278 469 556 333 556 556 500 556 556 278 556 556 222 222 500 222 833 556 556 556 556 333 500
278 556 500 722 500 500 500 334 260 334 584 350 556 0 222 556 333 1000 556 556 333 1000 667 333 1000 0 611 0 0
222 222 333 333 350 556 1000 333 1000 500 333 944 0 500 667 278 333 556 556 556 556 260 556 333 737 370 556 584
333 737 333 400 584 333 333 333 556 537 278 333 333 365 556 834 834 834 611 667 667 667 667 667 667 1000 722 667
667 667 667 278 278 278 278 722 722 778 778 778 778 778 584 778 722 722 722 722 667 667 611 556 556 556 556 556
556 889 500 556 556 556 556 278 278 278 278 556 556 556 556 556 556 556 584 611 556 556 556 556 500 556 500
""",
    True: """
278 333 474 556 556 889 722 238 333 333 389 584 278 333 278 278 556 556 556 556 556 556 556 556 556 556 333 333
584 584 584 611 975 722 722 722 722 667 611 778 722 278 556 722 611 833 722 778 667 778 722 667 611 722 667 944
667 667 611 333 278 333 584 556 333 556 611 556 611 556 333 611 611 278 278 556 278 889 611 611 611 611 389 556
333 611 556 778 556 556 500 389 280 389 584 350 556 0 278 556 500 1000 556 556 333 1000 667 333 1000 0 611 0 0
278 278 500 500 350 556 1000 333 1000 556 333 944 0 500 667 278 333 556 556 556 556 280 556 333 737 370 556 584
333 737 333 400 584 333 333 333 611 556 278 333 333 365 556 834 834 834 611 722 722 722 722 722 722 1000 722 667
667 667 667 278 278 278 278 722 722 778 778 778 778 778 584 778 722 722 722 722 667 667 611 556 556 556 556 556
556 889 556 556 556 556 556 278 278 278 278 611 611 611 611 611 611 611 584 611 611 611 611 611 556 611 556
""",
}

WIDTHS = {bold: tuple(map(int, text.split())) for bold, text in _WIDTHS.items()}
"""Bold or not -> widths."""

CAP_HEIGHT = {False: 0.718, True: 0.718}
"""Height of a capital letter over the type size, by the same metrics."""

LEAST_ARCMIN = 16.0
"""The least height of a capital letter as the eye sees it, in minutes of arc, for text that is read quickly and surely:
ISO 9241-303 and, for labels, MIL-STD-1472 (9.4 mm at 2 m). Both from memory."""

POINT_MM = 25.4 / 72


class LetterError(RecorderError, ValueError):
    """A letter that the font has not; the text names it."""


def encoded(text: str) -> bytes:
    """`text` in code page 1252; raises `LetterError`."""
    try:
        return text.encode("cp1252")
    except UnicodeEncodeError as error:
        raise LetterError(f"the card's font has no {text[error.start]!r} (in {text!r})") from error


def width(text: str, size: float, bold: bool = False, squeeze: float = 1.0) -> float:
    """How wide `text` is in points, in type of `size` points that is `squeeze` times as wide as drawn."""
    return _thousandths(text, bold) * size * squeeze / 1000


@cache
def _thousandths(text: str, bold: bool) -> int:
    return sum(WIDTHS[bold][letter - 32] for letter in encoded(text))


def size_for(distance_m: float) -> float:
    """The type size in points whose capitals are `LEAST_ARCMIN` high at `distance_m`."""
    height_mm = 2000 * distance_m * tan(radians(LEAST_ARCMIN / 60) / 2)
    return height_mm / POINT_MM / CAP_HEIGHT[True]
