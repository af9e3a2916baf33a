"""All sentences as one tree of tokens, and the search for those that a spelling model finds likeliest. Pure.

A spelling model says, token by token, how likely each next one is, having heard the sound and read what it wrote so
far. Left alone it writes anything; here it may only walk the tree. Its habits of writing are taken off by a share of
its prior, the likelihood of the same token without the sound: else a rare word such as "fryer" loses to an early end,
however clearly it is spoken (measured: DEVELOPERS.md).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from numpy import float32
from numpy.typing import NDArray

from recorder.voice.tokens import END

BEAM = 12
"""How many beginnings of sentences are followed at a time."""

HOPELESS = 12.0
"""A beginning that is so far behind a whole sentence is given up, in natural logarithms of likelihood."""

PRIOR_SHARE = 0.7
"""How much of the prior is taken off."""

CONTEXT = 2
"""The prior of a token is taken from its first appearance after the same so many tokens: the tree is large, its turns
of phrase are few."""

Likelihoods = NDArray[float32]
"""One row per beginning, one column per token: natural logarithms."""


@dataclass(slots=True)
class Node:
    """A place in the tree: what may come next."""

    next: dict[int, "Node"] = field(default_factory=dict)
    prior: Mapping[int, float] = field(default_factory=dict)
    """Token -> natural logarithm of its likelihood without the sound."""
    text: str = ""
    """The sentence that ends here, as the phrase file has it; "" at any other place."""


@dataclass(frozen=True, slots=True)
class Found:
    """One sentence and how well it fits."""

    text: str
    fit: float
    """Natural logarithm of its likelihood less a share of its prior."""
    likelihood: float
    """Natural logarithm of its likelihood alone."""
    tokens: int


class Reader(Protocol):
    """A model that has heard one sound and keeps one memory per beginning."""

    def follow(self, tokens: Sequence[int], rows: Sequence[int]) -> Likelihoods:
        """Write each of `tokens` after the beginning with the same place in `rows`, which number the beginnings of the
        call before; the likelihoods of what may come next. Beginnings not in `rows` are forgotten."""
        ...


def grow(sentences: Iterable[tuple[str, Sequence[int]]]) -> Node:
    """The tree of sentences, given as text and tokens without the closing one."""
    root = Node()
    for text, tokens in sentences:
        node = root
        for token in (*tokens, END):
            node = node.next.setdefault(token, Node())
        node.text = text
    return root


def learn_priors(root: Node, first: Likelihoods, reader: Reader) -> None:
    """Give every node its prior; `first` is the row for the root, `reader` a model that has heard nobody speak."""
    models: dict[tuple[int, ...], Node] = {}
    paths: set[tuple[int, ...]] = set()
    wanted: dict[tuple[int, ...], set[int]] = {}
    for path, node in _walk(root):
        turn = path[-CONTEXT:]
        wanted.setdefault(turn, set()).update(node.next)
        if turn not in models:
            models[turn] = node
            paths.update(path[:size] for size in range(len(path) + 1))
    priors: dict[tuple[int, ...], dict[int, float]] = {}
    level, rows = [((), root)], first
    while level:
        for (path, node), row in zip(level, rows, strict=True):
            if models[path[-CONTEXT:]] is node:
                priors[path[-CONTEXT:]] = {token: float(row[token]) for token in wanted[path[-CONTEXT:]]}
        steps = [
            (at, (*path, token), child)
            for at, (path, node) in enumerate(level)
            for token, child in node.next.items()
            if (*path, token) in paths
        ]
        if not steps:
            break
        rows = reader.follow([path[-1] for _, path, _ in steps], [at for at, _, _ in steps])
        level = [(path, child) for _, path, child in steps]
    for path, node in _walk(root):
        node.prior = priors[path[-CONTEXT:]]


def search(root: Node, first: Likelihoods, reader: Reader) -> list[Found]:
    """The sentences that fit best, the best first; `first` is the likelihoods at the root."""
    found: dict[str, Found] = {}
    beam, rows = [(root, 0.0, 0.0, 0)], first
    while beam:
        steps = [
            (fit + float(row[token]) - PRIOR_SHARE * node.prior[token], likelihood + float(row[token]), size + 1, at, token)
            for at, ((node, fit, likelihood, size), row) in enumerate(zip(beam, rows, strict=False))
            for token in node.next
        ]
        steps.sort(reverse=True)
        best = max((each.fit for each in found.values()), default=steps[0][0])
        kept = []
        for fit, likelihood, size, at, token in steps:
            if len(kept) == BEAM or fit < best - HOPELESS:
                break
            node = beam[at][0].next[token]
            if token != END:
                kept.append((node, fit, likelihood, size, at, token))
            elif node.text not in found or fit > found[node.text].fit:
                found[node.text] = Found(node.text, fit, likelihood, size)
        if not kept:
            break
        rows = reader.follow([step[5] for step in kept], [step[4] for step in kept])
        beam = [step[:4] for step in kept]
    return sorted(found.values(), key=lambda each: -each.fit)


def _walk(root: Node) -> Iterable[tuple[tuple[int, ...], Node]]:
    """Every place where something may follow, with the tokens that lead there; the shortest ways first."""
    level: list[tuple[tuple[int, ...], Node]] = [((), root)]
    while level:
        yield from level
        level = [
            ((*path, token), child) for path, node in level for token, child in node.next.items() if token != END
        ]
