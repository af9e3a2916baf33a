"""The command card for the wall: what can be said, what it does, and what the recorder is not. Pure text."""

from dataclasses import dataclass

from recorder.core import meanings
from recorder.voice.language.card_texts import CardTexts
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import Slot, Template


@dataclass(frozen=True, slots=True)
class Line:
    """One command on the card."""

    say: str
    """The pattern: [what may be left out], and CAPITALS for what varies."""
    does: str


@dataclass(frozen=True, slots=True)
class Card:
    """What hangs on the wall."""

    first: str
    """How to begin."""
    groups: tuple[tuple[str, tuple[Line, ...]], ...]
    slots: tuple[tuple[str, str], ...]
    """What stands in capitals, and what to say for it."""
    cautions: tuple[str, ...]


def card(phrases: Phrases, name: str) -> Card:
    """The card for `phrases`; `name` is the station's name, or "" when it needs none."""
    texts = phrases.card_texts
    first = texts.named.format(name=name, example=_example(phrases)) if name else texts.bare
    groups = tuple(
        (
            group.title,
            tuple(Line(_pattern(template, texts), texts.does[template.meaning]) for template in group.templates),
        )
        for group in phrases.groups
    )
    used = {item.text for template in phrases.templates for item in template.items if item.slot}
    slots = tuple(
        (_capitals(name, texts), _values(slot, texts)) for name, slot in phrases.slots.items() if name in used
    )
    return Card(first, groups, slots, texts.cautions)


def _example(phrases: Phrases) -> str:
    """The shortest way to start a batch, for the example."""
    texts = [sentence.text for sentence in phrases if sentence.intent.meaning == meanings.BATCH_START]
    return min(texts, key=len, default="")


def _capitals(slot: str, texts: CardTexts) -> str:
    return texts.slots.get(slot, slot).upper()


def _pattern(template: Template, texts: CardTexts) -> str:
    words = []
    for at, item in enumerate(template.items):
        word = _capitals(item.text, texts) if item.slot else item.text
        before = template.items[at - 1].optional if at else 0
        after = template.items[at + 1].optional if at + 1 < len(template.items) else 0
        opening = "[" if item.optional and item.optional != before else ""
        closing = "]" if item.optional and item.optional != after else ""
        words.append(f"{opening}{word}{closing}")
    return " ".join(words)


def _values(slot: Slot, texts: CardTexts) -> str:
    """ "thigh, breast, leg, wing"; a row of numbers by its ends."""
    firsts: dict[int | float | str, str] = {}
    for words, value in slot.forms:
        firsts.setdefault(value, " ".join(words))
    said = list(firsts.values())
    if len(said) > 8:
        example = said[len(said) * 5 // 8]
        return texts.span.format(first=said[0], last=said[-1], example=example)
    return ", ".join(said)
