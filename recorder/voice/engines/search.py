"""The search for what a spelling model finds likeliest of all that may be said. Pure.

A spelling model says, token by token, how likely each next one is, having heard the sound and read what it wrote so
far. Left alone it writes anything; here it may only walk the net. Its habits of writing are taken off by a share of
its prior, the likelihood of the same token without the sound: else a rare word such as "vat" loses to an early end,
however clearly it is spoken (measured: DEVELOPERS.md).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

from recorder.voice.engines.net import PRIOR_SHARE, Node
from recorder.voice.engines.tokens import END
from recorder.voice.language.wording import Words

BEAM = 8
"""How many beginnings are followed at a time."""

HOPELESS = 12.0
"""A beginning that is so far behind a whole one is given up, in natural logarithms of likelihood."""

CONTEXT = 2
"""The prior of a token is taken after the station's name and the last so many tokens: turns of phrase are few."""

LONGEST = 48
"""Tokens; nothing that may be said has more."""

Way = tuple[int, ...]
"""Tokens that were written one after the other."""

Place = tuple[Node, Words]
"""Where in the net, and the words that have been said."""


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that may have been said and how well it fits."""

    words: Words
    fit: float
    """Natural logarithm of its likelihood less a share of its prior."""
    goes_on: float = 0.0
    """How much likelier than its end the likeliest continuation is; 0 where the end is the likeliest."""
    strained: float = 0.0
    """How much likelier than its least likely token the likeliest in its place is."""


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


class Priors(Protocol):
    """The same model having heard a quiet room."""

    def after(self, way: Way) -> Mapping[int, float]:
        """Token -> natural logarithm of its likelihood after the name and the tokens of `way`."""
        ...


@dataclass(frozen=True, slots=True)
class _Beginning:
    places: tuple[Place, ...]
    way: Way = ()
    fit: float = 0.0
    strained: float = 0.0
    last: float = 0.0
    """What its newest token fell short by."""


def search(root: Node, start: Written, reader: Reader, priors: Priors) -> list[Found]:
    """What fits best, the best first; `start` is what `reader` makes of the root."""
    found: dict[Words, Found] = {}
    beam, written = [_Beginning(((root, ()),))], start
    while beam and len(beam[0].way) < LONGEST:
        tops = written.likelihoods.max(axis=-1)
        steps = []
        for at, (each, row) in enumerate(zip(beam, written.likelihoods, strict=True)):
            prior = priors.after(each.way[-CONTEXT:])
            shares: dict[int, float] = {}
            for node, _ in each.places:
                for token, ways in node.moves().items():
                    shares[token] = max(shares.get(token, 0.0), *(step.share for step in ways))
                if node.ends():
                    shares[END] = PRIOR_SHARE
            steps += [
                (each.fit + float(row[token]) - share * prior[token], at, token, float(tops[at] - row[token]))
                for token, share in shares.items()
            ]
        steps.sort(reverse=True)
        best = max((each.fit for each in found.values()), default=-math.inf)
        best = max(best, steps[0][0]) if steps else best
        kept: list[_Beginning] = []
        rows: list[int] = []
        for fit, at, token, short in steps:
            if len(kept) == BEAM or fit < best - HOPELESS:
                break
            before = beam[at]
            if token == END:
                _end(found, before, fit, short)
                continue
            places = _led(before.places, token)
            closing = not before.places or any(_closes(node) for node, _ in before.places)
            strained = before.strained if closing else max(before.strained, short)
            kept.append(_Beginning(places, (*before.way, token), fit, strained, short if closing else 0.0))
            rows.append(at)
        beam = kept
        if beam:
            written = reader.follow(written, rows, [each.way[-1] for each in beam])
    return sorted(found.values(), key=lambda each: -each.fit)


def _closes(node: Node) -> bool:
    return node.closed or any(_closes(each) for each in node.skips)


def _led(places: Sequence[Place], token: int) -> tuple[Place, ...]:
    led = [
        (step.to, (*said, *step.words) if step.words else said)
        for node, said in places
        for step in node.moves().get(token, ())
    ]
    return tuple(dict.fromkeys(led))


def _end(found: dict[Words, Found], before: _Beginning, fit: float, short: float) -> None:
    for node, said in before.places:
        if node.ends() and (said not in found or found[said].fit < fit):
            found[said] = Found(said, fit, before.last + short, before.strained)


def agreed(first: Sequence[Found], second: Sequence[Found]) -> list[Found]:
    """The mean of two searches, the best first; what one of them gave up fits there a little worse than its worst."""
    known = [{each.words: each for each in found} for found in (first, second)]
    worst = [min(each.fit for each in found) - 1 for found in (first, second)]

    def mean(words: Words) -> Found:
        both = [found.get(words) for found in known]
        fits = [each.fit if each else least for each, least in zip(both, worst, strict=True)]
        here = [each for each in both if each]
        return replace(
            here[0],
            fit=sum(fits) / 2,
            goes_on=min(each.goes_on for each in here),
            strained=min(each.strained for each in here),
        )

    return sorted(map(mean, known[0] | known[1]), key=lambda each: -each.fit)
