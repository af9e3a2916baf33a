"""A phrase file as a grammar in JSGF, the JSpeech Grammar Format (W3C note of 5 June 2000).

Pure; whether a word is in an engine's dictionary is not known here.
"""

from collections.abc import Iterable
from itertools import groupby

from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import Item, Template, Words


def jsgf(phrases: Phrases, name: str) -> str:
    """A grammar that holds the sentences of `phrases` and no other, each after `name`; with name "" bare."""
    lines = ["#JSGF V1.0;", "grammar commands;"]
    spoken = [slot for slot in phrases.slots.values() if slot.forms]
    lines += [f"<{slot.name}> = {_tree(words for words, _ in slot.forms)};" for slot in spoken]
    commands = " | ".join(_template(template) for template in phrases.templates)
    lines.append(f"<command> = {commands};")
    lines.append(f"public <sentence> = {name} <command>;")
    return "\n".join(lines) + "\n"


def _template(template: Template) -> str:
    return " ".join(
        f"[{' '.join(map(_item, items))}]" if bracket else " ".join(map(_item, items))
        for bracket, items in ((key, list(group)) for key, group in groupby(template.items, lambda item: item.optional))
    )


def _item(item: Item) -> str:
    return f"<{item.text}>" if item.slot else item.text


def _tree(forms: Iterable[Words]) -> str:
    """The alternatives with what they begin with in common said once, which keeps the search small."""
    branches = []
    for first, group in groupby(sorted(forms), key=lambda words: words[0]):
        rests = [words[1:] for words in group]
        tails = [rest for rest in rests if rest]
        if not tails:
            branches.append(first)
        else:
            tail = _tree(tails)
            branches.append(f"{first} [{tail}]" if () in rests else f"{first} ({tail})")
    return " | ".join(branches)
