"""Thresholds for one site, from what its noise scored and what a cook's own commands scored. Pure.

Thresholds move only as far as the site allows: up and away from noise that comes near, down to commands that would be
refused, never closer to the noise than a step, and never far below the shipped ones, which were chosen on more speech
than one cook says in a minute.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from recorder.core.events import Intent
from recorder.voice.ear import numbered
from recorder.voice.engines import Guess
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import Judgement, Thresholds

STEPS = {"moonshine": 3.0, "sphinx": 0.3, "vosk": 0.05}
"""How far apart two takes of one command may score, by engine: judged from the spread on the bench's tuning half."""

MOST_STEPS = 2
"""A threshold is lowered by so many steps at most."""


@dataclass(frozen=True, slots=True)
class Take:
    """One command that a cook was asked to say."""

    meant: Intent
    guess: Guess | None
    """None when nothing was heard."""


def tuned(shipped: Judgement, engine: str, noise: Sequence[Guess], takes: Sequence[Take], known: Phrases) -> Judgement:
    """The thresholds that fit this site, for sentences without a number and with one."""
    step = STEPS[engine]

    def measure(old: Thresholds, mine: Sequence[Take]) -> Thresholds:
        right = [take.guess for take in mine if take.guess and known.parse(take.guess.text) == take.meant]
        by_name = any(guess.named is not None for guess in right) or any(guess.named is not None for guess in noise)
        if by_name:
            named = _moved(old.named, step, _names(noise), _names(right))
            return replace(old, named=named, score=_moved(old.score, step, [], [guess.score for guess in right]))
        scores = [guess.score for guess in noise]
        return replace(old, score=_moved(old.score, step, scores, [guess.score for guess in right]))

    return replace(
        shipped,
        plain=measure(shipped.plain, [take for take in takes if not numbered(take.meant)]),
        numbered=measure(shipped.numbered, [take for take in takes if numbered(take.meant)]),
    )


def accepted(judgement: Judgement, guess: Guess | None, known: Phrases) -> Intent | None:
    """What `guess` is taken for by its scores; None when it is refused."""
    meant = known.parse(guess.text) if guess else None
    if guess is None or meant is None:
        return None
    least = judgement.numbered if numbered(meant) else judgement.plain
    named = guess.named is None or guess.named >= least.named
    return meant if named and guess.score >= least.score and guess.lead >= least.lead else None


def _names(guesses: Sequence[Guess]) -> list[float]:
    return [guess.named for guess in guesses if guess.named is not None]


def _moved(shipped: float, step: float, noise: Sequence[float], right: Sequence[float]) -> float:
    """`shipped`, lowered to a step under the worst command; then raised to a step over the nearest noise."""
    lowered = max(min([shipped, *(value - step for value in right)]), shipped - MOST_STEPS * step)
    return max([lowered, *(value + step for value in noise)])
