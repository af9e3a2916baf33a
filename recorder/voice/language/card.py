"""The command card for the wall: what a cook at this station can say, what it records, what the answers mean. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from recorder.core import meanings
from recorder.voice.language.card_texts import CardTexts
from recorder.voice.language.phrases import Group, Phrases
from recorder.voice.language.wording import Item, Slot, Template, Words

LEFT_OUT = ("vat", "batch", "cook", "product")
"""Slots that stand beside the command where they may be left out of it."""

EXAMPLES: dict[str, int | str] = {"batch": 7, "cook": 4, "percent": 22, "lot": "04"}
"""Slot -> the number that the card says, where the kitchen does not give it."""

SOME = 5
"""Pieces in the card's other examples."""

LOADED = 12
"""Pieces in the card's example of a load, or a full load if that is less."""

TWINS = ("13", "30")
"""Numbers that sound alike in English when each is one word; digit by digit they don't."""

MOST_FURTHER = 2
"""Up to so many further words for numbers, such as "two dozen", are listed."""

FEW = 8
"""Up to so many numbers are listed; more are said by their ends."""


@dataclass(frozen=True, slots=True)
class Kitchen:
    """What of a station its card depends on."""

    vats: tuple[int, ...]
    parts: tuple[str, ...]
    """In load order."""
    pieces: int
    """What the vat takes."""
    temperature: int
    """A temperature that a cook reads there, in the procedure's unit."""
    ice: int
    """What a good thermometer shows in ice, in that unit."""
    ask_first: tuple[str, ...] = ()
    """Meanings that wait for "confirm"."""


@dataclass(frozen=True, slots=True)
class Said:
    """A word or more of a command."""

    text: str
    varies: bool = False
    """Whether another one may be said in its place."""


@dataclass(frozen=True, slots=True)
class Line:
    """One command on the card."""

    say: tuple[Said, ...]
    adds: tuple[str, ...]
    """What may be said after it, such as "+ vat two"."""
    does: str

    @property
    def text(self) -> str:
        """What is said, in one row."""
        return " ".join(said.text for said in self.say)


@dataclass(frozen=True, slots=True)
class Card:
    """What hangs on the wall."""

    language: str
    name: str
    """The station's name, as it is spoken before each command; "" where it needs none."""
    first: str
    """How to begin."""
    groups: tuple[tuple[str, tuple[Line, ...]], ...]
    slots_title: str
    slots: tuple[tuple[str, str], ...]
    """What varies, and what may be said for it."""
    tones_title: str
    tones: tuple[tuple[str, str], ...]
    """Each tone, and what it means."""
    wrong_title: str
    wrong: tuple[tuple[str, str], ...]
    """What may go wrong, and what to do."""
    cautions: tuple[str, ...]
    foot: str
    """{distance} is filled in by who prints it."""


def card(phrases: Phrases, name: str, kitchen: Kitchen) -> Card:
    """The card for `phrases`; `name` is the station's name, or "" when it needs none."""
    texts = phrases.card_texts
    filled = {"confirm": _shortest(phrases, meanings.CONFIRM), "scratch": _shortest(phrases, meanings.SCRATCH)}
    example = _shortest(phrases, meanings.BATCH_START)
    return Card(
        language=phrases.language,
        name=name,
        first=texts.named.format(name=name, example=example) if name else texts.bare,
        groups=tuple((group.title, tuple(_lines(group, phrases, kitchen))) for group in phrases.groups),
        slots_title=texts.slots_title,
        slots=tuple(_slots(phrases, kitchen)),
        tones_title=texts.tones_title,
        tones=tuple((str(tone), text.format(**filled)) for tone, text in texts.tones.items()),
        wrong_title=texts.wrong_title,
        wrong=tuple((what, text.format(**filled)) for what, text in texts.wrong.items()),
        cautions=texts.cautions,
        foot=f"{texts.adding} {texts.foot}",
    )


def _shortest(phrases: Phrases, meaning: str) -> str:
    return min((sentence.text for sentence in phrases if sentence.intent.meaning == meaning), key=len, default="")


def _lines(group: Group, phrases: Phrases, kitchen: Kitchen) -> Iterator[Line]:
    """What a command does stands beside the first way to say it."""
    before = ""
    for template in group.templates:
        line = _line(template, phrases, kitchen)
        yield replace(line, does="") if template.meaning == before else line
        before = template.meaning


def _line(template: Template, phrases: Phrases, kitchen: Kitchen) -> Line:
    texts = phrases.card_texts
    brackets: dict[int, list[Item]] = {}
    for item in template.items:
        if item.optional:
            brackets.setdefault(item.optional, []).append(item)
    beside = {at: items for at, items in brackets.items() if any(i.slot and i.text in LEFT_OUT for i in items)}
    say = [
        Said(_example(phrases.slots[item.text], kitchen, template.meaning), varies=True)
        if item.slot
        else Said(item.text)
        for item in template.items
        if item.optional not in beside
    ]
    adds = [
        " ".join(_example(phrases.slots[i.text], kitchen, template.meaning) if i.slot else i.text for i in items)
        for items in beside.values()
        if len(kitchen.vats) > 1 or all(item.text != "vat" for item in items)
    ]
    asks = f"; {texts.asks}" if template.meaning in kitchen.ask_first else ""
    more = tuple(texts.more.format(words=words) for words in adds)
    return Line(tuple(say), more, texts.does[template.meaning] + asks)


def _example(slot: Slot, kitchen: Kitchen, meaning: str) -> str:
    """A value to show; one that this kitchen has, where the phrase file can say it."""
    loaded = meaning == meanings.LOAD
    here: dict[str, float | str] = {
        "vat": kitchen.vats[-1],
        "part": kitchen.parts[0],
        "number": kitchen.temperature,
        "ice": kitchen.ice,
        "count": min(LOADED if loaded else SOME, kitchen.pieces),
    }
    wanted = here.get(slot.name, EXAMPLES.get(slot.name, 0))
    ways = _ways(slot)
    value = wanted if wanted in ways else list(ways)[len(ways) // 2]
    several = loaded and slot.name == "part"
    return _shown(slot, value, ways[value][-1 if several else 0])


def _shown(slot: Slot, value: float | str, words: Words) -> str:
    """ "thigh"; of a number its figures, apart where they are said one by one."""
    if not slot.spoken:
        return " ".join(words)
    return " ".join(str(value)) if slot.spoken[0] == "digits" else str(value)


def _values(slot: Slot, kitchen: Kitchen, texts: CardTexts) -> str:
    """ "thigh, breast"; a row of numbers by its ends."""
    ways = _ways(slot)
    here: dict[str, Sequence[float | str]] = {
        "part": kitchen.parts,
        "vat": kitchen.vats,
        "count": [value for value in ways if isinstance(value, int) and value <= kitchen.pieces],
    }
    shown = [_shown(slot, value, ways[value][0]) for value in here.get(slot.name, list(ways)) if value in ways]
    if slot.spoken and slot.spoken[0] == "digits":
        return texts.digits
    span = texts.span.format(first=shown[0], last=shown[-1], example=shown[len(shown) * 5 // 8])
    values = span if len(shown) > FEW and slot.spoken else ", ".join(shown)
    apart = ["\u00a0".join(number) for number in shown if "digits" in slot.spoken and number in TWINS]
    either = texts.either.format(examples=", ".join(apart)) if apart else ""
    further = ["\u00a0".join(words) for words, value in slot.also if str(value) in shown]
    few = len(further) <= MOST_FURTHER
    also = ", ".join(further) if few else texts.span.format(first=further[0], last=further[-1], example=further[1])
    return "; ".join(text for text in (values, either, also) if text)


def _slots(phrases: Phrases, kitchen: Kitchen) -> Iterator[tuple[str, str]]:
    """What varies here and what may be said for it; those that are said alike stand together."""
    texts = phrases.card_texts
    used = {item.text for template in phrases.templates for item in template.items if item.slot}
    alike: dict[str, list[str]] = {}
    for name, slot in phrases.slots.items():
        if name in used and (name != "vat" or len(kitchen.vats) > 1):
            alike.setdefault(_values(slot, kitchen, texts), []).append(texts.slots.get(name, name))
    yield from ((", ".join(names), values) for values, names in alike.items())


def _ways(slot: Slot) -> dict[int | float | str, list[Words]]:
    """Each value, and the ways to say it."""
    ways: dict[int | float | str, list[Words]] = {}
    for words, value in slot.forms:
        ways.setdefault(value, []).append(words)
    return ways
