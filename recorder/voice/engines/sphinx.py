"""The small recogniser, pocketsphinx: works after `pip install`, with the model that its package brings.

The one door to `pocketsphinx`. Its grammar takes almost any speech for one of its sentences, and the probability it
gives is no help; what separates them is the acoustic score of each word, divided by the word's length.
"""

import math
import random
from array import array
from itertools import count, cycle, takewhile
from operator import add
from pathlib import Path
from typing import Any

from recorder.driver import DriverUnavailable
from recorder.voice.engines import Guess
from recorder.voice.engines.grammar import jsgf
from recorder.voice.language.phrases import Phrases

NO_LATTICE_SCALE = 1024
"""pocketsphinx gives scores 1/1024 as large when its lattice search is off, as it is here."""

WORST = -100.0
"""Score of a word so bad that the engine's own number for it has run down to zero."""

FLOOR_RMS = 20.0
"""Level of the noise that is put under each utterance, of 32768."""

_DICE = random.Random(1)
_FLOOR = [round(_DICE.gauss(0.0, FLOOR_RMS)) for _ in range(8_192)]

FRAME_MS = 10
"""The engine counts time in frames of this length."""


class Sphinx:
    """pocketsphinx with the grammar of a phrase file."""

    engine = "sphinx"

    def __init__(self, phrases: Phrases, name: str, model: Path | None = None) -> None:
        """`model`: an acoustic model's folder instead of the package's own. Raises `DriverUnavailable`."""
        try:
            from pocketsphinx import Config, Decoder  # type: ignore[import-untyped]
        except ImportError as error:
            raise DriverUnavailable("the sphinx engine needs pocketsphinx; pip install pocketsphinx") from error
        options: dict[str, Any] = {"lm": None, "loglevel": "FATAL", "bestpath": False}
        if model is not None:
            options["hmm"] = str(model)
        self._name = name.split()
        self._decoder: Any = Decoder(Config(**options))
        for word, sounds in phrases.sounds.items():
            self._learn(word, sounds)
        words = sorted(phrases.vocabulary | set(self._name))
        if unknown := [word for word in words if self._decoder.lookup_word(word) is None]:
            raise DriverUnavailable(
                f"the engine's dictionary lacks {', '.join(unknown)}; give each a line in [sounds] of the phrase file"
            )
        self._decoder.add_jsgf_string("commands", jsgf(phrases, name))
        self._decoder.activate_search("commands")

    def _learn(self, word: str, sounds: tuple[str, ...]) -> None:
        """Add ways to say `word` to those that the dictionary has."""
        for sound in sounds:
            names = (word if number == 1 else f"{word}({number})" for number in count(1))
            free = next(name for name in names if self._decoder.lookup_word(name) is None)
            try:
                self._decoder.add_word(free, sound, False)
            except RuntimeError as error:
                raise DriverUnavailable(f"[sounds] {word}: {sound!r} is not in the engine's symbols") from error

    def pronounce(self, word: str) -> list[str]:
        """Ways to say `word`, each as ARPABET symbols with spaces between them; [] if the dictionary lacks it."""
        names = (word if number == 1 else f"{word}({number})" for number in count(1))
        return list(takewhile(bool, map(self._decoder.lookup_word, names)))

    def recognise(self, pcm: bytes) -> Guess | None:
        """As `Recogniser` promises."""
        if not pcm:
            return None
        self._decoder.start_utt()
        self._decoder.process_raw(_with_floor(pcm), False, True)
        self._decoder.end_utt()
        if not self._decoder.hyp():
            return None
        segments = [segment for segment in self._decoder.seg() if segment.word[0] not in "<[(+"]
        words = [
            (segment.word.partition("(")[0], _log(segment.ascore), segment.end_frame - segment.start_frame + 1)
            for segment in segments
        ]
        if not words:
            return None
        frames = segments[-1].end_frame - segments[0].start_frame + 1
        size = len(self._name)
        if [word for word, _, _ in words[:size]] != self._name:
            return None
        said = words[size:]
        return Guess(
            text=" ".join(word for word, _, _ in said),
            named=_mean(words[:size]) if size else None,
            score=_mean(said),
            weakest=min((score / length for _, score, length in said), default=WORST),
            stray_ms=FRAME_MS * (frames - sum(length for _, _, length in words)),
        )


def _with_floor(pcm: bytes) -> bytes:
    """`pcm` with a little noise under it: silence after noise suppression is so deep that it spoils the engine's
    normalisation (measured: 46 % right without, 77 % with, on clean synthetic clips of the tuning half)."""
    sound = array("h", pcm)
    if min(sound) < -32_000 or max(sound) > 32_000:
        return pcm
    return array("h", map(add, sound, cycle(_FLOOR))).tobytes()


def _log(ascore: float) -> float:
    return math.log(ascore) * NO_LATTICE_SCALE if ascore > 0 else -math.inf


def _mean(words: list[tuple[str, float, int]]) -> float:
    """Score per frame."""
    frames = sum(frames for _, _, frames in words)
    return max(WORST, sum(score for _, score, _ in words) / frames) if frames else WORST
