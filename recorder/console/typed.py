"""Commands that are typed instead of spoken: the same sentences, and on record as typed."""

import re
from collections.abc import Iterator
from difflib import get_close_matches
from itertools import product

from recorder.core.events import Heard
from recorder.voice.language.phrases import Phrases

ENGINE, LISTENING = "keyboard", "typed"
"""What stands in the record in place of the recogniser and of the way to listen."""

MOST = 12
"""So many continuations are offered at once."""


def heard(phrases: Phrases, text: str, at_ms: int) -> Heard | None:
    """The event of this sentence; None where it is none.

    Numbers may be digits. Case, spaces and punctuation don't matter, nor whether the station's name comes first.
    """
    bare = " ".join(re.sub(r"[.,;:!?]", " ", text.lower()).split())
    for sentence in _spelled(phrases, bare.removeprefix(phrases.name).strip()):
        if intent := phrases.parse(sentence):
            return Heard(at_ms, sentence, intent, ENGINE, LISTENING)
    return None


def _spelled(phrases: Phrases, text: str) -> Iterator[str]:
    """`text` with each number in words, in every way that the phrase file says that number."""
    ways = []
    for word in text.lower().split():
        meant: tuple[object, ...] = ()
        if word.isdecimal():  # zeros in front count: 041 is a row of digits, and not 41
            meant = (int(word), word) if word == str(int(word)) else (word,)
        said = {
            " ".join(words): None for slot in phrases.slots.values() for words, value in slot.forms if value in meant
        }
        ways.append(list(said) or [word])
    return (" ".join(words) for words in product(*ways))


def long_lot(phrases: Phrases, text: str) -> int | None:
    """The most digits of a lot in one sentence, where `text` has more of them and else would be a sentence."""
    slot = phrases.slots.get("lot")
    most = max((len(str(value)) for _, value in slot.forms), default=0) if slot else 0
    cut = re.sub(rf"\b(\d{{{most}}})\d+\b", r"\1", text)
    event = heard(phrases, cut, 0) if cut != text else None
    return most if event and event.intent.lot else None


def nearest(phrases: Phrases, text: str) -> str:
    """The sentence that looks most like `text`; "" where none does."""
    found = get_close_matches(" ".join(text.lower().split()), (each.text for each in phrases), 1, 0.6)
    return found[0] if found else ""


def continuations(phrases: Phrases, text: str) -> Iterator[str]:
    """The next words that can follow `text`, whose last word may be unfinished; each once, the first `MOST`."""
    *whole, begun = text.lower().split(" ")
    head = "".join(f"{word} " for word in whole if word)
    found: dict[str, None] = {}
    for sentence in phrases:
        if sentence.text.startswith(head + begun):
            word, _, _ = sentence.text[len(head) :].partition(" ")
            if word and word not in found:
                found[word] = None
                yield word
        if len(found) >= MOST:
            return
