"""Commands that are typed instead of spoken: the same sentences, and on record as typed."""

from collections.abc import Iterator
from difflib import get_close_matches

from recorder.core.events import Heard
from recorder.voice.language.phrases import Phrases

ENGINE, LISTENING = "keyboard", "typed"
"""What stands in the record in place of the recogniser and of the way to listen."""

MOST = 12
"""So many continuations are offered at once."""


def heard(phrases: Phrases, text: str, at_ms: int) -> Heard | None:
    """The event of this sentence; None where it is none. Case and spaces don't matter."""
    sentence = " ".join(text.lower().split())
    intent = phrases.parse(sentence)
    return Heard(at_ms, sentence, intent, ENGINE, LISTENING) if intent else None


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
