"""What a recogniser promises, and the table of the recognisers there are.

A recogniser turns one utterance into its best guess at a whole sentence. It does not judge the guess: whether it is
good enough to be acted on is `recorder/voice/ear.py`'s matter. Imports no vendor library.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, runtime_checkable

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
    """The words after the station's name, be they a whole sentence or not; "" when nothing followed it."""
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
    goes_on: float = 0.0
    """How much likelier it is that speech goes on after the words than that it ends, where the engine knows."""
    strained: float = 0.0
    """How much likelier another word is in place of the least likely of these, where the engine knows."""
    beside: int = 0
    """How many words were said beside the sentence, such as "please"."""
    taken_back: bool = False
    """Whether the speaker took it back, and said nothing in its place that makes a sentence."""


class Recogniser(Protocol):
    """One engine with one phrase file, used by one thread."""

    engine: str
    """Its name in `ENGINES`."""

    def recognise(self, pcm: bytes) -> Guess | None:
        """The best guess at one utterance (16 kHz mono 16-bit); None when nothing fits."""
        ...


@runtime_checkable
class Spotter(Protocol):
    """A recogniser that can look for the station's name alone, at little cost."""

    def spot(self, pcm: bytes) -> float:
        """Score of the name at the beginning of the sound, as `Guess.named`."""
        ...


@runtime_checkable
class Learner(Protocol):
    """A recogniser that is quicker once it has learnt, and can do so while nobody speaks."""

    def rest(self) -> bool:
        """Learn for some milliseconds; False when all is learnt."""
        ...


def build(engine: str, phrases: Phrases, name: str, model: Path | None) -> Recogniser:
    """The recogniser called `engine`, listening for `name` before each sentence ("" for none).

    Raises `DriverUnavailable` that says the remedy: no such engine, library or model, or a word that it cannot know.
    """
    recogniser: Recogniser = ENGINES.load(engine)(phrases, name, model)
    return recogniser
