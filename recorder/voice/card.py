"""The command card for the wall: what can be said, what it does, and what the recorder is not. Pure text."""

from dataclasses import dataclass

from recorder.core import meanings
from recorder.voice.phrases import Phrases
from recorder.voice.wording import Slot, Template

DOES = {
    meanings.SHIFT_START: "opens the shift",
    meanings.SHIFT_END: "closes the shift and tells what is still open",
    meanings.OIL_LEVEL_OK: "records that the oil level is right",
    meanings.OIL_LEVEL_LOW: "records that the oil level is low",
    meanings.OIL_TOPPED_UP: "records that oil was added",
    meanings.OIL_FILTERED: "records that the oil was filtered",
    meanings.OIL_CHANGED: "records that the oil was changed",
    meanings.BATCH_START: "opens the next batch",
    meanings.LOAD: "records what goes in, in load order",
    meanings.LID_LOCKED: "starts the cook clock",
    meanings.LID_OPEN: "stops the cook clock",
    meanings.PROBE: "takes the next settled probe reading as this piece's check",
    meanings.READING: "records a temperature read off another thermometer",
    meanings.COOK_MORE: "puts the batch back in the oil after a failed check",
    meanings.HOLD_START: "moves the batch to hot holding",
    meanings.HOLD_END: "ends the hold: sold",
    meanings.DISCARD: 'asks back; "confirm" discards the batch',
    meanings.CONFIRM: "answers yes to what was asked",
    meanings.SCRATCH: "strikes your last command",
    meanings.TIME_LEFT: "tells how long the cook or the hold still has",
    meanings.STATUS: "tells what each vat and each hold is doing",
    meanings.LAST_READING: "tells the newest probe reading",
}
"""Meaning -> what it does, in a cook's words."""

CAUTIONS = (
    "Hot oil burns. A fryer under pressure can throw oil: never force a lid.",
    "Undercooked poultry makes people ill. Trust the thermometer, not the clock and not this recorder.",
    "This is a recorder. It is no safety device, and it controls nothing.",
    "The equipment maker's instructions, your local codes and licensed practice come first.",
)


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
    """The card for `phrases`; `name` is the station's name, or "" when it listens openly."""
    if name:
        first = f'Say "{name}" and the command in one breath: "{name}, {_example(phrases)}".'
    else:
        first = "Say the command by itself, with a short silence before and after it."
    groups = tuple(
        (group.title, tuple(Line(_pattern(template), DOES[template.meaning]) for template in group.templates))
        for group in phrases.groups
    )
    used = {item.text for template in phrases.templates for item in template.items if item.slot}
    slots = tuple((name.upper(), _values(slot)) for name, slot in phrases.slots.items() if name in used)
    return Card(first, groups, slots, CAUTIONS)


def _example(phrases: Phrases) -> str:
    """The shortest way to start a batch, for the example."""
    texts = [sentence.text for sentence in phrases if sentence.intent.meaning == meanings.BATCH_START]
    return min(texts, key=len, default="")


def _pattern(template: Template) -> str:
    words = []
    for at, item in enumerate(template.items):
        word = item.text.upper() if item.slot else item.text
        before = template.items[at - 1].optional if at else 0
        after = template.items[at + 1].optional if at + 1 < len(template.items) else 0
        opening = "[" if item.optional and item.optional != before else ""
        closing = "]" if item.optional and item.optional != after else ""
        words.append(f"{opening}{word}{closing}")
    return " ".join(words)


def _values(slot: Slot) -> str:
    """ "thigh, breast, leg, wing"; a row of numbers by its ends."""
    firsts: dict[int | float | str, str] = {}
    for words, value in slot.forms:
        firsts.setdefault(value, " ".join(words))
    said = list(firsts.values())
    if len(said) > 8:
        example = said[len(said) * 5 // 8]
        return f"{said[0]} to {said[-1]}, such as {example}"
    return ", ".join(said)
