"""How the words of a phrase file sound, for finding those that sound alike; by language.

English words are looked up in the dictionary of the sphinx engine. Spanish is spoken as it is written, so a table of
letters is enough; it is the Spanish of America (c before e, s and z alike; ll like y; from memory).
"""

import re

from recorder.driver import DriverUnavailable
from recorder.voice.engines.sphinx import Sphinx
from recorder.voice.language.confusable import Pronounce
from recorder.voice.language.phrases import Phrases

_SPANISH = (
    ("ch", "CH"),
    ("ll", "Y"),
    ("rr", "RR"),
    (r"(?:^|(?<=[nls]))r", "RR"),
    ("r", "DX"),
    ("qu(?=[eiéí])", "K"),
    ("gu(?=[eiéí])", "G"),
    ("c(?=[eiéí])", "S"),
    ("g(?=[eiéí])", "X"),
    ("[ckq]", "K"),
    ("g", "G"),
    ("[bv]", "B"),
    ("[sz]", "S"),
    ("j", "X"),
    ("h", ""),
    ("ñ", "NY"),
    ("x", "K S"),
    ("y$", "I"),
    ("[iy](?=[aeouáéóú])", "Y"),
    ("[uüw](?=[aeioáéíó])", "W"),
    ("[aá]", "A"),
    ("[eé]", "E"),
    ("[iíy]", "I"),
    ("[oó]", "O"),
    ("[uúüw]", "U"),
    ("([dflmnpt])", None),
)
"""Letters -> phones, the first that fits; None for the letter itself."""

_LETTERS = [(re.compile(pattern), phones) for pattern, phones in _SPANISH]


def pronouncer(phrases: Phrases) -> Pronounce:
    """How words of the language of `phrases` sound; raises `DriverUnavailable` where that is not known here."""
    match phrases.language:
        case "en":
            return Sphinx(phrases, phrases.name).pronounce
        case "es":
            return spanish
    raise DriverUnavailable(
        f"how words sound is known for the languages en and es, and the phrase file says {phrases.language!r}"
    )


def spanish(word: str) -> list[str]:
    """The one way to say a Spanish word: "tanda" -> ["T A N D A"]. Letters that Spanish lacks are passed over."""
    phones, at = [], 0
    while at < len(word):
        for pattern, sound in _LETTERS:
            if found := pattern.match(word, at):
                phones.append(found[0].upper() if sound is None else sound)
                at = found.end()
                break
        else:
            at += 1
    return [" ".join(filter(None, phones))]
