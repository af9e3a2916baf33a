"""The pieces of a phrase file: slots with their spoken forms, and templates that are filled from them.

A template is plain words, `{slot}` and `[what may be left out]`; brackets do not nest. This module is pure and knows
nothing of meanings, sound or engines.
"""

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

from recorder.errors import RecorderError

Words = tuple[str, ...]
"""What is said, word by word."""

LARGEST = 999
"""The largest number that a slot may hold."""

LONGEST_ROW = 4
"""The most digits that a row of them may have in one sentence: each further one makes ten times as many sentences."""

MOST_BRACKETS = 10
"""A template with more of them than this is refused: each doubles its sentences."""

_WORD = re.compile(r"[^\W\d_]+(?:'[^\W\d_]+)*")
_PIECE = re.compile(r"\s*(?:(?P<open>\[)|(?P<close>\])|\{(?P<slot>[a-z]+)\}|(?P<word>[^\s\[\]{}]+))")


class PhraseError(RecorderError):
    """A phrase file that cannot be used; the text names the place and the remedy."""


@dataclass(frozen=True, slots=True)
class Slot:
    """Something that varies in a sentence, such as the count of pieces."""

    name: str
    """A field of `Intent`: "vat", "batch", "part", "count", "cook", "number", "percent" or "lot"."""
    forms: tuple[tuple[Words, int | float | str], ...]
    """Each way to say a value, and the value; no two forms are alike."""
    sample: tuple[Words, ...]
    """The forms that the corpus says: all, or for a long row of digits every digit in every place."""
    spoken: tuple[str, ...] = ()
    """How its numbers are spoken, "number" or "digits" or both, the first for the card; () for a table of words."""
    plain: frozenset[Words] = frozenset()
    """Those of the forms that say in words what others say in digits."""
    also: tuple[tuple[Words, int], ...] = ()
    """Those of the forms that are further words for a number, such as "two dozen"."""


@dataclass(frozen=True, slots=True)
class Item:
    """A word, or a slot to be filled."""

    text: str
    """The word, or the slot's name."""
    slot: bool = False
    optional: int = 0
    """Number of the bracket that it stands in, from 1; 0 outside."""


@dataclass(frozen=True, slots=True)
class Template:
    """A pattern of sentences with one meaning."""

    meaning: str
    source: str
    """As the phrase file writes it."""
    items: tuple[Item, ...]

    def variants(self) -> Iterator[tuple[Item, ...]]:
        """Every way to keep or leave out what stands in brackets, the shortest first."""
        brackets = sorted({item.optional for item in self.items} - {0})
        for keep in product((False, True), repeat=len(brackets)):
            kept = {bracket for bracket, is_kept in zip(brackets, keep, strict=True) if is_kept} | {0}
            yield tuple(item for item in self.items if item.optional in kept)


def without_slots(template: Template, empty: Collection[str]) -> Template | None:
    """`template` without the brackets that have a slot of `empty`; None where such a slot stands outside of them."""
    gone = {item.optional for item in template.items if item.slot and item.text in empty}
    if 0 in gone:
        return None
    return replace(template, items=tuple(item for item in template.items if item.optional not in gone))


def only(slot: Slot, values: Collection[int]) -> Slot:
    """`slot` with the words for these numbers alone."""
    forms = tuple(form for form in slot.forms if form[1] in values)
    return replace(slot, forms=forms, sample=tuple(words for words, _ in forms))


def without_words(slot: Slot, largest: int) -> Slot:
    """`slot` without the plain words for numbers over `largest`; digits and further words for them stay."""

    forms = tuple(form for form in slot.forms if form[0] not in slot.plain or int(form[1]) <= largest)
    known = {words for words, _ in forms}
    return replace(slot, forms=forms, sample=tuple(words for words in slot.sample if words in known))


def split_words(text: str, where: str) -> Words:
    """The words of `text`, lower-case; raises `PhraseError` for anything but letters and apostrophes."""
    words = tuple(text.lower().split())
    for word in words:
        if not _WORD.fullmatch(word):
            raise PhraseError(f"{where}: {word!r} is not a spoken word; write it out in letters")
    if not words:
        raise PhraseError(f"{where} is empty; write the words that are spoken")
    return words


def read_template(meaning: str, source: str, slots: Mapping[str, Slot]) -> Template:
    """The template in `source`; raises `PhraseError`."""
    where = f"{meaning!r}, {source!r}"
    items: list[Item] = []
    bracket, inside, at = 0, False, 0
    for piece in _PIECE.finditer(source.strip()):
        if piece.start() != at:
            break
        at = piece.end()
        if piece["open"] or piece["close"]:
            if inside == bool(piece["open"]):
                raise PhraseError(f"{where}: brackets must come in pairs and must not nest")
            inside = not inside
            bracket += inside
            if bracket > MOST_BRACKETS:
                raise PhraseError(f"{where}: it has more than {MOST_BRACKETS} brackets; make two sentences of it")
        elif piece["slot"]:
            if piece["slot"] not in slots:
                raise PhraseError(f"{where}: no slot is called {piece['slot']!r}; there are {', '.join(sorted(slots))}")
            items.append(Item(piece["slot"], slot=True, optional=bracket * inside))
        else:
            items.append(Item(split_words(piece["word"], where)[0], optional=bracket * inside))
    if at != len(source.strip()) or inside:
        raise PhraseError(f"{where}: cannot be read near {source.strip()[at:]!r}; close every bracket and brace")
    if not any(item.optional == 0 for item in items):
        raise PhraseError(f"{where}: at least one word must stand outside brackets")
    names = [item.text for item in items if item.slot]
    if len(names) != len(set(names)):
        raise PhraseError(f"{where}: a slot may stand once in a sentence")
    return Template(meaning, source, tuple(items))


def read_numerals(data: Mapping[str, Any]) -> dict[int, list[Words]]:
    """The table of numerals; raises `PhraseError`. "and" is the word between ten and unit, where there is one."""
    numerals = {}
    for key, forms in data.items():
        if key == "and":
            continue
        if not key.isdecimal() or not isinstance(forms, list) or not forms:
            raise PhraseError(f'numerals, {key!r}: write a number and a list of words, such as 7 = ["seven"]')
        numerals[int(key)] = [split_words(str(form), f"numerals, {key}") for form in forms]
    if "and" in data:
        between = split_words(str(data["and"]), "numerals, and")
        for ten, unit in product(range(20, 100, 10), range(1, 10)):
            if ten + unit not in numerals and ten in numerals and unit in numerals:
                numerals[ten + unit] = [a + between + b for a in numerals[ten] for b in numerals[unit]]
    return numerals


def read_slot(name: str, data: Mapping[str, Any], numerals: Mapping[int, list[Words]]) -> Slot:
    """The slot in `data`; raises `PhraseError`."""
    where = f"slot {name!r}"
    if "words" in data:
        if not isinstance(data["words"], Mapping):
            raise PhraseError(f"{where}: words is {data['words']!r}; write [slots.{name}.words] and its lines under it")
        forms = [
            (split_words(str(form), where), value.lower())
            for value, said in data["words"].items()
            for form in (said if isinstance(said, list) else [said])
        ]
        return _slot(name, forms, [words for words, _ in forms])
    if "length" in data:
        return _row_of_digits(name, data["length"], numerals, where)
    first, last = data.get("from"), data.get("to")
    if not (isinstance(first, int) and isinstance(last, int) and 0 <= first <= last <= LARGEST):
        raise PhraseError(f"{where}: give it [slots.{name}.words], length, or from and to between 0 and {LARGEST}")
    spoken = _spoken(data, where)
    values: list[tuple[Words, int | float | str]] = [
        (words, value)
        for value in range(first, last + 1)
        for words in dict.fromkeys(words for way in spoken for words in WAYS[way](value, numerals, where))
    ]
    numbers = range(first, last + 1) if "digits" in spoken else ()
    in_digits = {words for value in numbers for words in _say_digits(value, numerals, where)}
    plain = frozenset(words for words, _ in values if in_digits and words not in in_digits)
    also = _also(name, data, first, last)
    values += also
    step = 7 if len(values) >= 150 else 1  # 7 has no factor in common with 10: every digit comes up in every place
    return _slot(name, values, [words for words, _ in values[::step]], spoken, plain, tuple(also))


def _row_of_digits(name: str, length: Any, numerals: Mapping[int, list[Words]], where: str) -> Slot:
    """Every row of so many digits, such as a lot's: zeros in front count, so its values are texts."""
    two = isinstance(length, list) and len(length) == 2 and all(type(each) is int for each in length)
    if not two or not 1 <= length[0] <= length[1] <= LONGEST_ROW:
        raise PhraseError(f"{where}: length is {length!r}; write [least, most] digits, such as [2, {LONGEST_ROW}]")
    if lacking := [digit for digit in range(10) if digit not in numerals]:
        raise PhraseError(f"{where}: no words for {lacking[0]}; add it to [numerals]")
    digits = [(numerals[digit][0], str(digit)) for digit in range(10)]
    values: list[tuple[Words, str]] = []
    sample: list[Words] = []
    for size in range(length[0], length[1] + 1):
        for row in product(digits, repeat=size):
            values.append((sum((words for words, _ in row), ()), "".join(digit for _, digit in row)))
        each_once = (range(first, first + 3 * size, 3) for first in range(10))  # every digit in every place
        sample += [sum((numerals[at % 10][0] for at in places), ()) for places in each_once]
    return _slot(name, values, sample, ("digits",))


def _spoken(data: Mapping[str, Any], where: str) -> tuple[str, ...]:
    """How the numbers of a slot are spoken."""
    spoken = data.get("spoken", "number")
    named = spoken if isinstance(spoken, list) else [spoken]
    if not named or any(way not in WAYS for way in named):
        raise PhraseError(f'{where}: spoken is {spoken!r}; write "number", "digits" or ["number", "digits"]')
    return tuple(dict.fromkeys(named))


def _also(name: str, data: Mapping[str, Any], first: int, last: int) -> list[tuple[Words, int]]:
    """Further words for some of the numbers, such as "two dozen"."""
    where = f"slot {name!r}, also"
    also = data.get("also", {})
    if not isinstance(also, Mapping):
        raise PhraseError(f"{where} is {also!r}; write [slots.{name}.also] and its lines under it")
    forms = []
    for key, said in also.items():
        if not key.isdecimal() or not first <= int(key) <= last:
            raise PhraseError(f"{where}: {key!r} is no number from {first} to {last}; correct it")
        forms += [(split_words(str(form), where), int(key)) for form in (said if isinstance(said, list) else [said])]
    return forms


def _slot(
    name: str,
    forms: Sequence[tuple[Words, Any]],
    sample: Sequence[Words],
    spoken: tuple[str, ...] = (),
    plain: frozenset[Words] = frozenset(),
    also: tuple[tuple[Words, int], ...] = (),
) -> Slot:
    seen: dict[Words, Any] = {}
    for words, value in forms:
        if words in seen:
            raise PhraseError(f"slot {name!r}: {' '.join(words)!r} stands for both {seen[words]!r} and {value!r}")
        seen[words] = value
    if not forms:
        raise PhraseError(f"slot {name!r} has no words; give it at least one")
    return Slot(name, tuple(forms), tuple(sample), spoken, plain, also)


def _say_number(value: int, numerals: Mapping[int, list[Words]], where: str) -> list[Words]:
    """181 as "one hundred eighty one", where 100 is in the table; 81 as "eighty one"."""
    if value in numerals:
        return numerals[value]
    for size in (100, 10):
        head, rest = value - value % size, value % size
        if head and rest and (size == 10 or head in numerals):
            return [a + b for a in _say_number(head, numerals, where) for b in _say_number(rest, numerals, where)]
    raise PhraseError(f"{where}: no words for {value}; add it to [numerals]")


def _say_digits(value: int, numerals: Mapping[int, list[Words]], where: str) -> list[Words]:
    """181 as "one eight one"."""
    digits = [_say_number(int(digit), numerals, where) for digit in str(value)]
    return [sum(words, ()) for words in product(*digits)]


WAYS = {"number": _say_number, "digits": _say_digits}
"""How a number may be spoken -> what says it."""
