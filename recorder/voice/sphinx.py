"""The default recogniser, pocketsphinx: works after `pip install`, with the model that its package brings.

The one door to `pocketsphinx`. Its grammar takes almost any speech for one of its sentences, and the probability it
gives is no help; what tells them apart is the acoustic score of each word, divided by the word's length.
"""

import math
from pathlib import Path
from typing import Any

from recorder.driver import DriverUnavailable
from recorder.voice.engines import Guess
from recorder.voice.grammar import jsgf
from recorder.voice.phrases import Phrases

NO_LATTICE_SCALE = 1024
"""pocketsphinx gives scores 1/1024 as large when its lattice search is off, as it is here."""

WORST = -100.0
"""Score of a word so bad that the engine's own number for it has run down to zero."""


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
        for word, sound in phrases.sounds.items():
            try:
                self._decoder.add_word(word, sound, False)
            except RuntimeError as error:
                raise DriverUnavailable(f"the sound of {word!r}, {sound!r}, is not in the engine's symbols") from error
        words = sorted(phrases.vocabulary | set(self._name))
        if unknown := [word for word in words if self._decoder.lookup_word(word) is None]:
            raise DriverUnavailable(
                f"the engine's dictionary lacks {', '.join(unknown)}; give each a line in [sounds] of the phrase file"
            )
        self._decoder.add_jsgf_string("commands", jsgf(phrases, name))
        self._decoder.activate_search("commands")

    def recognise(self, pcm: bytes) -> Guess | None:
        self._decoder.start_utt()
        self._decoder.process_raw(pcm, False, True)
        self._decoder.end_utt()
        if not self._decoder.hyp():
            return None
        words = [
            (segment.word.partition("(")[0], _log(segment.ascore), segment.end_frame - segment.start_frame + 1)
            for segment in self._decoder.seg()
            if segment.word[0] not in "<[(+"
        ]
        size = len(self._name)
        if [word for word, _, _ in words[:size]] != self._name:
            return None
        said = words[size:]
        return Guess(
            text=" ".join(word for word, _, _ in said),
            named=_mean(words[:size]) if size else None,
            score=_mean(said),
            weakest=min((score / frames for _, score, frames in said), default=WORST),
        )


def _log(ascore: float) -> float:
    return math.log(ascore) * NO_LATTICE_SCALE if ascore > 0 else -math.inf


def _mean(words: list[tuple[str, float, int]]) -> float:
    """Score per frame of 10 ms."""
    frames = sum(frames for _, _, frames in words)
    return max(WORST, sum(score for _, score, _ in words) / frames) if frames else WORST
