"""From sound to events: cut out utterances, recognise, refuse what is not surely a command.

A command counts when it is a whole sentence of the phrase file, follows the station's name in one breath (unless the
ear listens openly, or while a foot switch is held), and every score reaches its threshold. Ordinary talk leaves no
trace; only what came close to a command, or was said while the switch was held, becomes `Unheard`. The ear never judges
whether a command makes sense now, and it knows no journal.
"""

import math
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
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
from recorder.voice.engines import Guess, Learner, Recogniser, Spotter
from recorder.voice.footswitch import KEY, TERMINAL, FootSwitch, Hold, KeySwitch
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import VoiceSettings

BEGINNING = "not a whole sentence of the phrase file"

STILL_BEGUN, STILL_NAME = 6.0, 2.0
"""So much likelier may more be after the beginning of a sentence, and after the name alone: it is waited for."""

REST_BLOCKS = 5
"""The recogniser learns a little at every fifth block of the microphone's sound: every 100 ms."""

MARGINS_MS = 600
"""Sound around the words that an utterance may have."""


NAME_LIVES_MS = 2_500
"""So long after the station's name alone a command is heard that follows it."""

SENTENCE_LIVES_MS = 1_000
"""So long after its last word a sentence is heard on that can still go on."""


SPOT_MS = 1_408
"""The name is looked for in so much of the newest sound."""

SPOTTED = -19.0
"""It is there from this score on: in 12 of 12 clips over a talker, and in no talk without it (tuning half)."""

SURE_TIMES = 2
"""So often in a row the same command is heard where its speaker fades into another's talk, and once more where it is
the beginning of another: so nothing was added to it meanwhile."""

NOT_SPOTTED = -40.0
"""Where nobody said the name."""

CLEARER = 3.0
"""The name was said later than the utterance began only where it fits by so much better there."""

LONGEST_SPOTTED_MS = 6_000
"""No command lasts longer, its name included."""


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

    said: str = ""
    """The words that were heard after the name, be they a sentence or not."""
    goes_on: bool = False
    """Whether it was refused because it is the beginning of a sentence."""

    @property
    def accepted(self) -> bool:
        """Whether it is a command."""
        return self.intent is not None


@dataclass(frozen=True, slots=True)
class Waiting:
    """An utterance that has ended and may still go on."""

    utterance: Utterance
    hearing: Hearing
    until_ms: int
    """Speech that begins later is another utterance."""


class Ear:
    """A recogniser with a front end before it and a judge behind it."""

    def __init__(
        self,
        recogniser: Recogniser,
        phrases: Phrases,
        settings: VoiceSettings,
        attentive: Callable[[], None] = lambda: None,
    ) -> None:
        """`attentive` is called when the station's name was said alone, and a command may follow."""
        self._attentive = attentive
        self._waiting: Waiting | None = None
        self._spotted: float | None = None
        """How well the name fits where the open utterance begins; None while nobody looked."""
        self._faded = ""
        """The command that was heard when the voice last faded."""
        self._times = 0
        """How often, one time after the other."""
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
        self._waiting = self._spotted = None
        for block, held in blocks:
            for utterance in front_end.feed(block) if held else front_end.skip(block):
                yield from self._heed(utterance, front_end)
            if not front_end.talking:
                yield from self._given_up(front_end.now_ms)
        for utterance in front_end.finish():
            yield from self._heed(utterance, front_end)
        yield from self._given_up()

    def _heed(self, utterance: Utterance, front_end: FrontEnd) -> Iterator[Hearing]:
        """Judge an utterance that has ended; of one that may go on, only what is a command as it stands counts."""
        if utterance.peek:
            yield from self._look_into(utterance, front_end)
            return
        if utterance.ended:
            self._spotted, self._faded = None, ""
        yield from self._given_up(utterance.start_ms)
        hearing, waiting = self._judge(utterance), self._waiting
        if waiting is not None and utterance.pcm:
            whole = replace(utterance, pcm=waiting.utterance.pcm + utterance.pcm, start_ms=waiting.utterance.start_ms)
            together = self._judge(whole)
            longer = len(together.said) > len(waiting.hearing.said)
            if longer and (together.accepted or (together.goes_on and not hearing.accepted)):
                utterance, hearing, waiting = whole, together, None
        unfinished = hearing.accepted and self._phrases.unfinished(hearing.text)
        if not utterance.ended and (unfinished or not hearing.accepted):
            return
        if waiting is not None and (waiting.hearing.said or not hearing.accepted):
            yield waiting.hearing
        self._waiting = None
        if unfinished or hearing.goes_on:
            self._wait(utterance, hearing)
            return
        if not utterance.ended:
            front_end.end()
            self._spotted = None
        yield hearing

    def _look_into(self, utterance: Utterance, front_end: FrontEnd) -> Iterator[Hearing]:
        """Find the station's name in talk that goes on, and the command after it once its speaker is still."""
        if self._settings.listening != "name" or not isinstance(self._recogniser, Spotter):
            return
        size = BYTES_PER_SECOND * SPOT_MS // 1000
        if self._spotted is None:
            self._spotted, self._faded = self._recogniser.spot(utterance.pcm[:size]), ""
        fit = self._recogniser.spot(utterance.pcm[-size:])
        if fit >= SPOTTED and fit > self._spotted + CLEARER:
            self._spotted, self._faded = fit, ""
            front_end.restart(SPOT_MS)
        elif len(utterance.pcm) > BYTES_PER_SECOND * LONGEST_SPOTTED_MS // 1000:
            self._spotted = min(self._spotted, NOT_SPOTTED)
        elif self._spotted >= SPOTTED and utterance.fading:
            hearing = self._judge(utterance)
            same = hearing.accepted and hearing.text == self._faded
            self._faded, self._times = hearing.text if hearing.accepted else "", self._times + 1 if same else 1
            if hearing.accepted and self._times >= SURE_TIMES + self._phrases.goes_on(hearing.text):
                self._spotted, self._faded = None, ""
                front_end.end()
                yield hearing

    def _wait(self, utterance: Utterance, hearing: Hearing) -> None:
        """What was said may still go on."""
        if not hearing.said:
            self._attentive()
        lives_ms = SENTENCE_LIVES_MS if hearing.said else NAME_LIVES_MS
        self._waiting = Waiting(utterance, hearing, utterance.end_ms - self._settings.front_end.silence_ms + lives_ms)

    def _given_up(self, now_ms: float = math.inf) -> Iterator[Hearing]:
        """What waited for more and got none."""
        if self._waiting is not None and now_ms > self._waiting.until_ms:
            yield self._waiting.hearing
            self._waiting = None

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
            guess.text,
            near and reason == BEGINNING,
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
        least = self._judgement.least(intent)
        after_name = self._settings.listening == "name"
        if after_name and (guess.named is None or guess.named < plain.named):
            return "the station's name was not heard", False
        close = self._settings.listening == "switch" or (guess.named is not None and guess.named >= strict.named)
        if guess.taken_back:
            return "it was taken back", close
        still = 0.0 if intent is not None else STILL_NAME if not guess.text else STILL_BEGUN
        if guess.goes_on > least.goes_on + still:
            return "more was said than a command", close
        if intent is None:
            return BEGINNING, close
        if guess.score < least.score or (guess.named is not None and guess.named < least.named):
            return "not sure enough", close
        if guess.lead < least.lead:
            return f"it may have been {guess.other!r} as well", close or not after_name
        if guess.weakest < least.weakest or guess.strained > least.strained:
            return "not sure enough of one word", close or not after_name
        words = len(guess.text.split()) + len(self._settings.spoken_name(self._phrases).split())
        words += guess.beside
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
        attentive: Callable[[], None] = lambda: None,
    ) -> None:
        """`deaf` says when to hear nothing, such as while the station itself speaks; with `switch`, nothing is heard
        but what is said while it is held; `attentive` is called when the station's name was said alone."""
        self.name = f"microphone {source.device}"
        self._source = source
        self._ear = Ear(recogniser, phrases, settings, attentive)
        self._learner = recogniser if isinstance(recogniser, Learner) else None
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
        for number, block in enumerate(sound):
            if self._learner and number % REST_BLOCKS == 0 and not self._learner.rest():
                self._learner = None
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


def build(phrases: Phrases, settings: VoiceSettings) -> Recogniser:
    """The recogniser that `settings` ask for; raises `DriverUnavailable`."""
    return engines.build(settings.engine, phrases, settings.spoken_name(phrases), settings.model)


def foot_switch(settings: VoiceSettings) -> FootSwitch | KeySwitch | None:
    """The foot switch that `settings` listen by, not yet opened; None when they need none."""
    if settings.listening != "switch" or settings.switch is None:
        return None
    return KEY if settings.switch == TERMINAL else FootSwitch(settings.switch, settings.switch_key)
