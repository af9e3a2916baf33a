"""Data that is stored as text, as values again. Pure."""

import re

_MEASURED = (
    "temperature|limit|low|high|due|tolerance|usual|seconds|usual_seconds|limit_seconds|percent|pieces|passed|needed"
    "|failed|safety|checks|waits|vat|free_mb|least_mb"
)
_WORDS = "unit|trouble|part|source|stage|how|batches|rules|timers|channel|reason|file|version"
MEASURED = frozenset(_MEASURED.split("|"))
"""Names in an alert's numbers whose values are numbers."""
WORDS = frozenset(_WORDS.split("|"))
"""Names whose values are words."""

Numbers = dict[str, float | int | str]

_BEGINS = re.compile(rf"(?:^|, )({_MEASURED}|{_WORDS}) ")


def numbers(text: str | None) -> Numbers | None:
    """What "temperature 171.94, limit 180, unit F" says, by name; None for None.

    Text that is not written so is whole under the name "text".
    """
    if text is None:
        return None
    found = list(_BEGINS.finditer(text))
    if text and (not found or found[0].start()):
        return {"text": text}
    ends = [match.start() for match in found[1:]] + [len(text)] * bool(found)
    return {match[1]: _value(match[1], text[match.end() : end]) for match, end in zip(found, ends, strict=True)}


def _value(name: str, text: str) -> float | int | str:
    if name in MEASURED:
        for kind in (int, float):
            try:
                return kind(text)
            except ValueError:
                continue
    return text


def checks_in_doubt(text: str | None) -> list[int] | None:
    """The ids in "17 30 34"; None for None."""
    return None if text is None else [int(word) for word in text.split() if word.isdecimal()]
