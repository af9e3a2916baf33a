"""What is meant by a sentence that was corrected in the same breath. Pure.

"load thighs twelve no fourteen" is "load thighs fourteen"; "hold start no hold end" is "hold end"; "discard batch no
wait" is nothing. A number or a part that is said instead replaces its like. Where two could be meant, or none, all is
taken back: the cook is asked again.
"""

from recorder.core.events import Intent
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import Words


def repaired(first: Words, instead: Words, phrases: Phrases) -> Words:
    """What is meant by `first` when `instead` was said in its place; () when it was taken back."""
    if not instead or phrases.parse(" ".join(instead)) is not None:
        return instead
    before = phrases.parse(" ".join(first))
    if before is None:
        return ()
    named = _named(instead, phrases)
    ways: dict[Intent, int] = {}
    texts: dict[Intent, Words] = {}
    for begin in range(1, len(first) + 1):
        for end in range(begin + 1, len(first) + 1):
            words = (*first[:begin], *instead, *first[end:])
            after = phrases.parse(" ".join(words))
            if after is None or after.meaning != before.meaning or not _one_becomes(before, after, named):
                continue
            unlike = abs(end - begin - len(instead))
            if unlike < ways.get(after, len(first)):
                ways[after], texts[after] = unlike, words
    least = min(ways.values(), default=0)
    best = [after for after, unlike in ways.items() if unlike == least]
    return texts[best[0]] if len(best) == 1 else ()


def _named(words: Words, phrases: Phrases) -> set[float | str]:
    """The numbers or parts that `words` may name, with a word of the sentence beside them or without."""
    pieces = (words, words[1:], words[:-1])
    return {value for slot in phrases.slots.values() for form, value in slot.forms if form in pieces}


def _one_becomes(before: Intent, after: Intent, named: set[float | str]) -> bool:
    """Whether one thing alone that was named before is another now, one of `named`."""
    both = [(getattr(before, name), getattr(after, name)) for name in Intent.__dataclass_fields__]
    changes = [(old, new) for old, new in both if old != new]
    return len(changes) == 1 and changes[0][0] is not None and changes[0][1] in named
