"""WAV files as the sound that the ear takes: 16 kHz, mono, 16-bit. Pure but for reading the file."""

import math
import wave
from array import array
from functools import lru_cache
from operator import mul
from pathlib import Path

from recorder.errors import RecorderError

RATE = 16_000
"""Samples per second that the ear takes."""

LONGEST_BYTES = 128_000_000
"""Most of raw sound that is read: over an hour at 16 kHz, mono."""

REACH = 12
"""Zero crossings of the resampling filter on each side."""


class SoundError(RecorderError):
    """A sound file that cannot be heard; the text names it and the remedy."""


def read_wav(path: Path) -> bytes:
    """The sound in `path`, 16 kHz mono 16-bit; other PCM of 8 or 16 bits is converted. Raises `SoundError`."""
    remedy = f"convert it: ffmpeg -i {path.name} -ac 1 -ar {RATE} -c:a pcm_s16le out.wav"
    if path.exists() and not path.is_file():
        raise SoundError(f"{path} is not a file; give a WAV file")
    try:
        with wave.open(str(path), "rb") as file:
            channels, width, rate, count, *_ = file.getparams()
            if width not in (1, 2) or channels < 1 or not 8_000 <= rate <= 192_000:
                raise SoundError(f"{path}: {width * 8} bits, {channels} channels, {rate} Hz cannot be heard; {remedy}")
            there = min(count * width * channels, path.stat().st_size)  # a header may claim more than there is
            if there > LONGEST_BYTES:
                raise SoundError(
                    f"{path}: {there // 1_000_000} MB of sound, and at most {LONGEST_BYTES // 1_000_000} can be heard; "
                    f"cut it: ffmpeg -i {path.name} -f segment -segment_time 1800 -ac 1 -ar {RATE} part%03d.wav"
                )
            raw = file.readframes(there // (width * channels))
    except FileNotFoundError as error:
        raise SoundError(f"{path}: there is no such file; name a WAV file") from error
    except (wave.Error, EOFError, OSError, RuntimeError, ValueError) as error:
        raise SoundError(f"{path}: not a PCM WAV file ({error or 'it ends too soon'}); {remedy}") from error
    raw = raw[: len(raw) - len(raw) % (width * channels)]
    tones = array("h", raw) if width == 2 else array("h", ((byte - 128) << 8 for byte in raw))
    if channels > 1:
        tones = array("h", (sum(tones[at : at + channels]) // channels for at in range(0, len(tones), channels)))
    return (tones if rate == RATE else resample(tones, rate)).tobytes()


def resample(tones: "array[int]", rate: int) -> "array[int]":
    """`tones`, taken at `rate`, as they would be at 16 kHz: band-limited by a windowed-sinc filter."""
    common = math.gcd(rate, RATE)
    up, down = RATE // common, rate // common
    span = math.ceil(REACH * max(1.0, rate / RATE))
    padded = array("h", bytes(2 * span)) + tones + array("h", bytes(2 * (span + 1)))
    out = array("h")
    for number in range(len(tones) * up // down):
        whole, part = divmod(number * down, up)
        taps = _taps(part, up, rate)
        out.append(max(-32768, min(32767, round(sum(map(mul, taps, padded[whole + 1 : whole + 1 + 2 * span]))))))
    return out


@lru_cache(maxsize=1024)
def _taps(part: int, up: int, rate: int) -> tuple[float, ...]:
    """The filter for a sample that lies `part`/`up` of the way from one input sample to the next (Hann window)."""
    cut = min(1.0, RATE / rate)
    span = math.ceil(REACH * max(1.0, rate / RATE))
    taps = []
    for tap in range(-span + 1, span + 1):
        x = tap - part / up
        sinc = 1.0 if x == 0 else math.sin(math.pi * cut * x) / (math.pi * cut * x)
        taps.append(cut * sinc * (0.5 + 0.5 * math.cos(math.pi * x / (span + 1))))
    return tuple(taps)
