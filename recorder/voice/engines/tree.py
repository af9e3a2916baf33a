"""All sentences as one tree of tokens, and the search for those that a spelling model finds likeliest. Pure.

A spelling model says, token by token, how likely each next one is, having heard the sound and read what it wrote so
far. Left alone it writes anything; here it may only walk the tree. Its habits of writing are taken off by a share of
its prior, the likelihood of the same token without the sound: else a rare word such as "vat" loses to an early end,
however clearly it is spoken (measured: DEVELOPERS.md).
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, Protocol

from recorder.voice.engines.tokens import END

BEAM = 8
"""How many beginnings of sentences are followed at a time."""

HOPELESS = 12.0
"""A beginning that is so far behind a whole sentence is given up, in natural logarithms of likelihood."""

PRIOR_SHARE = 0.6
"""How much of the prior is taken off."""

CONTEXT = 2
"""The prior of a token is taken from where it first stands after the same so many tokens: the tree is large, its turns
of phrase are few."""

TOGETHER = 16
"""How many beginnings are read at a time while the priors are learnt; bounds the memory that it takes."""

NOTHING: dict[int, Any] = {}
"""What follows the end of a sentence: one for all, since there are many."""

Path = tuple[int, ...]
"""The tokens from the root to a place in the tree."""


@dataclass(slots=True)
class Node:
    """A place in the tree."""

    next: dict[int, "Node"] = field(default_factory=dict)
    prior: Mapping[int, float] = field(default_factory=lambda: NOTHING)
    """Token -> natural logarithm of its likelihood without the sound."""
    text: str = ""
    """The sentence that ends here, as the phrase file has it; "" at any other place."""


@dataclass(frozen=True, slots=True)
class Found:
    """One sentence and how well it fits."""

    text: str
    fit: float
    """Natural logarithm of its likelihood less a share of its prior."""


@dataclass(frozen=True, slots=True)
class Written:
    """What a model makes of some beginnings of equal length."""

    likelihoods: Any
    """Array of natural logarithms: one row per beginning, one column per token that may come next."""
    memory: Any
    """The model's own."""


class Reader(Protocol):
    """A model that has heard one sound."""

    def follow(self, before: Written, rows: Sequence[int], tokens: Sequence[int]) -> Written:
        """Write each of `tokens` after the beginning in the same place of `rows`, which number those of `before`."""
        ...


def grow(sentences: Iterable[tuple[str, Sequence[int]]]) -> Node:
    """The tree of sentences, given as text and tokens without the closing one."""
    root = Node()
    for text, tokens in sentences:
        node = root
        for token in tokens:
            further = node.next.get(token)
            if further is None:
                further = node.next[token] = Node()
            node = further
        node.next[END] = Node(NOTHING, text=text)
    return root


def learn_priors(root: Node, start: Written, reader: Reader) -> None:
    """Give every node its prior; `start` is what `reader`, which has heard nobody speak, makes of the root."""
    models: dict[Path, Path] = {}
    wanted: dict[Path, set[int]] = {}
    ways: set[Path] = set()
    for path, node in _walk(root):
        turn = path[-CONTEXT:]
        wanted.setdefault(turn, set()).update(node.next)
        if turn not in models:
            models[turn] = path
            ways.update(path[:size] for size in range(len(path) + 1))
    priors: dict[Path, dict[int, float]] = {}
    waiting: list[tuple[list[tuple[Path, Node]], Written]] = [([((), root)], start)]
    while waiting:
        places, written = waiting.pop()
        for (path, _), row in zip(places, written.likelihoods, strict=True):
            turn = path[-CONTEXT:]
            if models[turn] == path:
                priors[turn] = {token: float(row[token]) for token in wanted[turn]}
        steps = (
            (at, token, ((*path, token), child))
            for at, (path, node) in enumerate(places)
            for token, child in node.next.items()
            if (*path, token) in ways
        )
        while some := list(islice(steps, TOGETHER)):
            after = reader.follow(written, [at for at, _, _ in some], [token for _, token, _ in some])
            waiting.append(([place for _, _, place in some], after))
    for path, node in _walk(root):
        node.prior = priors[path[-CONTEXT:]]


def search(root: Node, start: Written, reader: Reader) -> list[Found]:
    """The sentences that fit best, the best first; `start` is what `reader` makes of the root."""
    fits: dict[str, float] = {}
    beam, written = [(root, 0.0)], start
    while beam:
        steps = sorted(
            (
                (fit + float(row[token]) - PRIOR_SHARE * node.prior[token], at, token)
                for at, ((node, fit), row) in enumerate(zip(beam, written.likelihoods, strict=True))
                for token in node.next
            ),
            reverse=True,
        )
        best = max(fits.values(), default=steps[0][0])
        kept: list[tuple[Node, float, int, int]] = []
        for fit, at, token in steps:
            if len(kept) == BEAM or fit < best - HOPELESS:
                break
            node = beam[at][0].next[token]
            if token == END:
                fits[node.text] = max(fit, fits.get(node.text, fit))
            else:
                kept.append((node, fit, at, token))
        beam = [(node, fit) for node, fit, _, _ in kept]
        if beam:
            written = reader.follow(written, [at for _, _, at, _ in kept], [token for *_, token in kept])
    return [Found(text, fit) for text, fit in sorted(fits.items(), key=lambda each: -each[1])]


def agreed(first: Sequence[Found], second: Sequence[Found]) -> list[Found]:
    """The mean of two searches, the best first; what one of them gave up fits there a little worse than its worst."""
    fits = [{each.text: each.fit for each in found} for found in (first, second)]
    worst = [min(known.values()) - 1 for known in fits]
    texts = fits[0] | fits[1]
    means = [
        Found(text, sum(known.get(text, least) for known, least in zip(fits, worst, strict=True)) / 2) for text in texts
    ]
    return sorted(means, key=lambda each: -each.fit)


def _walk(root: Node) -> Iterator[tuple[Path, Node]]:
    """Every place where something may follow, and the way there; the shortest ways first."""
    level: list[tuple[Path, Node]] = [((), root)]
    while level:
        yield from level
        level = [((*path, token), child) for path, node in level for token, child in node.next.items() if token != END]
