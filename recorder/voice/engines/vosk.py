"""The other recogniser, vosk, for a station with a model of its own (`batch-recorder voice-model install`).

The one door to `vosk`. Its "grammar" is a bigram model: it joins words of different sentences, and drops words that its
model lacks without an error. So every word is looked up first, and only whole sentences count afterwards.
"""

import json
from pathlib import Path
from typing import Any

from recorder.driver import DriverUnavailable
from recorder.voice.audio.frontend import RATE
from recorder.voice.engines import Guess
from recorder.voice.language.phrases import Phrases

UNKNOWN = "[unk]"
"""Stands for any other word, in the models that have it."""

BLOCK_BYTES = 8_000
"""Sound is given to the engine in pieces of a quarter of a second."""


class Vosk:
    """vosk with the sentences of a phrase file; one per thread."""

    engine = "vosk"

    def __init__(self, phrases: Phrases, name: str, model: Path | None) -> None:
        """`model`: the unpacked model's folder. Raises `DriverUnavailable`."""
        try:
            from vosk import KaldiRecognizer, Model, SetLogLevel
        except ImportError as error:
            raise DriverUnavailable("the vosk engine needs vosk; in the clone: pip install -e '.[vosk]'") from error
        if model is None or not model.is_dir():
            remedy = "run `batch-recorder voice-model install` and set voice.model to the folder that it names"
            raise DriverUnavailable(f"the vosk engine finds no model at {model}; {remedy}")
        SetLogLevel(-1)
        try:
            loaded = Model(model_path=str(model))  # by path alone: given a name, vosk would download without a check
        except Exception as error:  # vosk raises no narrower kind
            raise DriverUnavailable(f"{model} is no vosk model; install it again") from error
        self._name = name.split()
        words = sorted(phrases.vocabulary | set(self._name))
        if lacking := [word for word in words if loaded.vosk_model_find_word(word) < 0]:
            raise DriverUnavailable(f"the model {model.name} lacks {', '.join(lacking)}; reword the phrase file")
        grammar = [f"{name} {sentence.text}".strip() for sentence in phrases.sentences()]
        if loaded.vosk_model_find_word(UNKNOWN) >= 0:
            grammar.append(UNKNOWN)
        self._recogniser: Any = KaldiRecognizer(loaded, RATE, json.dumps(grammar, ensure_ascii=False))
        self._recogniser.SetWords(True)

    def recognise(self, pcm: bytes) -> Guess | None:
        """As `Recogniser` promises."""
        words: list[dict[str, Any]] = []
        for at in range(0, len(pcm), BLOCK_BYTES):
            if self._recogniser.AcceptWaveform(pcm[at : at + BLOCK_BYTES]):
                words += json.loads(self._recogniser.Result()).get("result", [])
        words += json.loads(self._recogniser.FinalResult()).get("result", [])
        size = len(self._name)
        if not words:
            return None
        named = [word["word"] for word in words[:size]] == self._name
        said = words[size:] if named else words
        return Guess(
            text=" ".join(word["word"] for word in said),
            named=_mean(words[:size]) if named and size else None,
            score=_mean(said),
            weakest=min((word["conf"] for word in said), default=0.0),
            stray_ms=round(1000 * (words[-1]["end"] - words[0]["start"] - sum(w["end"] - w["start"] for w in words))),
        )


def _mean(words: list[dict[str, Any]]) -> float:
    return float(sum(word["conf"] for word in words) / len(words)) if words else 0.0
