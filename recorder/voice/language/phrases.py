"""What may be said and what it means: the phrase file as one value.

From one file come the recogniser's vocabulary and grammar, the parser, the test corpus and the command card. The
language of a phrase file is finite and small, so it is written out whole when the file is read: parsing is a look-up,
and that no sentence has two meanings is proved by having seen them all. This module is pure: it opens no file, and it
knows neither sound nor engine.
"""

import tomllib
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import cycle, product
from typing import Any

from recorder.core.events import Intent
from recorder.core.meanings import ALL, LATER, PROMPT_DONE
from recorder.voice.language.card_texts import ENGLISH, CardTexts, read_texts
from recorder.voice.language.wording import (
    Item,
    PhraseError,
    Slot,
    Template,
    read_numerals,
    read_slot,
    read_template,
    split_words,
    without_slots,
    without_words,
)

MOST_SENTENCES = 200_000
"""A phrase file that makes more sentences than this is refused."""

FEW = 8
"""A slot with up to this many forms goes whole through every template of the corpus; a longer one is spread."""

FEWEST_COUNTED = 24
"""Up to so many pieces a count has its plain word in every kitchen, so that a load over its capacity can be said."""

FIELDS = (
    *("vat", "batch", "part", "product", "cabinet", "count", "cook", "number", "ice", "percent", "lot"),
    *("task", "cause", "action"),
)
"""Slots that an `Intent` has a field for."""

CONFIGURED = ("product", "cabinet", "task", "cause", "action")
"""Slots that have words only once the station's configuration says of what: a phrase file need not have them."""

SELDOM = (PROMPT_DONE,)
"""Meanings that are listened for only where the station's configuration uses them."""


@dataclass(frozen=True, slots=True)
class Sentence:
    """One thing that may be said, and what it means."""

    text: str
    """Lower-case words with one space between them, without the station's name."""
    intent: Intent


@dataclass(frozen=True, slots=True)
class Group:
    """Commands that stand together on the card."""

    title: str
    templates: tuple[Template, ...]


class Phrases:
    """A phrase file, read and proved free of sentences with two meanings."""

    def __init__(
        self,
        language: str,
        name: str,
        sounds: Mapping[str, tuple[str, ...]],
        slots: Mapping[str, Slot],
        groups: tuple[Group, ...],
        card_texts: CardTexts = ENGLISH,
        offered: Mapping[str, Slot] | None = None,
        used: frozenset[str] = frozenset(),
    ) -> None:
        """Raises `PhraseError` where two meanings share a sentence."""
        self.offered = dict(offered or {})
        """The words for slots of `CONFIGURED`, of which a station listens for those alone that it has."""
        self.language = language
        self.name = name
        """The station's name as it is spoken; the shipped default, which the configuration may replace."""
        self.sounds = dict(sounds)
        """Word -> ways to say it in ARPABET symbols, beside those that an engine's dictionary has."""
        self.slots = dict(slots)
        self._used = used
        self._written = groups
        sayable = (Group(group.title, self._sayable(group)) for group in groups)
        self.groups = tuple(group for group in sayable if group.templates)
        """With the sentences alone whose slots have words here."""
        self.card_texts = card_texts
        self.templates = tuple(template for group in self.groups for template in group.templates)
        self._intents: dict[str, Intent] = {}
        self._write_out()

    @property
    def vocabulary(self) -> frozenset[str]:
        """Every word of every sentence."""
        return frozenset(word for text in self._intents for word in text.split())

    @property
    def parts(self) -> frozenset[str]:
        """The parts that can be named."""
        return frozenset(str(value) for _, value in self.slots["part"].forms) if "part" in self.slots else frozenset()

    def for_loads_of(self, pieces: int) -> "Phrases":
        """These without the plain words for counts that no load of `pieces` has, where digits say the same count.

        Each such word would be one more to be mistaken for another: "thirty" for "thirteen".
        """
        count = self.slots.get("count")
        if count is None or set(count.spoken) != {"number", "digits"}:
            return self
        return self.with_slots({"count": without_words(count, max(pieces, FEWEST_COUNTED))})

    def with_slots(self, slots: Mapping[str, Slot]) -> "Phrases":
        """These with other words in some slots; raises `PhraseError` where two meanings share a sentence then."""
        changed = {**self.slots, **slots}
        if changed == self.slots:
            return self
        return self._with(changed, self._written)

    def with_more(self, more: Callable[[Template], Template | None]) -> "Phrases":
        """These with a further template behind each that `more` makes one of; raises `PhraseError` as `with_slots`."""
        groups = tuple(
            Group(group.title, tuple(each for one in group.templates for each in (one, more(one)) if each))
            for group in self._written
        )
        return self._with(self.slots, groups)

    def with_meanings(self, meanings: Collection[str]) -> "Phrases":
        """These with the sentences of such meanings of `SELDOM` too."""
        return self._with(self.slots, self._written, frozenset(meanings))

    def _with(
        self, slots: Mapping[str, Slot], groups: tuple[Group, ...], used: frozenset[str] | None = None
    ) -> "Phrases":
        used = self._used if used is None else used
        return Phrases(self.language, self.name, self.sounds, slots, groups, self.card_texts, self.offered, used)

    def _sayable(self, group: Group) -> tuple[Template, ...]:
        empty = [name for name, slot in self.slots.items() if not slot.forms]
        used = (each for each in group.templates if each.meaning not in SELDOM or each.meaning in self._used)
        return tuple(kept for template in used if (kept := without_slots(template, empty)))

    def without(self, unused: Collection[str]) -> "Phrases":
        """These without the sentences of some meanings, and without the slots that stand in no other."""
        left = [
            (group.title, tuple(each for each in group.templates if each.meaning not in unused))
            for group in self._written
        ]
        groups = tuple(Group(title, templates) for title, templates in left if templates)
        if groups == self._written:
            return self
        gone = {item.text for group in self._written for each in group.templates for item in each.items if item.slot}
        gone -= {item.text for group in groups for each in group.templates for item in each.items if item.slot}
        slots = {name: slot for name, slot in self.slots.items() if name not in gone}
        return self._with(slots, groups)

    def __len__(self) -> int:
        """How many sentences there are."""
        return len(self._intents)

    def __iter__(self) -> Iterator[Sentence]:
        """Every sentence that there is."""
        return (Sentence(text, intent) for text, intent in self._intents.items())

    def parse(self, text: str) -> Intent | None:
        """What `text` means; None unless it is one whole sentence. Case and spacing do not matter."""
        return self._intents.get(" ".join(text.lower().split()))

    def sentences(self) -> list[Sentence]:
        """The corpus: every template, with and without what may be left out, and every value of every slot.

        Not every combination: short slots go whole through every template, long ones are spread over those that
        have them. The same file gives the same list.
        """
        draw = {name: cycle(slot.sample) for name, slot in self.slots.items()}
        drawn: Counter[str] = Counter()
        texts: dict[str, None] = {}

        def fill(variant: tuple[Item, ...]) -> None:
            words: list[str] = []
            for item in variant:
                words += next(draw[item.text]) if item.slot else [item.text]
                drawn[item.text] += item.slot
            texts[" ".join(words)] = None

        variants = [variant for template in self.templates for variant in template.variants()]
        for variant in variants:
            sizes = [len(self.slots[item.text].sample) for item in variant if item.slot]
            for _ in range(max((size for size in sizes if size <= FEW), default=1)):
                fill(variant)
        for name, slot in self.slots.items():
            users = [variant for variant in variants if Item(name, slot=True) in _plain(variant)]
            for variant in cycle(users):
                if drawn[name] >= len(slot.sample):
                    break
                fill(variant)
        return [Sentence(text, self._intents[text]) for text in texts]

    def _write_out(self) -> None:
        size = sum(_size(variant, self.slots) for template in self.templates for variant in template.variants())
        if size > MOST_SENTENCES:
            raise PhraseError(f"the phrase file makes {size} sentences, more than {MOST_SENTENCES}; shorten its slots")
        sources: dict[str, str] = {}
        for template in self.templates:
            for text, intent in _expand(template, self.slots):
                if self._intents.setdefault(text, intent) != intent:
                    raise PhraseError(
                        f"{text!r} has two meanings: {template.meaning!r} by {template.source!r}, and "
                        f"{self._intents[text].meaning!r} by {sources[text]!r}; word one of them differently"
                    )
                sources.setdefault(text, template.source)


def load(text: str) -> Phrases:
    """The phrases in TOML `text`; raises `PhraseError`, which names the place and the remedy."""
    try:
        return from_dict(tomllib.loads(text))
    except (ValueError, RecursionError) as error:
        raise PhraseError(f"the phrase file is not valid TOML: {error}") from error


def from_dict(data: Mapping[str, Any]) -> Phrases:
    """The phrases in a parsed phrase file; raises `PhraseError`."""
    if unknown := data.keys() - {"language", "name", "sounds", "numerals", "slots", "groups", "card"}:
        raise PhraseError(f"the phrase file does not know {', '.join(sorted(unknown))}; remove it")
    numerals = read_numerals(_table(data, "numerals"))
    slots = {name: Slot(name, (), ()) for name in CONFIGURED}
    for name in _table(data, "slots"):
        if name not in FIELDS:
            raise PhraseError(f"slot {name!r} is unknown; there are {', '.join(FIELDS)}")
        slots[name] = read_slot(name, _table(data["slots"], name), numerals)
    offered = {name: slots[name] for name in CONFIGURED}
    slots |= {name: Slot(name, (), ()) for name in CONFIGURED}
    groups = []
    if not isinstance(written := data.get("groups", []), list):
        raise PhraseError(f"groups is {written!r}; write [[groups]] and its lines under it")
    for group in written:
        templates = tuple(
            read_template(meaning, str(source), slots)
            for meaning, sources in _table(group, "commands").items()
            for source in (sources if isinstance(sources, list) else [sources])
        )
        groups.append(Group(str(group.get("title", "")), templates))
    meanings = {template.meaning for group in groups for template in group.templates}
    if unknown := meanings - set(ALL):
        raise PhraseError(f"no command means {', '.join(sorted(unknown))}; the meanings are {', '.join(ALL)}")
    if missing := set(ALL) - set(LATER) - meanings:
        raise PhraseError(f"nothing says {', '.join(sorted(missing))}; give each meaning at least one sentence")
    name = " ".join(split_words(str(data.get("name", "")), "name"))
    sounds = {
        split_words(word, "sounds")[0]: tuple(sound if isinstance(sound, list) else [str(sound)])
        for word, sound in _table(data, "sounds").items()
    }
    texts = read_texts(_table(data, "card"))
    return Phrases(str(data.get("language", "")), name, sounds, slots, tuple(groups), texts, offered)


def _table(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = data.get(key, {}) if isinstance(data, Mapping) else None
    if not isinstance(value, Mapping):
        raise PhraseError(f"{key} must be a table; write [{key}] and its lines under it")
    return value


def _plain(variant: tuple[Item, ...]) -> set[Item]:
    return {Item(item.text, item.slot) for item in variant}


def _size(variant: tuple[Item, ...], slots: Mapping[str, Slot]) -> int:
    size = 1
    for item in variant:
        size *= len(slots[item.text].forms) if item.slot else 1
    return size


def _expand(template: Template, slots: Mapping[str, Slot]) -> Iterator[tuple[str, Intent]]:
    """Every sentence of `template` and its meaning; two forms of one value may give the same sentence twice."""
    for variant in template.variants():
        names = [item.text for item in variant if item.slot]
        for forms in product(*(slots[name].forms for name in names)):
            said = dict(zip(names, forms, strict=True))
            words = [word for item in variant for word in (said[item.text][0] if item.slot else (item.text,))]
            values: dict[str, Any] = {name: value for name, (_, value) in said.items()}
            for name in ("number", "ice", "percent"):
                if name in values:
                    values[name] = float(values[name])
            yield " ".join(words), Intent(template.meaning, **values)
