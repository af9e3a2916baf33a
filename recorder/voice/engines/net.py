"""All that may be said after the station's name, as a net of tokens. Pure.

A template of the phrase file is a way through the net, and what its slots hold hangs on it once, however many sentences
that makes. Before and after a sentence stand the words that the phrase file has for that; after its words of correction
another sentence may follow, a part of one, or nothing. A way may also end at any word: then the sentence is not whole.
Nothing is written out, so the net is small and made at once.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain, groupby
from typing import NamedTuple

from recorder.voice.engines.tokens import Tokens
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import Item, Template, Words
from recorder.voice.language.written import forms, numbers, spelled_out

TAKEN_BACK = "<no>"
"""Stands between what was said first and what is said in its place; no word that can be spoken."""

BESIDE = "<beside>"
"""Stands for a word that was said beside a sentence."""

PRIOR_SHARE = 0.6
"""How much of the prior is taken off the words of the card."""

FURTHER_SHARE = 0.3
"""The same for what the card does not have and that names nothing: rare words would win by how rare they are."""

BESIDE_SHARE = 0.0
"""The same for words beside a sentence and in place of one: else the search would go round in them."""

COMMA, STOP = ",", "."


@dataclass(slots=True, eq=False)
class Node:
    """A place in the net."""

    next: dict[int, list["Step"]] = field(default_factory=dict)
    """Token -> where it may lead."""
    skips: list["Node"] = field(default_factory=list)
    """Places that are as good as this one."""
    may_end: bool = False
    """Whether what is said may end here, be it a whole sentence or not."""
    closed: bool = False
    """Whether a whole sentence ends here."""
    inner: bool = False
    """Whether it is within a word or a number."""
    _moves: dict[int, list["Step"]] | None = None

    def moves(self) -> dict[int, list["Step"]]:
        """As `next`, of this place and all that are as good."""
        if self._moves is None:
            merged: dict[int, list[Step]] = {}
            for node in self._same():
                for token, ways in node.next.items():
                    merged.setdefault(token, []).extend(ways)
            self._moves = merged
        return self._moves

    def ends(self) -> bool:
        """Whether what is said may end here."""
        return any(node.may_end for node in self._same())

    def _same(self) -> Iterator["Node"]:
        seen: list[Node] = [self]
        for node in seen:
            yield node
            seen += [each for each in node.skips if not any(each is known for known in seen)]


class Step(NamedTuple):
    """What one token does."""

    to: Node
    words: Words = ()
    """What has then been said."""
    share: float = PRIOR_SHARE
    """How much of its prior is taken off."""


Encode = Callable[[str], tuple[int, ...]]


def join(start: Node, end: Node, written: str, words: Words, encode: Encode, share: float) -> None:
    """A way from `start` to `end` that is `written` so and says `words`."""
    *first, last = encode(written)
    node = start
    for token in first:
        steps = node.next.setdefault(token, [])
        step = next((each for each in steps if each.to.inner and each.share == share), None)
        if step is None:
            step = Step(Node(inner=True), (), share)
            steps.append(step)
        node = step.to
    node.next.setdefault(last, []).append(Step(end, words, share))


class _Builder:
    def __init__(self, phrases: Phrases, tokens: Tokens) -> None:
        self._phrases = phrases
        self._encode = tokens.encode
        self._numbers = numbers(phrases)
        self._apart = spelled_out(phrases)
        self._marks = {mark: tokens.encode(f"a{mark}")[-1] for mark in (COMMA, STOP)}

    def net(self, name: str) -> Node:
        around = self._phrases.around
        small, end, again = Node(may_end=True), Node(may_end=True, closed=True), Node(may_end=True)
        small.skips += self._commands(end, large=False)
        root = small
        if name:
            self._loose(small, small, tuple(name.split()), BESIDE)
        else:  # a sentence begins with a large letter
            root = Node(may_end=True, skips=[*self._commands(end, large=True)])
        for words in around.before:
            for place in (root, small):
                self._loose(place, small, words, BESIDE)
        stopped = Node(may_end=True)
        end.next[self._marks[STOP]] = [Step(stopped)]
        paused = Node()
        end.next[self._marks[COMMA]] = [Step(paused, share=BESIDE_SHARE)]
        for words in around.after:
            for place in (end, paused, stopped):
                self._loose(place, end, words, BESIDE)
        for words in around.instead:
            for place in (end, paused, stopped):
                self._loose(place, again, words, TAKEN_BACK)
        again.next[self._marks[STOP]] = [Step(again, share=BESIDE_SHARE)]
        last = Node(may_end=True, closed=True)
        last.next[self._marks[STOP]] = [Step(Node(may_end=True))]
        again.skips += [*self._commands(last, large=False, share=BESIDE_SHARE), *self._fragments(last)]
        return root

    def _loose(self, start: Node, end: Node, words: Words, mark: str) -> None:
        """Words that are written small or large, with a comma after them or without; they say `mark`."""
        text, said = " ".join(words), (mark,) * (len(words) if mark == BESIDE else 1)
        for form in dict.fromkeys((text, text.capitalize())):
            join(start, end, form, said, self._encode, BESIDE_SHARE)
            join(start, end, form + COMMA, said, self._encode, BESIDE_SHARE)

    def _commands(self, end: Node, large: bool, share: float | None = None) -> Iterator[Node]:
        shares = [(each, PRIOR_SHARE) for each in self._phrases.templates]
        shares += [(each, PRIOR_SHARE if _names(each) else FURTHER_SHARE) for each in self._phrases.further]
        for template, its in shares:
            node = start = Node()
            for bracket, group in groupby(template.items, lambda item: item.optional):
                after = self._through(node, group, large and node is start, its if share is None else share)
                if bracket:
                    node.skips.append(after)
                node = after
            node.skips.append(end)
            yield start

    def _through(self, start: Node, items: Iterable[Item], large: bool = False, share: float = PRIOR_SHARE) -> Node:
        """The place after `items`; the first is written with a large letter if `large`."""
        node = start
        for item in items:
            after = Node(may_end=True)
            for written, words in self._written(item):
                join(node, after, written.capitalize() if large else written, words, self._encode, share)
            node, large = after, False
        return node

    def _written(self, item: Item) -> Iterator[tuple[str, Words]]:
        if not item.slot:
            yield item.text, (item.text,)
            return
        for words, value in self._phrases.slots[item.text].forms:
            digits = not (item.text == "count" and value in self._apart)
            for form in forms(" ".join(words), self._numbers, digits):
                yield form, words

    def _fragments(self, end: Node) -> Iterator[Node]:
        """What may be said in place of a part of a sentence: each slot, alone and with the words beside it."""
        seen: set[tuple[Item, ...]] = set()
        for template in (*self._phrases.templates, *self._phrases.further):
            items = tuple(Item(item.text, item.slot) for item in template.items)
            for at, item in enumerate(items):
                if not item.slot:
                    continue
                before, after = items[max(0, at - 1) : at], items[at + 1 : at + 2]
                for fragment in ((item,), (*before, item), (item, *after)):
                    if fragment in seen or sum(each.slot for each in fragment) > 1:
                        continue
                    seen.add(fragment)
                    start = Node()
                    self._through(start, fragment, share=BESIDE_SHARE).skips.append(end)
                    yield start


def _names(template: Template) -> bool:
    """Whether a sentence of it cannot be without a number or a part, which must not be lost."""
    return any(item.slot and not item.optional for item in template.items)


def build(phrases: Phrases, tokens: Tokens, name: str) -> Node:
    """The net of `phrases`; `name` is the station's name as it may be said once more, "" where none is said.

    Raises `ValueError` for a letter that no token has.
    """
    return _Builder(phrases, tokens).net(name)


def following(root: Node) -> dict[int, frozenset[int]]:
    """Each token, and those that may come after it; 0 for what may come first."""
    found: dict[int, set[int]] = {0: set(root.moves())}
    for node in _nodes(root):
        for token, steps in node.next.items():
            found.setdefault(token, set()).update(*(step.to.moves() for step in steps))
    return {token: frozenset(after) for token, after in found.items()}


def turns(root: Node) -> Iterator[tuple[int, ...]]:
    """The two tokens before every place in the net, as the prior of what follows is taken."""
    seen: set[tuple[int, ...]] = set()
    begun = ((token,) for token in root.moves())
    on = (
        (first, second)
        for node in _nodes(root)
        for first, steps in node.next.items()
        for step in steps
        for second in step.to.moves()
    )
    for way in chain(begun, on):
        if way not in seen:
            seen.add(way)
            yield way


def _nodes(root: Node) -> list[Node]:
    """Every place in the net."""
    found = {id(root): root}
    waiting = [root]
    while waiting:
        node = waiting.pop()
        for other in [step.to for steps in node.next.values() for step in steps] + node.skips:
            if id(other) not in found:
                found[id(other)] = other
                waiting.append(other)
    return list(found.values())
