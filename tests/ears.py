"""What several tests of hearing use: recorded clips, noise, and a recogniser that follows a script."""

import random
from array import array
from importlib.resources import files
from pathlib import Path

from recorder.voice.audio.soundfile import RATE, read_wav
from recorder.voice.engines import Guess
from recorder.voice.language import phrases
from recorder.voice.settings import Judgement, Thresholds

CLIPS = Path(__file__).parent.parent / "recorder/share/voices"


KNOWN = phrases.load(files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8"))


class Scripted:
    """A recogniser that gives what it is told to."""

    engine = "sphinx"

    def __init__(self, guess: Guess | None) -> None:
        self.guess = guess

    def recognise(self, pcm: bytes) -> Guess | None:
        return self.guess


def hiss(seconds: float, level: int = 60) -> bytes:
    dice = random.Random(7)
    return array("h", (round(dice.gauss(0, level)) for _ in range(int(seconds * RATE)))).tobytes()


def nameless(name: str) -> bytes:
    """The second half of a clip: the command alone."""
    pcm = read_wav(CLIPS / name)
    return hiss(0.5, 20) + pcm[len(pcm) * 55 // 100 // 2 * 2 :]


LEAST = Judgement(
    plain=Thresholds(named=-2.0, score=-2.0, lead=1.0, weakest=-3.0, stray_ms=300, word_ms=2_000),
    numbered=Thresholds(named=-1.5, score=-1.5, lead=1.0, weakest=-2.0, stray_ms=300, word_ms=2_000),
    rival_lead=2.0,
)
