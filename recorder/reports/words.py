"""Texts as a page, a table or a terminal can show them: nothing in them acts, and nothing hides."""

import unicodedata

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "'", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a text may not begin with in a cell of CSV: a spreadsheet would compute it; the last four are the
full-width ones. The apostrophe is among them so that the one that is put in front can be taken away again."""


def visible(text: str) -> str:
    """`text` with each character that can't be seen, or that turns the direction of others, written as its code."""
    return "".join(f"\\u{ord(each):04x}" if hides(each) else each for each in text)


def cell(text: str) -> str:
    """`text` for a cell of CSV: as `visible`, and with an apostrophe in front where it could be a formula."""
    return ("'" if text.startswith(FORMULA) else "") + visible(text)


def hides(letter: str) -> bool:
    """Controls, marks of direction, joiners, lone surrogates, characters of nobody; ends of lines."""
    return unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
