"""Records of a kitchen, and the report of its day as a page."""

import re
from datetime import UTC, date, tzinfo
from html.parser import HTMLParser
from pathlib import Path

from recorder.commands.report import made
from recorder.demo import story
from tests.kitchen import Kitchen, kept

VOID = {"meta", "br", "link", "input"}


OPTIONAL = {"p", "td", "th", "tr", "html", "body", "dt", "dd"}
"""Elements whose end HTML lets one leave out."""


class Balanced(HTMLParser):
    """Collects the text, and what is not closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID | OPTIONAL:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID | OPTIONAL and (not self.open or self.open.pop() != tag):
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def text_of(html: str) -> str:
    parser = Balanced()
    parser.feed(html)
    assert (parser.open, parser.wrong) == ([], [])
    return re.sub(r"\s+", " ", " ".join(parser.text))


def recorded(kitchen: Kitchen, path: Path) -> Path:
    kept(kitchen, path).close()
    return path


def report_of(path: Path, day: date | None = None, made_ms: int = story.START_MS, zone: tzinfo = UTC) -> str:
    """The report as `report` writes it, as text."""
    return text_of(made(path, day, zone, made_ms)[2])
