"""The card on one sheet of paper, or on two where a station has many commands. Pure.

The commands stand in two columns, in type that is read from a distance. All else is read up close, and stands beside
and under them. The type of the commands never gets smaller to fit: it gets narrower, to `NARROWEST`, and closer, and
then the card does not fit.
"""

from collections.abc import Sequence
from dataclasses import replace

from recorder.card.blocks import GAP, Block, Notes, Style, below, group, head
from recorder.card.metrics import POINT_MM, size_for
from recorder.card.page import Page
from recorder.errors import RecorderError
from recorder.voice.language.card import Card

PAPERS = {
    "a4": (210 / POINT_MM, 297 / POINT_MM),
    "letter": (612.0, 792.0),
    "a3": (297 / POINT_MM, 420 / POINT_MM),
    "tabloid": (792.0, 1224.0),
}
"""Width and height in points: ISO 216; ANSI/ASME Y14.1."""

PAPER = "a4"
"""Most of the world's printers hold it; North America's hold Letter."""

DISTANCE_M = 2.0
"""The commands are read from here, unless somebody asks for another distance."""

NEAR_M = 0.5
"""All but the commands is read from here."""

MARGIN = 15.0
"""Points around the page, which printers need."""

NARROWEST = 0.72
"""Letters so narrow have strokes of a seventh of their height, between the sixth and the eighth that MIL-STD-1472 asks
for (from memory)."""

LEADINGS = (1.2, 1.12, 1.05, 1.0, 0.96, 0.93)
"""From one line of a command to the next, over the type size; at the least, a line's tails touch nothing."""

BETWEEN, MOST_BETWEEN = 3.0, 22.0
"""Points between two groups: at least, and at most where there is room."""


class CardError(RecorderError):
    """A card that can't be printed as asked; the text says what would fit."""


def layout(card: Card, notes: Notes, paper: str = PAPER, distance_m: float = DISTANCE_M, title: str = "") -> Page:
    """The card, with `notes` as pictures of the tones; raises `CardError` when it does not fit, and `LetterError`."""
    if page := _fitted(card, notes, paper, distance_m, title):
        return page
    nearer = (tenths / 10 for tenths in range(int(distance_m * 10) - 1, 4, -1))
    found = [f"--distance {near:g}" for near in nearer if _fitted(card, notes, paper, near, title)][:1]
    larger = [each for each, (_, high) in PAPERS.items() if high > PAPERS[paper][1]]
    found += [f"--paper {each}" for each in larger if _fitted(card, notes, each, distance_m, title)]
    remedy = f"use {' or '.join(found)}" if found else "shorten its words"
    raise CardError(f"the card does not fit on {paper}, in type to be read at {distance_m:g} m; {remedy}")


def sheets(
    card: Card, notes: Notes, paper: str = PAPER, distance_m: float = DISTANCE_M, title: str = ""
) -> tuple[Page, ...]:
    """The card on one sheet, or else its groups on two, each with all that stands around them. Raises as `layout`."""
    if page := _fitted(card, notes, paper, distance_m, title):
        return (page,)
    half = sum(len(lines) for _, lines in card.groups) / 2
    cuts = range(1, len(card.groups))
    for at in sorted(cuts, key=lambda at: abs(sum(len(lines) for _, lines in card.groups[:at]) - half)):
        parts = (replace(card, groups=card.groups[:at]), replace(card, groups=card.groups[at:]))
        pages = [page for part in parts if (page := _fitted(part, notes, paper, distance_m, title))]
        if len(pages) == len(parts):
            return tuple(pages)
    return (layout(card, notes, paper, distance_m, title),)


def _fitted(card: Card, notes: Notes, paper: str, distance_m: float, title: str) -> Page | None:
    """The card as loose as it fits, in the widest type that is then possible; None if it does not fit.

    Narrower or closer type takes no more room. So the narrowest tells whether a leading is possible at all.
    """

    def laid(leading: float, squeeze: float) -> Page | None:
        look = Style(size_for(distance_m), size_for(NEAR_M), squeeze, leading)
        return _laid(card, notes, look, PAPERS[paper], f"{distance_m:g}", title)

    if not laid(LEADINGS[-1], NARROWEST):
        return None
    leading = next(each for each in LEADINGS if laid(each, NARROWEST))
    squeezes = [*(1 - step / 50 for step in range(int((1 - NARROWEST) * 50))), NARROWEST]
    return next(page for squeeze in squeezes if (page := laid(leading, squeeze)))


def _laid(card: Card, notes: Notes, look: Style, paper: tuple[float, float], distance: str, title: str) -> Page | None:
    """The card in this type; None if it does not fit."""
    wide, high = paper
    room = wide - 2 * MARGIN
    column = (room - GAP) / 2
    top = head(card, look, room)
    groups = [group(each, lines, look, column) for each, lines in card.groups]
    if top is None or None in groups:
        return None
    bottom = below(card, notes, look, room, card.foot.format(distance=distance))
    left = high - 2 * MARGIN - top.height - bottom.height - GAP
    columns = _shared([each for each in groups if each], left)
    if columns is None:
        return None
    marks = [*top.at(MARGIN, high - MARGIN)]
    for number, stack in enumerate(columns):
        for down, block in stack:
            marks += block.at(MARGIN + number * (column + GAP), high - MARGIN - top.height - GAP / 2 - down)
    marks += bottom.at(MARGIN, MARGIN + bottom.height)
    return Page(wide, high, title or card.name, card.language, tuple(marks))


def _shared(blocks: Sequence[Block], high: float) -> list[list[tuple[float, Block]]] | None:
    """Two columns of blocks in their order, each with how far down it stands; None if they don't fit."""

    def tall(some: Sequence[Block]) -> float:
        return sum(block.height for block in some) + BETWEEN * max(0, len(some) - 1)

    at = min(range(1, len(blocks) + 1), key=lambda at: max(tall(blocks[:at]), tall(blocks[at:])))
    result = []
    for some in (blocks[:at], blocks[at:]):
        if tall(some) > high:
            return None
        between = min(BETWEEN + (high - tall(some)) / max(1, len(some) - 1), MOST_BETWEEN)
        down, stack = 0.0, []
        for block in some:
            stack.append((down, block))
            down += block.height + between
        result.append(stack)
    return result
