"""What the microphone hears: clips in a room, over noise at a ratio that is asked for, one after another in a stream.

A room is an impulse response that is made: the direct sound, a few early reflections, and noise that decays. It knows
no phrase, no recogniser and no judgement. Sounds are float32 at 16 kHz, full scale 1.0.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from recorder.voice.audio.soundfile import RATE
from tests.bench.sounds import SPEECH_RMS, TALK, Bed, Sound, Voice, rms, speak

SEEDS = {"tuning": 101, "reporting": 202}
"""Each half has rooms of its own."""

FADE = RATE // 50
"""Samples over which one piece of noise goes over into the next."""


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """One clip in a stream; each is itself alone, whatever another says at the same place."""

    start_ms: int
    end_ms: int
    """When the speaker's last sound arrives by the direct way; the room goes on after it."""
    label: str


@dataclass(frozen=True, slots=True)
class Stream:
    """Sound that is heard in one go."""

    sound: Sound
    clips: tuple[Placed, ...]
    bed: str
    """Name of the noise under it; "" for none."""


@dataclass(frozen=True, slots=True)
class Pacing:
    """The time around clips."""

    before_s: float
    after_s: tuple[float, float]
    """From, to: drawn for each clip."""
    alone: bool
    """Whether each clip is a stream of its own."""


CONTINUOUS = Pacing(before_s=1.0, after_s=(0.9, 1.4), alone=False)
"""One clip after the other in one stream."""


def response(dice: np.random.Generator, rt60_s: float, direct_db: float) -> Sound:
    """The impulse response of a room in which sound dies by 60 dB in `rt60_s`.

    `direct_db` is the energy of the direct sound, the response's first sample, over that of all the rest.
    """
    size = int(rt60_s * RATE)
    tail = dice.standard_normal(size) * 10 ** (-3 * np.arange(size) / size)
    tail[: RATE // 100] = 0
    early = np.zeros(size)
    places = dice.integers(RATE // 500, RATE // 40, 6)  # 2 to 25 ms: counters, walls, ceiling
    early[places] = dice.choice([-1.0, 1.0], 6) * 10 ** (-3 * places / size) * dice.uniform(0.5, 1, 6)
    rest = tail / np.linalg.norm(tail) + early / np.linalg.norm(early)
    rest *= 10 ** (-direct_db / 20) / np.linalg.norm(rest)
    rest[0] = 1.0
    return rest.astype(np.float32)


def rooms(half: str, count: int) -> list[Sound]:
    """A room for each of `count` voices, as a boom or a microphone on the bench hears it in a tiled kitchen.

    0.3 to 0.5 s and 6 to 12 dB are our choice for that, not measured in a kitchen.
    """
    dice = np.random.default_rng(SEEDS[half])
    return [response(dice, dice.uniform(0.3, 0.5), dice.uniform(6, 12)) for _ in range(count)]


def reverberate(dry: Sound, room: Sound | None) -> Sound:
    """`dry` in `room`, with the room's tail after it; at `SPEECH_RMS` over the length of `dry`."""
    if room is None:
        return dry * np.float32(SPEECH_RMS / rms(dry))
    size = len(dry) + len(room) - 1
    said = np.fft.irfft(np.fft.rfft(dry, size) * np.fft.rfft(room, size), size).astype(np.float32)
    return said * np.float32(SPEECH_RMS / rms(said[: len(dry)]))


def babble(voices: Sequence[Voice], half: str) -> Bed:
    """All `voices` talking at once from across the room: as much of their direct sound as of its echo."""
    dice = np.random.default_rng(SEEDS[half] + 1)
    tracks = []
    for number, voice in enumerate(voices):
        room = response(dice, 0.45, 0)
        said = [reverberate(speak(voice, text), room) for text in TALK[number * 2 :] + TALK[: number * 2]]
        tracks.append(np.concatenate(said))
    size = min(map(len, tracks))
    return Bed("babble", np.sum([track[:size] for track in tracks], axis=0, dtype=np.float32))


def loop(sound: Sound, size: int, dice: random.Random) -> Sound:
    """`size` samples of `sound`, over and over, cut in at another place each time."""
    sound = np.resize(sound, max(len(sound), RATE))
    rise = np.sqrt(np.arange(FADE) / FADE)
    result = np.zeros(size + len(sound), dtype=np.float32)
    at = 0
    while at < size:
        piece = sound[dice.randrange(len(sound) // 2) :].copy()
        if at:
            piece[:FADE] *= rise
        piece[-FADE:] *= rise[::-1]
        result[at : at + len(piece)] += piece
        at += len(piece) - FADE
    return result[:size]


def streams(
    clips: Sequence[tuple[str, Sound]],
    beds: Sequence[Bed],
    snr_db: float | None,
    seed: int,
    room: Sound | None = None,
    pacing: Pacing = CONTINUOUS,
) -> Iterator[Stream]:
    """`clips` shared out among the beds; all without noise when `snr_db` is None.

    `snr_db` holds for every clip: the root mean square of the clip in its room over that of the noise, both from the
    clip's first sound to its last. Speech keeps its level; the noise is turned up or down for each clip, gliding from
    one to the next in the pause. `seed` also says which clips meet which bed.
    """
    dice = random.Random(seed)
    chosen: Sequence[Bed | None] = [None] if snr_db is None else beds
    for number in range(len(chosen)):
        bed = chosen[(number + seed) % len(chosen)]
        mine = clips[number :: len(chosen)]
        if not mine:
            continue
        for group in [[clip] for clip in mine] if pacing.alone else [mine]:
            speech, placed = _speech(group, room, pacing, dice)
            if bed is not None and snr_db is not None:
                speech += noise_under(speech, placed, loop(bed.sound, len(speech), dice), snr_db)
            yield Stream(speech, placed, bed.name if bed else "")


def _speech(
    clips: Sequence[tuple[str, Sound]], room: Sound | None, pacing: Pacing, dice: random.Random
) -> tuple[Sound, tuple[Placed, ...]]:
    at = int(pacing.before_s * RATE)
    pieces, placed = [], []
    for label, dry in clips:
        pieces.append((at, reverberate(dry, room)))
        placed.append(Placed(at * 1000 // RATE, (at + len(dry)) * 1000 // RATE, label))
        at += len(dry) + int(dice.uniform(*pacing.after_s) * RATE)
        at -= at % (RATE // 1000)  # to the millisecond, so that `Placed` is exact
    whole = np.zeros(at, dtype=np.float32)
    for begin, said in pieces:
        whole[begin : begin + len(said)] += said[: at - begin]
    return whole, tuple(placed)


def noise_under(speech: Sound, clips: Sequence[Placed], noise: Sound, snr_db: float) -> Sound:
    """`noise` at the level that `streams` promises; where it is nearly silent, as if it had a tenth of its mean."""
    knots, gains = [], []
    for clip in clips:
        start, end = clip.start_ms * RATE // 1000, clip.end_ms * RATE // 1000
        level = max(rms(noise[start:end]), rms(noise) / 10)
        knots += [start, end]
        gains += [rms(speech[start:end]) / 10 ** (snr_db / 20) / level] * 2
    return (noise * np.interp(np.arange(len(noise)), knots, gains)).astype(np.float32)


def noise_alone(beds: Sequence[Bed], minutes: float, seed: int) -> Iterator[Stream]:
    """Noise and nothing else, `minutes` in all: each bed as soft as 10 dB below speech, as loud, and 6 dB louder."""
    dice = random.Random(seed)
    levels_db = (-10, 0, 6)
    size = int(minutes * 60 * RATE / len(beds) / len(levels_db))
    for bed in beds:
        for level_db in levels_db:
            long = loop(bed.sound, size, dice)
            yield Stream(long * np.float32(SPEECH_RMS * 10 ** (level_db / 20) / rms(long)), (), bed.name)


HELD_MS, LET_GO_MS = 4_000, 1_000
"""Where nothing is said to the station, the foot switch is held for so long, and let go for so long."""

EARLY_MS, LATE_MS = 150, 250
"""It goes down so long before a command and comes up so long after it (made up, not measured on people)."""


def held(stream: Stream, at_ms: float) -> bool:
    """Whether the foot switch is down."""
    if not stream.clips:
        return at_ms % (HELD_MS + LET_GO_MS) < HELD_MS
    return any(clip.start_ms - EARLY_MS <= at_ms <= clip.end_ms + LATE_MS for clip in stream.clips)
