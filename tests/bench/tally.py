"""What was heard of each clip, counted: right, rejected, wrong, false accepts per hour, time to the decision, curves.

Knows no noise and no file. An outcome keeps whatever the engine's guess holds, so that it survives a change of `Guess`.
"""

import math
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from recorder.core.events import Intent
from recorder.voice.ear import Ear, Hearing, numbered
from recorder.voice.engines import Guess, Recogniser
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import VoiceSettings
from tests.bench import scene, sounds
from tests.bench.scene import Placed, Stream

BLOCK_BYTES = 640
"""Sound is given to the ear in pieces of 20 ms, as the station asks its microphone for."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One utterance, or one clip of which nothing was heard."""

    kind: str
    """What it was said in: a signal to noise ratio, or the name of a trial without commands."""
    bed: str
    clip: Placed | None
    """The clip that the utterance lies on; None if it lies on none."""
    hearing: Hearing
    guess: Mapping[str, Any]
    """The fields of the engine's guess, and "score" as the ear gave it; {} if there was no guess."""
    late_ms: float | None
    """From the clip's last sound to the decision; None without a clip or without an utterance."""


class Keeping:
    """A recogniser that keeps its last guess."""

    def __init__(self, recogniser: Recogniser) -> None:
        self._recogniser = recogniser
        self.guess: Guess | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._recogniser, name)

    def recognise(self, pcm: bytes) -> Guess | None:
        self.guess = self._recogniser.recognise(pcm)
        return self.guess


class Listener:
    """The station's ear, with a stop-watch."""

    def __init__(self, recogniser: Recogniser, phrases: Phrases, settings: VoiceSettings) -> None:
        self._keeping = Keeping(recogniser)
        self._ear = Ear(self._keeping, phrases, settings)
        self.cpu_s = self.audio_s = 0.0
        """Spent on hearing, and heard, so far."""

    def hear(self, stream: Stream, kind: str, by_switch: bool = False) -> list[Outcome]:
        """Each utterance of the stream, and each clip that none lies on as a refusal.

        A decision comes when the block that brought it has been worked on: at the block's end in the stream, and later
        by the processor time since it was handed over. On an idle machine that is the time that a cook waits; what
        else runs on this one does not count.
        """
        pcm = sounds.to_pcm(stream.sound)
        length_ms = len(pcm) / 32
        handed_ms, handed_s = 0.0, time.process_time()

        def blocks() -> Iterator[tuple[bytes, bool]]:
            nonlocal handed_ms, handed_s
            for at in range(0, len(pcm), BLOCK_BYTES):
                handed_ms, handed_s = min((at + BLOCK_BYTES) / 32, length_ms), time.process_time()
                yield pcm[at : at + BLOCK_BYTES], not by_switch or scene.held(stream, at / 32)
            handed_s = time.process_time()

        result, left = [], list(stream.clips)
        begin_s = time.process_time()
        self._keeping.guess = None
        for hearing in self._ear.hear_held(blocks()):
            decided_ms = handed_ms + (time.process_time() - handed_s) * 1000
            clip = max(stream.clips, key=lambda clip: overlap(clip, hearing), default=None)
            if clip is not None and overlap(clip, hearing) <= 0:
                clip = None
            if clip in left:
                left.remove(clip)
            guess: dict[str, Any] = (
                {"score": hearing.score, **asdict(self._keeping.guess)} if self._keeping.guess else {}
            )
            late_ms = decided_ms - clip.end_ms if clip else None
            result.append(Outcome(kind, stream.bed, clip, hearing, guess, late_ms))
            self._keeping.guess = None
        self.cpu_s += time.process_time() - begin_s
        self.audio_s += length_ms / 1000
        for clip in left:
            unheard = Hearing(clip.start_ms, clip.end_ms, "", None, "not noticed", False, None)
            result.append(Outcome(kind, stream.bed, clip, unheard, {}, None))
        return result


def overlap(clip: Placed, hearing: Hearing) -> int:
    """Milliseconds that both have; negative when they are apart."""
    return min(clip.end_ms, hearing.end_ms) - max(clip.start_ms, hearing.start_ms)


Judge = Callable[[Outcome], Intent | None]
"""What an outcome is taken for; None when it is refused."""


def as_heard(outcome: Outcome) -> Intent | None:
    return outcome.hearing.intent


def from_threshold(known: Phrases, field: str, least: float, after_name: bool) -> Judge:
    """Take every whole sentence whose `field` of the guess is at least `least`; and whose name was heard, if it must be
    and the engine says so in a field `named`."""

    def judge(outcome: Outcome) -> Intent | None:
        value = outcome.guess.get(field)
        if value is None or value < least or (after_name and outcome.guess.get("named", True) in (None, False)):
            return None
        return known.parse(outcome.guess["text"])

    return judge


def count(known: Phrases, outcomes: Iterable[Outcome], judge: Judge = as_heard, held: bool = False) -> Counter[str]:
    """Per clip, by the meaning and the slots that came out: right, wrong, near (refused with a cue), silent (refused
    without one); clips in all; beside: accepted where there was no clip. One wrong makes a clip wrong.

    slot: wrong ones with the right meaning. plain, plain right, plain wrong: clips without a number alone.
    `held`: a foot switch was held, so that each refusal is told.
    """
    rank = ("silent", "near", "right", "slot", "wrong")
    best: dict[Placed, str] = {}
    result: Counter[str] = Counter()
    for outcome in outcomes:
        intent = judge(outcome)
        if outcome.clip is None:
            result["beside"] += intent is not None
            continue
        meant = known.parse(outcome.clip.label)
        if intent is None:
            became = "near" if outcome.hearing.near or held else "silent"
        elif intent == meant:
            became = "right"
        else:
            became = "slot" if meant is not None and intent.meaning == meant.meaning else "wrong"
        best[outcome.clip] = max(best.get(outcome.clip, "silent"), became, key=rank.index)
    for clip, became in best.items():
        meant = known.parse(clip.label)
        kinds = ("wrong", "slot") if became == "slot" else (became,)
        plain = meant is not None and not numbered(meant)
        result.update(kinds)
        result.update(["clips", *(["plain", f"plain {kinds[0]}"] if plain else [])])
    return result


def lateness(outcomes: Iterable[Outcome]) -> list[float]:
    """Milliseconds to the last decision on each clip, shortest first."""
    last: dict[Placed, float] = {}
    for outcome in outcomes:
        if outcome.clip is not None and outcome.late_ms is not None:
            last[outcome.clip] = max(outcome.late_ms, last.get(outcome.clip, -math.inf))
    return sorted(last.values())


def percentile(ordered: Sequence[float], percent: float) -> float:
    """The least of the values, of which there is at least one, that at least `percent` of them do not exceed."""
    return ordered[max(0, math.ceil(len(ordered) * percent / 100) - 1)]


def at_most(events: int, hours: float) -> float:
    """The rate per hour that `events` in `hours` leave possible: a larger one gives so few in fewer than 1 of 20 tries.

    The upper limit of the one-sided 95 % interval for a Poisson count.
    """
    low, high = 0.0, 10.0 + 3 * events
    for _ in range(60):
        mean = (low + high) / 2
        few = sum(math.exp(-mean + n * math.log(mean) - math.lgamma(n + 1)) for n in range(events + 1))
        low, high = (mean, high) if few > 0.05 else (low, mean)
    return high / hours


def thresholds(known: Phrases, outcomes: Iterable[Outcome], field: str, steps: int = 20) -> list[float]:
    """Values of `field` that leave 100 %, 95 % ... 5 % of the clips whose sentence was found, lowest first."""
    found = sorted(
        float(outcome.guess[field])
        for outcome in outcomes
        if outcome.clip is not None
        and outcome.guess.get(field) is not None
        and known.parse(outcome.guess["text"]) == known.parse(outcome.clip.label)
    )
    return sorted({found[len(found) * step // steps] for step in range(steps)}) if found else []


def rates(accepted: int, hours: float) -> dict[str, float]:
    """False accepts, per hour, and the most per hour that they leave possible."""
    return {"accepted": accepted, "per_hour": accepted / hours, "at_most_per_hour": at_most(accepted, hours)}


def curve(
    known: Phrases,
    outcomes: Sequence[Outcome],
    field: str,
    after_name: bool,
    snrs: Sequence[str],
    hours: Mapping[str, float],
) -> dict[str, Any]:
    """Shares of clips right and wrong per signal to noise ratio, and false accepts per hour for each trial in `hours`,
    as the least `field` moves up."""
    points = []
    for least in thresholds(known, outcomes, field):
        judge = from_threshold(known, field, least, after_name)
        point: dict[str, Any] = {"least": least, "right": {}, "wrong": {}, "per_hour": {}}
        for snr in snrs:
            counted = count(known, (outcome for outcome in outcomes if outcome.kind == snr), judge)
            for share in ("right", "wrong"):
                point[share][snr] = counted[share] / max(1, counted["clips"])
        for kind, length in hours.items():
            accepted = sum(judge(outcome) is not None for outcome in outcomes if outcome.kind == kind)
            point["per_hour"][kind] = accepted / length
        points.append(point)
    return {"field": field, "points": points}
