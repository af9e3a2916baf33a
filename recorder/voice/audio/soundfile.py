"""WAV files as the sound that the ear takes: 16 kHz, mono, 16-bit. Pure but for reading the file."""

import math
import struct
from array import array
from functools import lru_cache
from operator import mul
from pathlib import Path
from typing import BinaryIO

from recorder.errors import RecorderError

RATE = 16_000
"""Samples per second that the ear takes."""

LONGEST_BYTES = 128_000_000
"""Most of raw sound that is read: over an hour at 16 kHz, mono."""

REACH = 12
"""Zero crossings of the resampling filter on each side."""


PCM, EXTENSIBLE = 1, 0xFFFE
"""Codes of formats in a WAV file."""

LONGEST_FORMAT = 1_000
"""No honest description of a format has more bytes."""


class SoundError(RecorderError):
    """A sound file that cannot be heard; the text names it and the remedy."""


def read_wav(path: Path) -> bytes:
    """The sound in `path`, 16 kHz mono 16-bit; other PCM of 8 to 32 bits is converted. Raises `SoundError`."""
    remedy = f"convert it: ffmpeg -i {path.name} -ac 1 -ar {RATE} -c:a pcm_s16le out.wav"
    if path.exists() and not path.is_file():
        raise SoundError(f"{path} is not a file; give a WAV file")
    try:
        with path.open("rb") as file:
            channels, width, rate, claimed = _header(file)
            if width not in (1, 2, 3, 4) or channels < 1 or not 8_000 <= rate <= 192_000:
                raise SoundError(f"{path}: {width * 8} bits, {channels} channels, {rate} Hz cannot be heard; {remedy}")
            there = min(claimed, path.stat().st_size - file.tell())  # a header may claim more than there is
            if there > LONGEST_BYTES:
                raise SoundError(
                    f"{path}: {there // 1_000_000} MB of sound, and at most {LONGEST_BYTES // 1_000_000} can be heard; "
                    f"cut it: ffmpeg -i {path.name} -f segment -segment_time 1800 -ac 1 -ar {RATE} part%03d.wav"
                )
            raw = file.read(there - there % (width * channels))
    except FileNotFoundError as error:
        raise SoundError(f"{path}: there is no such file; name a WAV file") from error
    except (OSError, ValueError, struct.error) as error:
        raise SoundError(f"{path}: not a PCM WAV file ({error or 'it ends too soon'}); {remedy}") from error
    tones = _tones(raw, width)
    if channels > 1:
        tones = array("h", (sum(tones[at : at + channels]) // channels for at in range(0, len(tones), channels)))
    return (tones if rate == RATE else resample(tones, rate)).tobytes()


def _header(file: BinaryIO) -> tuple[int, int, int, int]:
    """Channels, bytes of a sample, samples a second and bytes of sound; `file` then stands at the first of them.

    The RIFF form WAVE; its extensible format (Microsoft, from memory) has the code of the samples' format in its
    subformat. Raises `ValueError` and `struct.error`.
    """
    if file.read(4) != b"RIFF" or len(file.read(4)) < 4 or file.read(4) != b"WAVE":
        raise ValueError("it does not begin as one")
    form = None
    while len(head := file.read(8)) == 8:
        name, size = struct.unpack("<4sI", head)
        if name == b"data":
            if form is None:
                raise ValueError("its sound comes before its format")
            return *form, size
        if name == b"fmt ":
            body = file.read(size + size % 2) if size <= LONGEST_FORMAT else b""
            code, channels, rate, _, _, bits = struct.unpack("<HHIIHH", body[:16])
            if code == EXTENSIBLE:
                (code,) = struct.unpack("<H", body[24:26])
            if code != PCM:
                raise ValueError(f"its samples have the format {code}")
            form = channels, (bits + 7) // 8, rate
        else:
            file.seek(size + size % 2, 1)
    raise ValueError("it has no sound")


def _tones(raw: bytes, width: int) -> "array[int]":
    """Samples of 16 bits; of larger ones the upper two bytes."""
    if width == 1:
        return array("h", ((byte - 128) << 8 for byte in raw))
    if width > 2:
        pairs = bytearray(len(raw) // width * 2)
        pairs[0::2], pairs[1::2] = raw[width - 2 :: width], raw[width - 1 :: width]
        raw = bytes(pairs)
    return array("h", raw)


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
