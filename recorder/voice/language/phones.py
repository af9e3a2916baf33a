"""How far apart two rows of phones sound: an edit distance whose costs come from how the phones are made. Pure.

Phones are ARPABET symbols without stress marks, and for Spanish the few symbols that ARPABET lacks. Voicing, place and
manner, height and backness are those of the chart of the International Phonetic Association (from memory). The
weights follow what Miller and Nicely (1955, from memory) found of consonants in noise: place is lost first, voicing and
nasality last. They are a judgement, not a fit: distances rank pairs, and say nothing of how often one is misheard.
"""

import math
from collections.abc import Sequence
from functools import cache

PLACES = ("bilabial", "labiodental", "dental", "alveolar", "postalveolar", "palatal", "velar", "glottal")
"""From the lips to the throat."""

CONSONANTS: dict[str, tuple[bool, str, str]] = {
    "P": (False, "bilabial", "plosive"),
    "B": (True, "bilabial", "plosive"),
    "T": (False, "alveolar", "plosive"),
    "D": (True, "alveolar", "plosive"),
    "K": (False, "velar", "plosive"),
    "G": (True, "velar", "plosive"),
    "CH": (False, "postalveolar", "affricate"),
    "JH": (True, "postalveolar", "affricate"),
    "F": (False, "labiodental", "fricative"),
    "V": (True, "labiodental", "fricative"),
    "TH": (False, "dental", "fricative"),
    "DH": (True, "dental", "fricative"),
    "S": (False, "alveolar", "sibilant"),
    "Z": (True, "alveolar", "sibilant"),
    "SH": (False, "postalveolar", "sibilant"),
    "ZH": (True, "postalveolar", "sibilant"),
    "HH": (False, "glottal", "fricative"),
    "X": (False, "velar", "fricative"),  # Spanish "caja"
    "M": (True, "bilabial", "nasal"),
    "N": (True, "alveolar", "nasal"),
    "NY": (True, "palatal", "nasal"),  # Spanish "año"
    "NG": (True, "velar", "nasal"),
    "L": (True, "alveolar", "lateral"),
    "R": (True, "postalveolar", "approximant"),
    "DX": (True, "alveolar", "tap"),  # Spanish "pero"
    "RR": (True, "alveolar", "trill"),  # Spanish "perro"
    "Y": (True, "palatal", "approximant"),
    "W": (True, "velar", "approximant"),
}
"""Phone -> voiced, place, manner."""

MANNERS: dict[str, tuple[float, float, float, float]] = {
    "plosive": (0, 0, 0, 0),
    "affricate": (0, 0.5, 0, 1),
    "fricative": (0, 1, 0, 0),
    "sibilant": (0, 1, 0, 1),
    "nasal": (1, 0, 1, 0),
    "tap": (1, 0.5, 0, 0),
    "trill": (1, 0.5, 0, 0.5),
    "lateral": (1, 1, 0, 0.5),
    "approximant": (1, 1, 0, 0),
}
"""Manner -> resonance, breath that flows on, nose, and a hiss or another mark of its own."""

MANNER_WEIGHTS = (0.2, 0.2, 0.25, 0.15)
VOICE_WEIGHT = 0.25
PLACE_WEIGHT = 0.2

VOWELS: dict[str, tuple[tuple[float, float, bool], ...]] = {
    "IY": ((0, 0, False),),
    "IH": ((0.5, 0.25, False),),
    "EH": ((2, 0, False),),
    "AE": ((2.5, 0, False),),
    "AA": ((3, 1.75, False),),
    "AO": ((2, 2, True),),
    "AH": ((2, 1.5, False),),
    "UH": ((0.5, 1.75, True),),
    "UW": ((0, 2, True),),
    "ER": ((1.5, 1, False),),
    "EY": ((1, 0, False), (0.5, 0.25, False)),
    "AY": ((3, 1, False), (0.5, 0.25, False)),
    "OY": ((2, 2, True), (0.5, 0.25, False)),
    "AW": ((3, 1, False), (0.5, 1.75, True)),
    "OW": ((1, 2, True), (0.5, 1.75, True)),
    "A": ((3, 1, False),),  # the five Spanish vowels
    "E": ((1.5, 0, False),),
    "I": ((0, 0, False),),
    "O": ((1.5, 2, True),),
    "U": ((0, 2, True),),
}
"""Phone -> height (0 close to 3 open), backness (0 front to 2 back), rounded; both ends of a diphthong."""

ANY_DIFFERENCE = 0.1
"""Two phones that are not the same are at least this far apart."""

ADDED_VOWEL = 0.8
"""Cost of a vowel that is too much or lacks: it makes a syllable."""

ADDED_CONSONANT = 0.6

GLIDES = {frozenset(pair) for pair in (("Y", "IY"), ("Y", "I"), ("W", "UW"), ("W", "U"), ("R", "ER"))}
"""A consonant and the vowel that it glides from."""


@cache
def substitution(one: str, other: str) -> float:
    """How far apart two phones are: 0 for the same, at most 1. Symmetric. Raises `KeyError` for an unknown phone."""
    if one == other:
        return 0.0
    if one in CONSONANTS and other in CONSONANTS:
        (voiced, place, manner), (voiced_too, place_too, manner_too) = CONSONANTS[one], CONSONANTS[other]
        apart = VOICE_WEIGHT * (voiced != voiced_too)
        apart += PLACE_WEIGHT * abs(PLACES.index(place) - PLACES.index(place_too)) / (len(PLACES) - 1)
        features = zip(MANNER_WEIGHTS, MANNERS[manner], MANNERS[manner_too], strict=True)
        apart += sum(weight * abs(a - b) for weight, a, b in features)
        return min(1.0, ANY_DIFFERENCE + apart)
    if one in VOWELS and other in VOWELS:
        ends = [(VOWELS[one][at], VOWELS[other][at]) for at in (0, -1)]
        apart = sum(
            0.5 * abs(high - low) / 3 + 0.3 * abs(front - back) / 2 + 0.1 * (rounded != rounded_too)
            for (high, front, rounded), (low, back, rounded_too) in ends
        )
        return min(1.0, ANY_DIFFERENCE + apart / 2)
    for phone in (one, other):
        if phone not in CONSONANTS and phone not in VOWELS:
            raise KeyError(phone)
    return 0.5 if frozenset((one, other)) in GLIDES else 1.0


def distance(one: Sequence[str], other: Sequence[str]) -> float:
    """0 where two rows of phones are the same: the cost of the cheapest way to make one out of the other, divided by
    the square root of the longer's length. A difference hides in a long word, yet every further one adds evidence.
    Symmetric; two short words with nothing alike are 1.5 to 2 apart."""
    row = [0.0]
    for phone in other:
        row.append(row[-1] + _added(phone))
    for phone in one:
        above, row = row, [row[0] + _added(phone)]
        for at, phone_too in enumerate(other):
            row.append(
                min(
                    above[at] + substitution(phone, phone_too),
                    above[at + 1] + _added(phone),
                    row[at] + _added(phone_too),
                )
            )
    return row[-1] / math.sqrt(max(len(one), len(other), 1))


def _added(phone: str) -> float:
    return ADDED_VOWEL if phone in VOWELS else ADDED_CONSONANT
