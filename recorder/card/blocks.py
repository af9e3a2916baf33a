"""The pieces of the card, each drawn from its upper left corner down. Pure."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from math import log2

from recorder.card.metrics import width
from recorder.card.page import Bar, Text
from recorder.voice.language.card import Card, Line

GAP = 12.0
"""Points between columns; half of it between rows."""

TAB = 13.0
"""Width of the black bar at the left of a group, with its title."""

LEAST_NOTE = 30.0
"""What a command does stands beside it where there is so much room, else under it."""

LEAST_FIRST = 120.0
"""How to begin needs so much room beside the name."""

TUNE = 38.0
"""Width of the picture of a tone."""

SHARES = (0.365, 0.285, 0.35)
"""Of the width, for each of the boxes under the commands."""

EDGE = 5.0
"""Points between the edge of a box and its words."""

LOWEST_HZ, HIGHEST_HZ, LONGEST_MS = 250, 1800, 1100
"""What the picture of a tone has room for."""

Notes = Mapping[str, Sequence[tuple[int, int]]]
"""Tone -> its steps of frequency in Hz (0 is a rest) and length in ms."""


@dataclass(frozen=True, slots=True)
class Style:
    """How large and how wide the type is."""

    big: float
    """Of the commands, in points."""
    small: float
    """Of all else."""
    squeeze: float
    """How wide the letters of the commands are, 1 as drawn."""
    leading: float
    """From one line of a command to the next, over the type size."""

    @property
    def pitch(self) -> float:
        """From one big line to the next, in points."""
        return self.big * self.leading

    @property
    def step(self) -> float:
        """From one small line to the next, in points."""
        return self.small * 1.12

    def wide(self, text: str) -> float:
        """Width of `text` in a command."""
        return width(text, self.big, True, self.squeeze)


@dataclass(frozen=True, slots=True)
class Block:
    """What stands together: y is 0 at its top and below 0 in it."""

    marks: tuple[Text | Bar, ...]
    height: float

    def at(self, x: float, y: float) -> Iterator[Text | Bar]:
        """Its marks, when its upper left corner is there."""
        return (replace(mark, x=mark.x + x, y=mark.y + y) for mark in self.marks)


def stacked(blocks: Sequence[Block], between: float = 0.0) -> Block:
    """One under the other."""
    marks: list[Text | Bar] = []
    down = 0.0
    for block in blocks:
        marks += block.at(0, -down)
        down += block.height + between
    return Block(tuple(marks), max(0.0, down - between))


def paragraph(text: str, look: Style, room: float, head: str = "") -> Block:
    """`text` in small type, after `head` in bold."""
    indent = width(f"{head} ", look.small, True) if head else 0.0
    lines = wrapped(text, lambda each: width(each, look.small), room, indent)
    marks = [Text(0, -look.small * 0.85, look.small, head, True)] if head else []
    for at, line in enumerate(lines):
        marks.append(Text(0 if at else indent, -look.small * 0.85 - look.step * at, look.small, line))
    return Block(tuple(mark for mark in marks if mark.text), look.step * max(1, len(lines)))


def wrapped(text: str, wide: Callable[[str], float], room: float, indent: float = 0.0) -> list[str]:
    """`text` in lines that are at most `room` wide, the first one after `indent`; a word alone may be wider."""
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if wide(longer) <= room - (0 if len(lines) > 1 else indent) or (not lines[-1] and len(lines) > 1):
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def head(card: Card, look: Style, room: float) -> Block | None:
    """A black band with the station's name, and how to begin; None if it is too narrow for that."""
    said = f"{card.name} …" if card.name else ""
    x = look.wide(said) + 2 * GAP if said else GAP
    if room - x < LEAST_FIRST:
        return None
    first = paragraph(card.first, replace(look, small=look.small * 1.3), room - x - GAP)
    high = max(look.big * 1.12, first.height + GAP / 2)
    lines = [replace(mark, white=True) for mark in first.at(x, -(high - first.height) / 2) if isinstance(mark, Text)]
    name = Text(GAP, -high * 0.5 - look.big * 0.27, look.big, said, True, look.squeeze, white=True)
    return Block((Bar(0, -high, room, high), *([name] if said else []), *lines), high)


def group(title: str, lines: Sequence[Line], look: Style, column: float) -> Block | None:
    """A group of commands, with its title on a bar at its left; None if a word of it is wider than the column."""
    commands = [command(line, look, column - TAB - GAP / 2) for line in lines]
    body = stacked([each for each in commands if each])
    if None in commands:
        return None
    long = width(title.upper(), look.small, True)
    size = look.small * min(1.0, (body.height - 6) / long)
    place = -(body.height + long * size / look.small) / 2
    name = Text(TAB / 2 + size * 0.36, place, size, title.upper(), True, white=True, upright=True)
    return Block((Bar(0, -body.height, TAB, body.height), name, *body.at(TAB + GAP / 2, 0)), body.height)


def command(line: Line, look: Style, room: float) -> Block | None:
    """A command in large type, on one line or more; beside its end or under it what it does."""
    rows = wrapped(line.text, look.wide, room)
    if any(look.wide(row) > room for row in rows):
        return None
    varies = [number * said.varies for number, said in enumerate(line.say, 1) for _ in said.text.split()]
    marks: list[Text | Bar] = []
    for number, row in enumerate(rows):
        base = -look.pitch * (number + 0.5) - look.big * 0.27
        marks.append(Text(0, base, look.big, row, True, look.squeeze))
        words = row.split()
        for begin, end in _runs(varies[: len(words)]):
            x = look.wide(" ".join([*words[:begin], ""])) if begin else 0.0
            marks.append(Bar(x, base - look.big * 0.13, look.wide(" ".join(words[begin:end])), look.big * 0.05))
        del varies[: len(words)]
    high = look.pitch * len(rows)
    free = room - look.wide(rows[-1]) - GAP / 2
    adds, about = " ".join(line.adds) + (" ·" if line.adds and line.does else ""), line.does
    if free >= LEAST_NOTE:
        note = paragraph(about, look, free, adds)
        if note.height <= look.pitch and all(
            width(m.text, m.size, m.bold) <= free for m in note.marks if isinstance(m, Text)
        ):
            return Block((*marks, *note.at(room - free, -high + (look.pitch + note.height) / 2)), high)
    note = paragraph(about, look, room, adds)
    return Block((*marks, *note.at(0, -high)), high + note.height + 2)


def _runs(marks: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Where each row of one number begins and ends; 0 makes none."""
    at = 0
    for number, alike in groupby(marks):
        size = len(list(alike))
        if number:
            yield at, at + size
        at += size


def below(card: Card, notes: Notes, look: Style, room: float, foot: str) -> Block:
    """Three boxes: what varies, what is heard, what to do when it goes wrong; and the cautions under them."""
    wides = [(room - GAP) * share for share in SHARES]
    inners = [wide - 2 * EDGE for wide in wides]
    bodies = [
        stacked([paragraph(text, look, inners[0], f"{what}:") for what, text in card.slots], 1),
        stacked([_tone(notes.get(tone, ()), text, look, inners[1]) for tone, text in card.tones], 1),
        stacked([paragraph(text, look, inners[2], f"{what}:") for what, text in card.wrong], 1),
    ]
    top = look.step + 2
    high = top + max(body.height for body in bodies) + EDGE
    marks: list[Text | Bar] = []
    x = 0.0
    for title, body, wide in zip((card.slots_title, card.tones_title, card.wrong_title), bodies, wides, strict=True):
        marks += [Bar(x, -high, wide, high, light=True), Bar(x, -top, wide, top)]
        marks.append(Text(x + EDGE, -top + look.small * 0.3, look.small, title, True, white=True))
        marks += body.at(x + EDGE, -top - EDGE / 2)
        x += wide + GAP / 2
    cautions = paragraph(" ".join([*card.cautions, foot]), look, room)
    return stacked([Block(tuple(marks), high), cautions], 3)


def _tone(steps: Sequence[tuple[int, int]], text: str, look: Style, room: float) -> Block:
    """A picture of a tone, each note a bar as long as it lasts and as high as it sounds; and what it means."""
    high = look.step * 1.15
    words = paragraph(text, look, room - TUNE - 5)
    marks: list[Text | Bar] = []
    x = 0.0
    for hertz, length_ms in steps:
        long = length_ms * TUNE / LONGEST_MS
        if hertz:
            up = log2(hertz / LOWEST_HZ) / log2(HIGHEST_HZ / LOWEST_HZ)
            marks.append(Bar(x, -high + 1 + min(max(up, 0), 1) * (high - 4), max(long - 0.8, 1.5), 3))
        x += long
    return Block((*marks, *words.at(TUNE + 5, min(0.0, (words.height - high) / 2))), max(high, words.height))
