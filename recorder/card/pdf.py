"""Pages as a PDF file (ISO 32000), with the two Helvetica fonts that every reader has. Pure.

A library would bring 58 MB (fpdf2 with fonttools and Pillow, measured) for two fonts and some rectangles.
"""

from collections.abc import Iterable

from recorder.card.metrics import encoded
from recorder.card.page import MAKER, Bar, Page, Text


def pdf(*pages: Page) -> bytes:
    """The file with one page or more; raises `LetterError` for a letter that the fonts lack."""
    page, first = pages[0], 5
    fonts = (f"<< /Type /Font /Subtype /Type1 /BaseFont /{name} /Encoding /WinAnsiEncoding >>" for name in _FONTS)
    places = [first + 2 * number for number in range(len(pages))]
    objects = [
        f"<< /Type /Catalog /Pages 2 0 R /Lang ({page.language}) >>".encode("ascii", "replace"),
        f"<< /Type /Pages /Kids [{' '.join(f'{at} 0 R' for at in places)}] /Count {len(pages)} >>".encode(),
        *(font.encode() for font in fonts),
        *(part for each, at in zip(pages, places, strict=True) for part in _page(each, at)),
        b"<< /Title <feff%s> /Creator (%s) >>" % (page.title.encode("utf-16-be").hex().encode(), MAKER.encode()),
    ]
    return _file(objects)


def _page(page: Page, at: int) -> Iterable[bytes]:
    """The page as object number `at`, and what is drawn on it as the next one."""
    box, drawn = f"[0 0 {page.width:.2f} {page.height:.2f}]", "\n".join(_drawn(page)).encode("latin-1")
    fonts = "/Resources << /Font << /F1 3 0 R /F2 4 0 R >> >>"
    yield f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /Contents {at + 1} 0 R {fonts} >>".encode()
    yield b"<< /Length %d >>\nstream\n%s\nendstream" % (len(drawn), drawn)


_FONTS = ("Helvetica", "Helvetica-Bold")


def _drawn(page: Page) -> Iterable[str]:
    for mark in page.marks:
        match mark:
            case Bar():
                place = f"{mark.x:.2f} {mark.y:.2f} {mark.width:.2f} {mark.height:.2f}"
                yield f"{'0.88' if mark.light else '0'} g {place} re f"
            case Text():
                turned = "0 1 -1 0" if mark.upright else "1 0 0 1"
                yield (
                    f"BT {'1' if mark.white else '0'} g /F{2 if mark.bold else 1} {mark.size:.2f} Tf"
                    f" {100 * mark.squeeze:.2f} Tz {turned} {mark.x:.2f} {mark.y:.2f} Tm {_string(mark.text)} Tj ET"
                )


def _string(text: str) -> str:
    """A PDF string; each character stands for one byte."""
    return "<" + encoded(text).hex() + ">"


def _file(objects: list[bytes]) -> bytes:
    """The objects, numbered from 1, with the table of where each begins."""
    out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number, each in enumerate(objects, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, each)
    table = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    out += b"trailer\n<< /Size %d /Root 1 0 R /Info %d 0 R >>\n" % (len(objects) + 1, len(objects))
    return bytes(out + b"startxref\n%d\n%%%%EOF\n" % table)
