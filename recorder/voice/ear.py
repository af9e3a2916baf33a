"""From sound to events: cut out utterances, recognise, refuse what is not surely a command.

A command counts when it is a whole sentence of the phrase file, follows the station's name in one breath (unless the
ear listens openly, or while a foot switch is held), and every score reaches its threshold. Ordinary talk leaves no
trace; only what came close to a command, or was said while the switch was held, becomes `Unheard`. The ear never judges
whether a command makes sense now, and it knows no journal.
"""

import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from recorder.clock import Clock
from recorder.core.events import EarBack, EarClear, EarTrouble, Heard, Intent, Unheard
from recorder.driver import Put
from recorder.voice import engines
from recorder.voice.audio.audio_health import AudioHealth
from recorder.voice.audio.frontend import FrontEnd, Utterance
from recorder.voice.audio.microphone import BYTES_PER_SECOND
from recorder.voice.audio.soundfile import read_wav
from recorder.voice.audio.sources import Source
from recorder.voice.engines import Guess, Recogniser
from recorder.voice.footswitch import KEY, TERMINAL, FootSwitch, Hold, KeySwitch
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import VoiceSettings

MARGINS_MS = 600
"""Sound around the words that an utterance may have."""


@dataclass(frozen=True, slots=True)
class Hearing:
    """One utterance and what became of it."""

    start_ms: int
    """Position in the stream."""
    end_ms: int
    text: str
    """The nearest sentence of the phrase file, without the station's name; "" if none."""
    intent: Intent | None
    """What it means; None when it was refused."""
    reason: str
    """Why it was refused; "" when it was accepted."""
    near: bool
    """Whether a refused utterance came close to a command."""
    score: float | None
    other: str = ""
    """The next best sentence, when it is close behind and means something else; "" otherwise."""

    @property
    def accepted(self) -> bool:
        """Whether it is a command."""
        return self.intent is not None


class Ear:
    """A recogniser with a front end before it and a judge behind it."""

    def __init__(self, recogniser: Recogniser, phrases: Phrases, settings: VoiceSettings) -> None:
        self._recogniser = recogniser
        self._phrases = phrases
        self._settings = settings
        self._judgement = settings.judgement()
        self._tried = b""
        self._guess: Guess | None = None

    def hear(self, blocks: Iterable[bytes]) -> Iterator[Hearing]:
        """What is said in one stream of sound (16 kHz mono 16-bit, blocks of any size), as each utterance ends."""
        yield from self.hear_held((block, True) for block in blocks)

    def hear_held(self, blocks: Iterable[tuple[bytes, bool]]) -> Iterator[Hearing]:
        """The same for blocks that say whether they are to be heard; an utterance ends at one that is not."""
        front_end = FrontEnd(self._settings.front_end)
        for block, held in blocks:
            for utterance in front_end.feed(block) if held else front_end.skip(block):
                yield from self._heed(utterance, front_end)
        for utterance in front_end.finish():
            yield from self._heed(utterance, front_end)

    def _heed(self, utterance: Utterance, front_end: FrontEnd) -> Iterator[Hearing]:
        """Judge an utterance that has ended; of one that may go on, only what is a command as it stands counts."""
        hearing = self._judge(utterance)
        if not utterance.ended and hearing.accepted:
            front_end.end()
        if utterance.ended or hearing.accepted:
            yield hearing

    def event(self, hearing: Hearing, at_ms: int) -> Heard | Unheard | None:
        """The event that `hearing` makes; None for talk that was no command."""
        engine, listening = self._recogniser.engine, self._settings.listening
        if hearing.intent is not None:
            other = self._phrases.parse(hearing.other)
            return Heard(at_ms, hearing.text, hearing.intent, engine, listening, hearing.score, other, hearing.other)
        if hearing.near:
            return Unheard(at_ms, hearing.text, hearing.reason, engine, listening, hearing.score)
        return None

    def _judge(self, utterance: Utterance) -> Hearing:
        guess = self._guessed(utterance.pcm) if utterance.pcm else None
        if guess is None:
            reason = "no sentence fits" if utterance.pcm else "too long for a command"
            near = self._settings.listening == "switch"
            return Hearing(utterance.start_ms, utterance.end_ms, "", None, reason, near, None)
        intent = self._phrases.parse(guess.text)
        reason, near = self._refusal(guess, intent, len(utterance.pcm) * 1000 // BYTES_PER_SECOND)
        return Hearing(
            utterance.start_ms,
            utterance.end_ms,
            guess.text if intent is not None else "",
            None if reason else intent,
            reason,
            near,
            guess.score,
            guess.other if guess.lead < self._judgement.rival_lead else "",
        )

    def _guessed(self, pcm: bytes) -> Guess | None:
        """The recogniser's guess; an utterance that ended at its pause sounds as it did then and is tried once."""
        if pcm != self._tried:
            self._tried, self._guess = pcm, self._recogniser.recognise(pcm)
        return self._guess

    def _refusal(self, guess: Guess, intent: Intent | None, length_ms: int) -> tuple[str, bool]:
        """Why the guess is refused, "" if it is not; and whether it came close: after a name that was surely heard, or
        while the switch was held, since that was surely meant for the station."""
        strict, plain = self._judgement.numbered, self._judgement.plain
        least = strict if intent is not None and numbered(intent) else plain
        after_name = self._settings.listening == "name"
        if after_name and (guess.named is None or guess.named < plain.named):
            return "the station's name was not heard", False
        close = self._settings.listening == "switch" or (guess.named is not None and guess.named >= strict.named)
        if intent is None:
            return "not a whole sentence of the phrase file", close
        if guess.score < least.score or (guess.named is not None and guess.named < least.named):
            return "not sure enough", close
        if guess.lead < least.lead:
            return f"it may have been {guess.other!r} as well", close or not after_name
        if guess.weakest < least.weakest:
            return "not sure enough of one word", close or not after_name
        words = len(guess.text.split()) + len(self._settings.spoken_name(self._phrases).split())
        if guess.stray_ms > least.stray_ms or length_ms > MARGINS_MS + least.word_ms * words:
            return "not in one breath", close or not after_name
        return "", False


class MicrophoneEar:
    """Driver: hears the microphone until it is stopped."""

    def __init__(
        self,
        source: Source,
        recogniser: Recogniser,
        phrases: Phrases,
        settings: VoiceSettings,
        clock: Clock,
        deaf: Callable[[], bool] = lambda: False,
        switch: FootSwitch | KeySwitch | None = None,
    ) -> None:
        """`deaf` says when to hear nothing, such as while the station itself speaks; with `switch`, nothing is heard
        but what is said while it is held."""
        self.name = f"microphone {source.device}"
        self._source = source
        self._ear = Ear(recogniser, phrases, settings)
        self._clock = clock
        self._deaf = deaf
        self._switch = switch

    def run(self, put: Put, stop: threading.Event) -> None:
        """Emit `EarBack` with the first sound, then what is heard, and how well, until `stop`.

        Raises `DriverLost` when the microphone or the foot switch goes, `DriverUnavailable` when one can't be opened.
        """
        with closing(self._blocks(put, stop)) as sound:
            heard = self._ear.hear_held(_held(self._switch, sound)) if self._switch else self._ear.hear(sound)
            for hearing in heard:
                event = self._ear.event(hearing, self._clock.now_ms())
                if event is not None:
                    put(event)

    def _blocks(self, put: Put, stop: threading.Event) -> Generator[bytes, None, None]:
        """The microphone's sound; silence while the ear is to be deaf."""
        sound, health = self._source.blocks(stop), AudioHealth(self._source.live)
        for first in sound:
            put(EarBack(self._clock.now_ms()))
            yield first
            break
        for block in sound:
            if self._deaf():
                yield bytes(len(block))
                continue
            for trouble in health.feed(block):
                at_ms = self._clock.now_ms()
                put(EarTrouble(at_ms, trouble) if trouble else EarClear(at_ms))
            yield block


class WavEar:
    """Driver: hears WAV files in order, each as a stream of its own, as fast as it can."""

    def __init__(
        self,
        sources: Sequence[Path],
        recogniser: Recogniser,
        phrases: Phrases,
        settings: VoiceSettings,
        clock: Clock,
    ) -> None:
        self.name = "wav files"
        self._sources = tuple(sources)
        self._ear = Ear(recogniser, phrases, settings)
        self._clock = clock

    def hear(self, pcm: bytes) -> list[Heard | Unheard]:
        """What is said in one clip, stamped with the time that the clock shows now. Returns when it is all heard."""
        events = (self._ear.event(hearing, self._clock.now_ms()) for hearing in self._ear.hear([pcm]))
        return [event for event in events if event is not None]

    def run(self, put: Put, stop: threading.Event) -> None:
        """Emit what is said in the files, then wait for `stop`."""
        for path in self._sources:
            if stop.is_set():
                return
            for event in self.hear(read_wav(path)):
                put(event)
        stop.wait()


def _held(switch: FootSwitch | KeySwitch, sound: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
    """Each block of `sound`, and whether `switch` was held while it was spoken."""
    hold = Hold()
    with switch:
        for block in sound:
            yield block, hold.covers(len(block) / BYTES_PER_SECOND, time.monotonic(), switch.edges())


def numbered(intent: Intent) -> bool:
    """Whether a number was named in the sentence."""
    named = (intent.vat, intent.batch, intent.count, intent.cook, intent.number, intent.ice, intent.percent)
    return any(value is not None for value in named)


def build(phrases: Phrases, settings: VoiceSettings) -> Recogniser:
    """The recogniser that `settings` ask for; raises `DriverUnavailable`."""
    return engines.build(settings.engine, phrases, settings.spoken_name(phrases), settings.model)


def foot_switch(settings: VoiceSettings) -> FootSwitch | KeySwitch | None:
    """The foot switch that `settings` listen by, not yet opened; None when they need none."""
    if settings.listening != "switch" or settings.switch is None:
        return None
    return KEY if settings.switch == TERMINAL else FootSwitch(settings.switch, settings.switch_key)
