"""The words of a station's products: a phrase file with what this station cooks, and nothing that it does not.

Each further sentence is one more to be mistaken for another, so what nobody can mean here is not listened for.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.procedure import Procedure
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError, Slot, Template, Words, only, split_words

PART_UNSAID = (m.LOAD, m.PROBE)
"""Commands that need no part named where a product has one part alone."""


def for_menu(phrases: Phrases, menu: Sequence[Procedure], cabinets: Sequence[int] = ()) -> Phrases:
    """`phrases` for a station with these products and cabinets.

    Raises `PhraseError`, which names the word and the remedy.
    """
    names = [(words, each.product) for each in menu for words in _split(each.spoken, "spoken")]
    slots = {
        "product": _slot("product", names if len(menu) > 1 else []),
        "part": _slot("part", _parts(phrases, menu)),
        "cabinet": only(phrases.offered["cabinet"], cabinets if len(cabinets) > 1 else ()),
    }
    unused = frozenset[str].intersection(*(each.unused for each in menu))
    known = phrases.without(unused).with_slots(slots)
    if len(menu) > 1 and m.BATCH_START not in {each.meaning for each in known.templates if _has(each, "product")}:
        raise PhraseError('no sentence names a product; write "batch start" = ["batch start [{product}] [vat {vat}]"]')
    if any(len(each.parts) == 1 for each in menu):
        known = known.with_more(_without_part)
    return known.for_loads_of(max(each.pieces_per_load for each in menu))


def _parts(phrases: Phrases, menu: Sequence[Procedure]) -> Iterator[tuple[Words, str]]:
    """The words of each part that some product has: those of the phrase file, and the procedures' own."""
    parts = {part.name for each in menu for part in each.parts}
    known = phrases.slots["part"].forms if "part" in phrases.slots else ()
    yield from ((words, str(name)) for words, name in known if name in parts)
    for each in menu:
        for part in each.parts:
            yield from ((words, part.name) for words in _split(part.spoken, f"part.spoken of {part.name}"))


def _split(said: Sequence[str], where: str) -> list[Words]:
    return [split_words(each, where) for each in said]


def _slot(name: str, forms: Iterable[tuple[Words, str]]) -> Slot:
    """A slot with these words; raises `PhraseError` for words that stand for two things."""
    known: dict[Words, str] = {}
    for words, value in forms:
        if known.setdefault(words, value) != value:
            raise PhraseError(f"{' '.join(words)!r} stands for both {known[words]!r} and {value!r}; give each its own")
    return Slot(name, tuple(known.items()), tuple(known))


def _without_part(template: Template) -> Template | None:
    """The same sentence for a product of one part: "load twelve", "probe"."""
    if template.meaning not in PART_UNSAID or not _has(template, "part"):
        return None
    items = (item for item in template.items if item.text != "part" or not item.slot)
    return replace(template, items=tuple(replace(item, optional=0) if item.text == "count" else item for item in items))


def _has(template: Template, slot: str) -> bool:
    return any(item.slot and item.text == slot for item in template.items)
