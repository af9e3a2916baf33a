"""How the station listens, as the configuration's [voice] table says it. Opens no file and loads no engine."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

from recorder.misfits import MisfitError, Wrong, choice, refuse
from recorder.tables import build
from recorder.voice.audio.frontend import FrontEndSettings
from recorder.voice.audio.sources import FOLDER
from recorder.voice.engines import ENGINES
from recorder.voice.footswitch import TERMINAL
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError, split_words

LISTENING = ("name", "open", "switch")
"""The ways to listen."""


def _score(value: Any) -> float:
    """A number on an engine's scale; -inf is the least."""
    if type(value) not in (int, float) or math.isnan(value):
        raise MisfitError(f"is {value!r}; write a number")
    return float(value)


Score = Annotated[float, _score]


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What a guess must reach; scores are the least, on the engine's own scale."""

    named: Score
    """For the station's name."""
    score: Score
    """For the sentence after it."""
    lead: Score = 0.0
    """For its lead over the next best that means something else."""
    weakest: Score = -math.inf
    """For its least sure word."""
    stray_ms: int = 600
    """The most sound from the first word to the last that is none of the words."""
    word_ms: int = 800
    """The most sound for each word, the name's words counted."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """Two measures, since numbers sound alike."""

    plain: Thresholds
    """For sentences without a number."""
    numbered: Thresholds
    """For sentences with one; a name with this score makes a refused utterance a near miss."""
    rival_lead: float = 0.0
    """With less lead than this the next best sentence goes along: it is taken where only that one makes sense."""


def _alike(measure: Thresholds, rival_lead: float) -> Judgement:
    return Judgement(measure, measure, rival_lead)


SHIPPED = {
    "moonshine": _alike(Thresholds(named=-20.0, score=0.0, lead=1.5), rival_lead=4.0),
    "sphinx": Judgement(
        plain=Thresholds(named=-3.2, score=-3.8, weakest=-7.0, stray_ms=400),
        numbered=Thresholds(named=-2.8, score=-2.8, weakest=-6.0, stray_ms=400),
    ),
    "vosk": Judgement(
        plain=Thresholds(named=0.8, score=0.9, weakest=0.7),
        numbered=Thresholds(named=0.8, score=0.95, weakest=0.9),
    ),
}
"""Per engine, after the station's name. For moonshine and sphinx chosen on the tuning half
of tests/bench/hearing.py; for vosk set by judgement, not measured: there was no English model here to measure with."""

SHIPPED_OPEN = SHIPPED | {"moonshine": _alike(Thresholds(named=0.0, score=3.0, lead=1.5), rival_lead=4.0)}
"""The same for open listening, where no name separates commands from talk."""

SHIPPED_SWITCH = SHIPPED | {"moonshine": _alike(Thresholds(named=0.0, score=-2.0, lead=1.5), rival_lead=4.0)}
"""The same while the switch is held: what is said then is meant for the station."""


@dataclass(frozen=True, slots=True)
class VoiceSettings:
    """How the station listens."""

    engine: str = "moonshine"
    """One of `engines.ENGINES`."""
    listening: str = "name"
    """ "name": a command follows the station's name in one breath; "open": any sentence is a command; "switch": a
    sentence is a command while the foot switch is held."""
    switch: Path | None = None
    """The foot switch's input device, for "switch"; `footswitch.TERMINAL` for a key at the terminal."""
    switch_key: int | None = None
    """The key code that the foot switch sends; None for any."""
    name: str | None = None
    """The station's name as it is spoken; None for the phrase file's own."""
    device: str = "default"
    """ALSA's name of the microphone."""
    model: Path | None = None
    """Folder of the engine's model; None for the one that the engine's package brings."""
    thresholds: Judgement | None = None
    """None for the engine's shipped ones."""
    front_end: FrontEndSettings = field(default_factory=FrontEndSettings)

    def judgement(self) -> Judgement:
        """The thresholds in force."""
        shipped = {"name": SHIPPED, "open": SHIPPED_OPEN, "switch": SHIPPED_SWITCH}[self.listening]
        return self.thresholds or shipped[self.engine]

    def at(self, folder: Path) -> "VoiceSettings":
        """These, with a folder of WAV files as it stands in `folder`."""
        if not self.device.startswith(FOLDER):
            return self
        return replace(self, device=f"{FOLDER}{folder / self.device.removeprefix(FOLDER)}")

    def spoken_name(self, phrases: Phrases) -> str:
        """The name to listen for; "" when none is needed."""
        return (self.name or phrases.name) if self.listening == "name" else ""


def from_dict(table: Mapping[str, Any]) -> VoiceSettings:
    """The settings in a [voice] table, with the fields of `VoiceSettings`. Raises `ValueError`, which names the key."""
    settings = build(VoiceSettings, table)
    refuse(_wrong(settings))
    return settings


def _wrong(settings: VoiceSettings) -> Iterator[Wrong]:
    pedal = "write the foot switch's path, such as /dev/input/by-id/...-event-kbd"
    if settings.switch and settings.switch != TERMINAL and not settings.switch.is_absolute():
        yield "switch", f"is {str(settings.switch)!r}; write terminal, or a path such as /dev/input/by-id/...-event-kbd"
    if settings.engine not in ENGINES:
        yield "engine", choice(settings.engine, ENGINES)
    elif settings.engine not in SHIPPED and settings.thresholds is None:
        yield (
            "thresholds",
            f"is missing, and only its maker knows what the scores of {settings.engine!r} mean; write"
            " [voice.thresholds.plain] and [voice.thresholds.numbered] with named and score",
        )
    if settings.listening not in LISTENING:
        yield "listening", f'is {settings.listening!r}; write "name", "open" or "switch"'
    if settings.listening == "switch" and settings.switch is None:
        yield "switch", f"is missing; {pedal}"
    if settings.switch_key is not None and settings.switch_key < 1:
        yield "switch_key", f"is {settings.switch_key!r}; write the number of a key code, or leave it out"
    if settings.name is not None:
        try:
            split_words(settings.name, f"is {settings.name!r}")
        except PhraseError as error:
            yield "name", str(error)
    if not 0 <= settings.front_end.noise_suppression <= 4:
        yield "front_end.noise_suppression", f"is {settings.front_end.noise_suppression}; write 0 to 4"
