"""How a sentence of the phrase file may stand in writing, for a recogniser that spells rather than picks words. Pure.

Such a model writes "twelve", "12" or "twenty-one" as it pleases, so each sentence is offered to it in all these ways.
"""

from collections.abc import Mapping

from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import Words


def numbers(phrases: Phrases) -> dict[Words, str]:
    """The spoken form of every whole number, or row of digits, that the phrase file can say -> its digits."""
    forms = (form for slot in phrases.slots.values() for form in slot.forms)
    return {words: str(value) for words, value in forms if str(value).isdecimal()}


def spelled_out(phrases: Phrases) -> frozenset[int]:
    """Counts that have no plain word here, only digits one by one and the like.

    A model that writes "30" may as well have heard "thirty". So in digits it would be that word again, and be taken for
    "thirteen" (measured: docs/benchmarks.md).
    """
    count = phrases.slots.get("count")
    if count is None or not count.plain:
        return frozenset()
    plain = {value for words, value in count.forms if words in count.plain or len(words) == 1}
    return frozenset(value for _, value in count.forms if isinstance(value, int) and value not in plain)


def forms(text: str, known: Mapping[Words, str], digits_too: bool = True) -> tuple[str, ...]:
    """`text` as it stands, with hyphens in its numbers, and with digits for them; no two alike, as it stands first."""
    spelled, hyphened, digits = [], [], []
    words = text.split()
    longest = max(map(len, known), default=0)
    at = 0
    while at < len(words):
        size = next((size for size in range(longest, 0, -1) if tuple(words[at : at + size]) in known), 0)
        said = words[at : at + max(size, 1)]
        spelled.append(" ".join(said))
        hyphened.append("-".join(said))
        digits.append(known[tuple(said)] if size else said[0])
        at += len(said)
    ways = (spelled, hyphened, digits) if digits_too else (spelled, hyphened)
    return tuple(dict.fromkeys(" ".join(form) for form in ways))
