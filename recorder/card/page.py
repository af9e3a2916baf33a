"""One page of paper with text and bars on it, in points from its lower left corner. Values only."""

from dataclasses import dataclass

MAKER = "batch-recorder card"
"""What a file names as the program that made it."""


@dataclass(frozen=True, slots=True)
class Text:
    """A line of type; x and y are where its first letter stands on the base line."""

    x: float
    y: float
    size: float
    text: str
    bold: bool = False
    squeeze: float = 1.0
    """How wide its letters are, 1 as drawn."""
    white: bool = False
    upright: bool = False
    """Whether it runs up the page."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A filled rectangle, black or light grey; x and y are its lower left corner."""

    x: float
    y: float
    width: float
    height: float
    light: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """What is printed."""

    width: float
    height: float
    title: str
    language: str
    """As in HTML's lang: "en"."""
    marks: tuple[Text | Bar, ...]
    """In the order in which they are drawn, and read."""
