"""Which sentences sound alike and do different things. Pure: how words sound is asked of a function passed in.

Two sentences are compared by the words in which they differ; what they begin and end with in common is no help to the
ear. Not all pairs of the language are compared (there would be billions): two values of one slot are compared in one
sentence that has it, and two templates with the same values in both. A pair that differs in more words than that is
no closer than one of these.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations

from recorder.errors import RecorderError
from recorder.voice.language.phones import distance
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import Item, Slot, Words

Pronounce = Callable[[str], Sequence[str]]
"""Word -> ways to say it, each as phones with spaces between them: "two" -> ["T UW"]."""

CLOSE = 0.45
"""A kitchen is warned of words nearer than this. A judgement: of the shipped words, English and Spanish, only numbers
are nearer."""

FAR = 1.2
"""Two templates that are further apart than this with any values are not tried with others."""

Variant = tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two sentences that do different things."""

    first: str
    second: str
    words: tuple[str, str]
    """What they differ in, one for each sentence; "" where one lacks it."""
    distance: float
    """As in `phones.distance`: 0 for the same sound."""
    numbers: bool
    """Whether they differ in a number alone."""
    measured: int = 0
    """How often one was taken for the other on the bench, here or in another sentence with the same words."""


def close_words(found: Sequence[Pair]) -> list[Pair]:
    """Of `found` those that a kitchen can do something about: too close, and not by a number."""
    return [pair for pair in found if pair.distance < CLOSE and not pair.numbers]


class MeasuredError(RecorderError):
    """A file of measured confusions that cannot be read; the text says where and why."""


def pairs(phrases: Phrases, pronounce: Pronounce, measured: Mapping[tuple[str, str], int] | None = None) -> list[Pair]:
    """The pairs that sound most alike first, those that were measured to be confused before all others.

    `measured`: (said, heard) -> how often; what is no sentence of `phrases` is left out.
    Raises `KeyError` for a phone that is not known.
    """

    @cache
    def sounds(words: Words) -> list[list[str]]:
        """Each way to say one word; of several words, each as it is mostly said."""
        if len(words) > 1:
            return [[phone for word in words for phone in pronounce(word)[0].split()]]
        return [way.split() for word in words for way in pronounce(word)] or [[]]

    @cache
    def apart(one: Words, other: Words) -> float:
        return min(distance(a, b) for a in sounds(one) for b in sounds(other))

    found: dict[frozenset[Words], Pair] = {}

    def meet(one: Words, other: Words, numbers: bool) -> None:
        """Note two sentences; of several with the same difference the shortest stand for all."""
        left, right = differing(one, other)
        texts = " ".join(one), " ".join(other)
        known = found.get(frozenset((left, right)))
        if phrases.parse(texts[0]) == phrases.parse(texts[1]) or (known and len(known.first) <= len(texts[0])):
            return
        found[frozenset((left, right))] = Pair(*texts, (" ".join(left), " ".join(right)), apart(left, right), numbers)

    for one, other, numbers in _by_value(phrases):
        meet(one, other, numbers)
    for first, second in combinations([each for template in phrases.templates for each in template.variants()], 2):
        one, other = _closest(first, second, phrases.slots, lambda one, other: apart(*differing(one, other)))
        meet(one, other, False)
    for (said, heard), times in (measured or {}).items():
        meant, taken = phrases.parse(said), phrases.parse(heard)
        if meant is None or taken is None or meant == taken:
            continue
        key = frozenset(differing(tuple(said.split()), tuple(heard.split())))
        if key not in found:
            meet(tuple(said.split()), tuple(heard.split()), False)
        found[key] = replace(found[key], measured=found[key].measured + times)
    return sorted(found.values(), key=lambda pair: (-pair.measured, pair.distance, pair.words))


def differing(one: Words, other: Words) -> tuple[Words, Words]:
    """Both without the words that they begin with and end with in common."""
    begin, shorter = 0, min(len(one), len(other))
    while begin < shorter and one[begin] == other[begin]:
        begin += 1
    end = 0
    while end < shorter - begin and one[-1 - end] == other[-1 - end]:
        end += 1
    return one[begin : len(one) - end], other[begin : len(other) - end]


def read_measured(text: str) -> dict[tuple[str, str], int]:
    """(said, heard) -> how often, from JSON lines with "said" and "guess", as `tests.bench.hearing --dump` writes them.

    Lines in which nothing was said, or was heard right, count for nothing. Raises `MeasuredError`.
    """
    counts: dict[tuple[str, str], int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        try:
            row = json.loads(line)
            said, heard = row["said"], row["guess"].get("text")
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise MeasuredError(
                f'line {number} is not a JSON object with "said" and "guess"; write it with tests.bench.hearing --dump'
            ) from error
        if said and heard and said != heard:
            counts[said, heard] = counts.get((said, heard), 0) + 1
    return counts


def _by_value(phrases: Phrases) -> Iterator[tuple[Words, Words, bool]]:
    """Every two values of every slot, in the shortest sentence that has it; not those that differ in several words
    one by one, since those that differ in one of them are closer."""
    for name, slot in phrases.slots.items():
        with_it = [
            variant
            for template in phrases.templates
            for variant in template.variants()
            if any(item.slot and item.text == name for item in variant)
        ]
        if not with_it:
            continue
        variant = min(with_it, key=len)
        for (one, value), (other, value_too) in combinations(_told_apart(slot), 2):
            if value == value_too:
                continue
            if len(one) == len(other) and sum(a != b for a, b in zip(one, other, strict=True)) > 1:
                continue
            first, second = (_fill(variant, phrases.slots, {name: form}) for form in (one, other))
            yield first, second, bool(slot.spoken)


def _told_apart(slot: Slot) -> list[tuple[Words, int | float | str]]:
    """The forms of a slot that are compared: of a row of digits, which has thousands, those with one digit changed."""
    if not slot.spoken or not isinstance(slot.forms[0][1], str):
        return list(slot.forms)
    least = min(len(words) for words, _ in slot.forms)
    first = slot.forms[0][0]
    known = dict(slot.forms)
    near = {words: None for words in known if len(words) == least and words[1:] == first[1:]}
    return [(words, known[words]) for words in near]


def _closest(
    first: Variant, second: Variant, slots: Mapping[str, Slot], apart: Callable[[Words, Words], float]
) -> tuple[Words, Words]:
    """A sentence of each template: with the same value where both have a slot, the closest where one alone has it."""

    def filled(said: Mapping[str, Words]) -> tuple[Words, Words]:
        return _fill(first, slots, said), _fill(second, slots, said)

    said: dict[str, Words] = {}
    names, names_too = ({item.text for item in variant if item.slot} for variant in (first, second))
    if apart(*filled(said)) <= FAR:
        for name in sorted(names ^ names_too):
            said[name] = min(slots[name].sample, key=lambda form: apart(*filled({**said, name: form})))
    return filled(said)


def _fill(variant: Variant, slots: Mapping[str, Slot], said: Mapping[str, Words]) -> Words:
    """The sentence with the forms in `said`, else each slot's first."""
    return tuple(
        word
        for item in variant
        for word in ((said.get(item.text) or slots[item.text].forms[0][0]) if item.slot else (item.text,))
    )
