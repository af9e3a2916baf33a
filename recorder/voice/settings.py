"""How the station listens, as the configuration's [voice] table says it. Opens no file and loads no engine."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from recorder.voice.audio.frontend import FrontEndSettings
from recorder.voice.engines import ENGINES
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError, split_words

LISTENING = ("name", "open", "switch")
"""The ways to listen."""


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What a guess must reach; scores are the least, on the engine's own scale."""

    named: float
    """For the station's name."""
    score: float
    """For the sentence after it."""
    lead: float = 0.0
    """For its lead over the next best that means something else."""
    weakest: float = -math.inf
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
    """The foot switch's input device, for "switch"."""
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

    def spoken_name(self, phrases: Phrases) -> str:
        """The name to listen for; "" when none is needed."""
        return (self.name or phrases.name) if self.listening == "name" else ""


def from_dict(table: Mapping[str, Any]) -> VoiceSettings:
    """The settings in a [voice] table; raises `ValueError` that names the key and the remedy.

    Keys: engine, listening, switch, switch_key, name, device, model; the tables [voice.thresholds.plain] and
    [voice.thresholds.numbered] with the fields of `Thresholds`; and [voice.front_end] with those of `FrontEndSettings`.
    """
    values = dict(table)
    for key in ("engine", "listening", "name", "device", "model"):
        if key in values and not isinstance(values[key], str):
            raise ValueError(f"voice.{key} is {values[key]!r}; write it as text in quotes")
    if "front_end" in values:
        values["front_end"] = _build(FrontEndSettings, values["front_end"], "voice.front_end")
    if "thresholds" in values:
        measures = values["thresholds"]
        if isinstance(measures, Mapping):
            measures = dict(measures) | {
                key: _build(Thresholds, measures[key], f"voice.thresholds.{key}")
                for key in ("plain", "numbered")
                if key in measures
            }
        values["thresholds"] = _build(Judgement, measures, "voice.thresholds")
    if values.get("model") is not None:
        values["model"] = Path(values["model"])
    if "switch" in values:
        if not isinstance(values["switch"], str) or not values["switch"].startswith("/"):
            raise ValueError(
                f"voice.switch is {values['switch']!r}; write a path such as /dev/input/by-id/...-event-kbd"
            )
        values["switch"] = Path(values["switch"])
    settings = _build(VoiceSettings, values, "voice")
    assert isinstance(settings, VoiceSettings)
    if settings.engine not in ENGINES:
        raise ValueError(f"voice.engine is {settings.engine!r}; write one of {ENGINES.listed()}")
    if settings.engine not in SHIPPED and settings.thresholds is None:
        raise ValueError(
            f"voice.thresholds is missing, and only its maker knows what the scores of {settings.engine!r} mean; write"
            " [voice.thresholds.plain] and [voice.thresholds.numbered] with named and score"
        )
    if settings.listening not in LISTENING:
        raise ValueError(f'voice.listening is {settings.listening!r}; write "name", "open" or "switch"')
    if settings.listening == "switch" and settings.switch is None:
        raise ValueError(
            "voice.switch is missing; write the foot switch's path, such as /dev/input/by-id/...-event-kbd"
        )
    if settings.switch_key is not None and (type(settings.switch_key) is not int or settings.switch_key < 1):
        raise ValueError(
            f"voice.switch_key is {settings.switch_key!r}; write the number of a key code, or leave it out"
        )
    if settings.name is not None:
        try:
            split_words(settings.name, "voice.name")
        except PhraseError as error:
            raise ValueError(str(error)) from error
    if not 0 <= settings.front_end.noise_suppression <= 4:
        raise ValueError("voice.front_end.noise_suppression must be 0 to 4")
    return settings


def _build(known: type, values: Any, where: str) -> Any:
    kinds = {each.name: each.type for each in fields(known)}
    if not isinstance(values, Mapping):
        raise ValueError(f"{where} must be a table; write [{where}] and its lines under it")
    if unknown := values.keys() - kinds.keys():
        raise ValueError(f"{where} does not know {', '.join(sorted(unknown))}; there are {', '.join(kinds)}")
    for key, value in values.items() if known in (FrontEndSettings, Thresholds) else ():
        if type(value) not in (int, float) or math.isnan(value):
            raise ValueError(f"{where}.{key} is {value!r}; write a number")
        if kinds[key] is int and type(value) is not int:
            raise ValueError(f"{where}.{key} is {value!r}; write a whole number")
    try:
        return known(**values)
    except TypeError as error:
        raise ValueError(f"{where} needs all of {', '.join(kinds)}") from error
