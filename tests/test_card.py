"""The card for the wall: what is on the sheet, read back from the file by another program's eyes.

PDF (ISO 32000) is read by pypdf and, for widths, by poppler; HTML is printed by chromium.
"""

import re
import subprocess
from dataclasses import dataclass
from importlib.resources import files
from io import BytesIO
from itertools import pairwise
from math import radians, tan
from pathlib import Path
from unicodedata import normalize

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.card.blocks import Notes
from recorder.card.html import html
from recorder.card.layout import MARGIN, PAPERS, CardError, layout, sheets
from recorder.card.metrics import LetterError, width
from recorder.card.page import Bar, Page, Text
from recorder.card.pdf import pdf
from recorder.config import load_phrases, load_procedure
from recorder.core import meanings
from recorder.core.effects import Tone
from recorder.voice.audio.speaker import PATTERNS
from recorder.voice.language import phrases
from recorder.voice.language.card import Card, Kitchen, card
from recorder.voice.language.card_texts import CAUTIONS, DOES, ENGLISH, TONES, WRONG
from recorder.voice.language.phrases import Phrases
from tests.system import needs

SHIPPED = load_phrases(None)
SHARE = files("recorder").joinpath("share")
SPANISH = phrases.load(SHARE.joinpath("phrases-es.toml").read_text("utf-8"))
PROCEDURE = load_procedure(None)
PARTS = tuple(part.name for part in PROCEDURE.parts)
NOTES: Notes = {str(tone): steps for tone, steps in PATTERNS.items()}
UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]


def kitchen(vats: int = 1, pieces: int = 40) -> Kitchen:
    return Kitchen(tuple(range(1, vats + 1)), PARTS, pieces, 178, 32, PROCEDURE.ask_first)


def shown(vats: int = 1, pieces: int = 40, known: Phrases = SHIPPED) -> Card:
    return card(known, known.name, kitchen(vats, pieces))


def page(vats: int = 1, paper: str = "a4", pieces: int = 40) -> tuple[Page, ...]:
    """One sheet, or two."""
    return sheets(shown(vats, pieces), NOTES, paper)


@dataclass(frozen=True)
class Piece:
    """A text of the sheet as pypdf finds it."""

    text: str
    size: float


def read(file: bytes) -> list[Piece]:
    """The texts of its page or two, in their order."""
    reader = PdfReader(BytesIO(file))
    assert len(reader.pages) in (1, 2)
    found: list[Piece] = []

    def see(text: str, scale: list[float], turned: list[float], _: object, size: float) -> None:
        assert scale == [1, 0, 0, 1, 0, 0], "nothing scales the page"
        if text.strip():
            found.append(Piece(text.strip(), size * (turned[0] or turned[1])))

    for each in reader.pages:
        each.extract_text(visitor_text=see)
    return found


def spoken(text: str) -> str:
    """The figures on the card as a cook says them."""
    return " ".join(UNITS[int(word)] if word.isdecimal() else word for word in text.split())


def commands(found: list[Piece]) -> list[str]:
    """What stands in the largest type, after the name: each row, or several that make one sentence together."""
    largest = max(piece.size for piece in found)
    rows = [piece.text for piece in found if piece.size == largest]
    assert rows[0] == "kitchen recorder …"
    said, begun = [], ""
    for row in rows[1:]:
        if row == rows[0]:  # the second sheet
            assert not begun
            continue
        begun = f"{begun} {row}".strip()
        if SHIPPED.parse(spoken(begun)):
            said.append(begun)
            begun = ""
    assert not begun
    return said


SHEETS = [(vats, paper) for vats in (1, 2, 3, 4) for paper in PAPERS]


@pytest.mark.parametrize(("vats", "paper"), SHEETS)
def test_one_sheet_has_every_command_of_the_station_and_no_other(vats: int, paper: str) -> None:
    found = read(pdf(*page(vats, paper)))
    said = [SHIPPED.parse(spoken(text)) for text in commands(found)]
    assert len(said) == len(SHIPPED.templates) == len(set(said))
    assert {intent.meaning for intent in said if intent} == set(meanings.ALL) - set(meanings.CONFIGURED)
    for intent in said:
        assert intent and intent.part in (None, *PARTS) and intent.vat is None and (intent.count or 0) <= 40
    small = " ".join(piece.text for piece in found)
    assert (f"+ vat {vats}" in small, "vat:" in small) == (vats > 1, vats > 1)
    assert set(re.findall(r"vat: ([\d, ]+\d)", small)) == {", ".join(map(str, range(1, vats + 1)))} - {"1"}


@pytest.mark.parametrize("vats", [1, 4])
def test_what_may_be_added_to_a_command_makes_a_sentence_of_this_station(vats: int) -> None:
    added = [
        SHIPPED.parse(spoken(f"{line.text} {add.removeprefix('+ ')}"))
        for _, lines in shown(vats).groups
        for line in lines
        for add in line.adds
    ]
    assert len(added) > 7 and all(added)
    assert {intent.vat for intent in added if intent} - {None} == ({vats} if vats > 1 else set())


@pytest.mark.parametrize(("vats", "paper"), SHEETS)
def test_commands_are_large_enough_to_be_read_at_two_metres(vats: int, paper: str) -> None:
    """Capitals of 16 minutes of arc, the least for reading by ISO 9241-303; at 2 m that is the 9.4 mm that MIL-STD-1472
    gives for labels, to a tenth (both from memory). Helvetica's capitals are 0.718 of its size (Adobe's AFM). The rest
    is read from 0.5 m: 2.3 mm."""
    sizes = {round(piece.size, 2) for piece in read(pdf(*page(vats, paper)))}
    capital_mm = max(sizes) * 0.718 / 72 * 25.4
    assert capital_mm >= 2 * 2000 * tan(radians(16 / 60 / 2)) - 0.01 and capital_mm == pytest.approx(9.4, abs=0.11)
    titles = {piece.size for piece in read(pdf(*page(vats, paper))) if piece.text.isupper() and piece.text.isascii()}
    least = min(sizes - {round(size, 2) for size in titles})
    assert least * 0.718 / 72 * 25.4 >= 2 * 500 * tan(radians(16 / 60 / 2)) - 0.01


def box(mark: Text | Bar) -> tuple[float, float, float, float]:
    """Left, lower, right and upper edge, of a text from its descenders to its ascenders (AFM: -0.207 and 0.718)."""
    if isinstance(mark, Bar):
        return mark.x, mark.y, mark.x + mark.width, mark.y + mark.height
    long = width(mark.text, mark.size, mark.bold, mark.squeeze)
    low, high = -0.207 * mark.size, 0.718 * mark.size
    if mark.upright:
        return mark.x - high, mark.y, mark.x - low, mark.y + long
    return mark.x, mark.y + low, mark.x + long, mark.y + high


@pytest.mark.parametrize(
    ("vats", "paper", "pieces"), [(*sheet, pieces) for sheet in SHEETS if sheet[0] in (1, 4) for pieces in (8, 60)]
)
def test_no_text_lies_on_another_or_in_the_margin(vats: int, paper: str, pieces: int) -> None:
    for made in page(vats, paper, pieces):
        apart_on(made)


def apart_on(made: Page) -> None:
    boxes = sorted(box(mark) for mark in made.marks if isinstance(mark, Text))
    for left, low, right, high in boxes:
        assert left >= MARGIN - 0.1 and right <= made.width - MARGIN + 0.1, (left, right)
        assert low >= MARGIN - 3 and high <= made.height - MARGIN + 0.1, (low, high)
    for one in boxes:
        for other in boxes:
            apart = one[2] <= other[0] + 0.1 or other[2] <= one[0] + 0.1 or one[3] <= other[1] + 0.1
            assert one is other or apart or other[3] <= one[1] + 0.1, (one, other)


def test_the_sheet_is_of_the_size_that_was_asked_for() -> None:
    """ISO 216: A4 is 210 by 297 mm, A3 297 by 420; Letter is 8.5 by 11 inches, Tabloid 11 by 17."""
    inches = {"a4": (210 / 25.4, 297 / 25.4), "a3": (297 / 25.4, 420 / 25.4), "letter": (8.5, 11), "tabloid": (11, 17)}
    for paper, size in inches.items():
        box = PdfReader(BytesIO(pdf(*page(paper=paper)))).pages[0].mediabox
        assert (float(box.width) / 72, float(box.height) / 72) == pytest.approx(size, abs=0.001)


@needs("pdftotext", "poppler-utils")
def test_widths_are_those_that_another_reader_has(tmp_path: Path) -> None:
    """Poppler has its own metrics of the two fonts. Every letter of the code page once, and the card's own words."""
    letters = "".join(bytes([code]).decode("cp1252", "ignore") for code in range(33, 256) if code not in (0xA0, 0xAD))
    marks = [
        Text(20, 800 - 14 * at, 10, f"{letter * 9}|", bold)
        for bold in (False, True)
        for at, letter in enumerate(letters)
    ]
    whole = Page(1200, 850, "", "en", ())
    for some in (
        marks[: len(letters)],
        marks[len(letters) :],
        [m for each in page(4) for m in each.marks if isinstance(m, Text)],
    ):
        for at in range(0, len(some), 50):
            here = [Text(20, 800 - 14 * n, 10, m.text, m.bold, m.squeeze) for n, m in enumerate(some[at : at + 50])]
            (tmp_path / "c.pdf").write_bytes(pdf(Page(whole.width, whole.height, "", "en", tuple(here))))
            seen = subprocess.run(["pdftotext", "-bbox", "c.pdf", "-"], cwd=tmp_path, capture_output=True, check=True)
            words = re.findall(rb'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)"', seen.stdout)
            ends: dict[float, float] = {}
            for _, low, right in words:
                ends[float(low)] = max(float(right), ends.get(float(low), 0.0))
            found = [ends[low] for low in sorted(ends)]
            assert found == pytest.approx([20 + width(m.text.rstrip(), 10, m.bold, m.squeeze) for m in here], abs=0.15)


def unspaced(text: str) -> str:
    """Without spaces, and with joined letters (f and i) apart."""
    return re.sub(r"\s", "", normalize("NFKC", text))


@needs("chromium", "chromium")
def test_the_html_prints_on_one_sheet_with_the_same_words(tmp_path: Path) -> None:
    made = page(2, "letter")
    (tmp_path / "card.html").write_text(html(*made))
    printed = tmp_path / "printed.pdf"
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={printed}"]
    home = [f"--user-data-dir={tmp_path / 'profile'}"]
    subprocess.run(
        ["chromium", *options, *home, str(tmp_path / "card.html")], capture_output=True, check=True, timeout=90
    )
    reader = PdfReader(printed)
    assert len(reader.pages) == len(made)
    assert float(reader.pages[0].mediabox.width) == pytest.approx(612, abs=1)
    for each, printed_page in zip(made, reader.pages, strict=True):
        text = unspaced(printed_page.extract_text())
        for mark in each.marks:
            assert not isinstance(mark, Text) or mark.upright or unspaced(mark.text) in text, mark


def test_every_text_is_there_with_every_caution() -> None:
    text = re.sub(r"\s+", " ", " ".join(piece.text for piece in read(pdf(*page(2)))))
    made = shown(2)
    does = (said for meaning, said in DOES.items() if meaning not in meanings.CONFIGURED)
    for said in (made.first, *CAUTIONS, *does, *(what for what, _ in made.wrong), *(t for _, t in made.wrong)):
        assert said in text, said
    for _, means in made.tones:
        assert means in text, means
    assert set(DOES) == set(meanings.ALL) and set(TONES) == {str(tone) for tone in Tone} == set(NOTES)
    for hazard in ("oil", "pressure", "poultry", "no safety device", "local codes"):
        assert any(hazard in caution for caution in CAUTIONS), hazard


@pytest.mark.parametrize(
    ("meaning", "caution"),
    [
        (meanings.LID_OPEN, "zero pressure first, by the maker's instructions"),
        (meanings.OIL_FILTERED, "hot oil burns"),
        (meanings.OIL_CHANGED, "hot oil burns"),
        (meanings.OIL_TOPPED_UP, "hot oil burns"),
        (meanings.BOILING_POINT, "mind the steam"),
        (meanings.PROBE, "mind steam and drips"),
    ],
)
def test_a_caution_stands_beside_its_act(meaning: str, caution: str) -> None:
    """By where it stands: on the sheet, the row of the command has the caution's first words, and no other row is
    nearer to them."""
    line = next(
        line
        for _, lines in shown().groups
        for line in lines
        if SHIPPED.parse(spoken(line.text)).meaning == meaning  # type: ignore[union-attr]
    )
    assert caution in line.does
    texts = [mark for each in page() for mark in each.marks if isinstance(mark, Text)]
    largest = max(mark.size for mark in texts)
    command = next(mark for mark in texts if mark.size == largest and mark.text == line.text)
    note = next(mark for a, mark in pairwise(texts) if a == command)
    assert line.does.startswith(note.text.split(" ")[0]) or note.text.startswith("+")
    assert abs(note.y - command.y) < largest


def test_nobody_is_told_to_do_anything_to_the_fryer() -> None:
    """A recorder's text orders no act on the equipment."""
    texts = [*DOES.values(), *CAUTIONS, *TONES.values(), *WRONG.values(), ENGLISH.named, ENGLISH.bare, ENGLISH.foot]
    for text in texts:
        assert not re.search(r"(^|[.;:,] |then )(open|release|unlock|load|reach|lift|drain)\b", text.lower()), text


def test_a_load_larger_than_a_dozen_is_to_be_said_digit_by_digit() -> None:
    """Measured: docs/benchmarks.md."""
    rows = {pieces: dict(shown(pieces=pieces).slots)["pieces"].replace("\u00a0", " ") for pieces in (8, 24, 36, 60)}
    assert rows[8] == "1, 2, 3, 4, 5, 6, 7, 8"
    assert rows[24] == "1 to 24; from 13 on digit by digit: 1 3; one dozen, two dozen"
    assert rows[36] == "1 to 36; from 13 on digit by digit: 1 3, 3 0; one dozen to three dozen"
    assert rows[60].endswith("one dozen to five dozen")
    example = {line.text for _, lines in shown(pieces=8).groups for line in lines if line.text.startswith("load")}
    assert example == {"load thighs 8"}


def test_a_station_without_a_name_says_how_to_speak_instead() -> None:
    made = card(SHIPPED, "", kitchen())
    text = " ".join(piece.text for piece in read(pdf(*sheets(made, NOTES))))
    assert "kitchen recorder" not in text and "Say the command by itself" in text


def test_a_card_that_does_not_fit_names_what_does() -> None:
    made = shown(4, known=SPANISH)
    with pytest.raises(CardError, match="does not fit on a4") as refusal:
        layout(made, NOTES, "a4", 2.0)
    (nearer,) = re.findall(r"--distance ([\d.]+)", str(refusal.value))
    layout(made, NOTES, "a4", float(nearer))
    for paper in re.findall(r"--paper (\w+)", str(refusal.value)):
        layout(made, NOTES, paper, 2.0)
    with pytest.raises(CardError):
        layout(made, NOTES, "a4", float(nearer) + 0.1)


def test_a_letter_that_the_font_lacks_is_named() -> None:
    own = phrases.load(
        SHARE.joinpath("phrases-en.toml").read_text("utf-8").replace('wing = ["wing"', 'wing = ["крыло", "wing"')
    )
    with pytest.raises(LetterError, match="'к'"):
        layout(shown(known=own), NOTES)


def run(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["phrases", *words])
    return result.exit_code, result.stdout, result.stderr


def test_the_command_writes_what_the_name_ends_in(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "fry-line-1"\nvats = [1, 3]\n[voice]\nname = "night recorder"\n')
    config = ["--config", str(tmp_path / "station.toml")]
    code, out, _ = run("--out", str(tmp_path / "card.pdf"), "--paper", "letter", *config)
    assert code == 0 and "letter" in out and "2 m" in out
    reader = PdfReader(tmp_path / "card.pdf")
    assert reader.metadata and reader.metadata.title == "night recorder fry-line-1"
    assert "vat: 1, 3" in reader.pages[0].extract_text() and "night recorder" in reader.pages[0].extract_text()
    assert run("--out", str(tmp_path / "card.HTML"), *config)[0] == 0
    assert (tmp_path / "card.HTML").read_text("utf-8").startswith("<!doctype html>")


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--out", "card.txt"], "neither .pdf nor .html"),
        (["--out", "card.pdf", "--paper", "a5"], "write one of a4, letter"),
        (["--out", "/nowhere/card.pdf"], "No such file"),
        (["--paper", "a3"], "--paper and --distance go with --out"),
    ],
)
def test_what_can_not_be_printed_is_refused_with_its_remedy(
    words: list[str], complaint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = run(*words)
    assert code != 0 and complaint in err.replace("\n", " ")
    assert list(tmp_path.iterdir()) == []


def test_the_printed_card_has_spaces_and_no_codes() -> None:
    told = CliRunner().invoke(app, ["phrases"], env={"COLUMNS": "80"}).output
    assert "1 3, 3 0" in told and "\\x" not in told
