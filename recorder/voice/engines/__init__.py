"""What a recogniser promises, and the table of the recognisers there are.

A recogniser turns one utterance into its best guess at a whole sentence. It does not judge the guess: whether it is
good enough to be acted on is `recorder/voice/ear.py`'s matter. Imports no vendor library.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from recorder.plugins import Kinds
from recorder.voice.language.phrases import Phrases

ENGINES = Kinds(
    "recogniser",
    "batch_recorder.recognisers",
    {
        "moonshine": "recorder.voice.engines.moonshine:Moonshine",
        "sphinx": "recorder.voice.engines.sphinx:Sphinx",
        "vosk": "recorder.voice.engines.vosk:Vosk",
    },
    ("recognise",),
)
"""Engine, as the configuration writes it -> its class: `build` calls it as `class(phrases, name, model)`."""


@dataclass(frozen=True, slots=True)
class Guess:
    """The nearest thing to what was said. Scores are on the engine's own scale; higher is surer."""

    text: str
    """The words after the station's name; "" when nothing followed it."""
    named: float | None
    """Score of the station's name; None when it was not heard, or is not listened for."""
    score: float
    """Score of the words after it."""
    other: str = ""
    """The next best sentence that means something else; "" if the engine knows none."""
    lead: float = math.inf
    """How far that one is behind."""
    weakest: float = math.inf
    """Score of the least sure of the words, where the engine scores each."""
    stray_ms: int = 0
    """Sound from the first word to the last that is none of the words, where the engine knows."""


class Recogniser(Protocol):
    """One engine with one phrase file, used by one thread."""

    engine: str
    """Its name in `ENGINES`."""

    def recognise(self, pcm: bytes) -> Guess | None:
        """The best guess at one utterance (16 kHz mono 16-bit); None when nothing fits."""
        ...


def build(engine: str, phrases: Phrases, name: str, model: Path | None) -> Recogniser:
    """The recogniser called `engine`, listening for `name` before each sentence ("" for none).

    Raises `DriverUnavailable` that says the remedy: no such engine, library or model, or a word that it cannot know.
    """
    recogniser: Recogniser = ENGINES.load(engine)(phrases, name, model)
    return recogniser
