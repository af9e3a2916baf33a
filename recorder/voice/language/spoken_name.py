"""Whether a station's name can be told from talk by its sound. Pure.

Measured with the moonshine engine on 69 utterances of talk (synthetic, and the human speech of Debian's
pocketsphinx-testdata; 6 of them speak of a Bob): so many reached the name's threshold. "kitchen recorder"
and "fry line" 0, "hey bob" 2, "big bob" 4, "recorder" 18, "chef" 42, "bob" 55, "line" 60. A name that talk reaches
fills the record with sentences that were not taken. Three syllables are a judgement.
"""

import re

from recorder.voice.language.confusable import Pronounce
from recorder.voice.language.phones import VOWELS

WORDS, SYLLABLES = 2, 3
"""The least that a name should have."""


def weakness(name: str, pronounce: Pronounce) -> str:
    """Why talk may be taken for `name`, with the remedy; "" for a good one."""
    words = name.split()
    count = sum(_syllables(word, pronounce) for word in words)
    if len(words) >= WORDS and count >= SYLLABLES:
        return ""
    has = f"{len(words)} word{'s' * (len(words) != 1)} and {count} syllable{'s' * (count != 1)}"
    return (
        f'"{name}" has {has}, and talk is taken for so short a name; write {WORDS} words with {SYLLABLES} syllables or'
        ' more as name in [voice], such as "kitchen recorder"'
    )


def _syllables(word: str, pronounce: Pronounce) -> int:
    """One for each vowel that is heard; of a word that no dictionary has, for each group of vowels that is written."""
    if sounds := pronounce(word):
        return sum(phone in VOWELS for phone in sounds[0].split())
    return max(1, len(re.findall(r"[aeiouyáéíóúü]+", word)))
