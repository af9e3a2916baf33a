"""Sound for the benches: synthetic voices, kitchen noise, recordings. Needs numpy, espeak-ng and flite.

None of these voices is in the product. Everything is 16 kHz mono; arrays are float32, full scale 1.0. How voices and
noise are put together is the matter of `tests/bench/scene.py`.
"""

import hashlib
import math
import re
import shutil
import subprocess
import tempfile
import wave
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from recorder.voice.audio.soundfile import RATE, read_wav

Sound = NDArray[np.float32]

SPEECH_RMS = 0.05
"""Level that each clip is brought to: -26 dBFS."""

CACHE = Path(tempfile.gettempdir()) / "batch-recorder-bench"


@dataclass(frozen=True, slots=True)
class Voice:
    """One synthetic speaker."""

    program: str
    """ "espeak-ng" or "flite"."""
    name: str
    speed: int = 160
    """Words a minute; espeak-ng only."""
    pitch: int = 50
    """0 to 99; espeak-ng only."""

    def command(self, text: str, path: Path) -> list[str]:
        if self.program == "flite":
            return ["flite", "-voice", self.name, "-t", text, "-o", str(path)]
        return ["espeak-ng", "-v", self.name, "-s", str(self.speed), "-p", str(self.pitch), "-w", str(path), text]

    def __str__(self) -> str:
        return f"{self.program}:{self.name}:{self.speed}:{self.pitch}"


TUNING_VOICES = (
    Voice("espeak-ng", "en-us", 150),
    Voice("espeak-ng", "en-gb+f2", 165, 55),
    Voice("espeak-ng", "en-029+m3", 155, 45),
    Voice("espeak-ng", "en-us+f4", 170, 60),
    Voice("flite", "rms"),
    Voice("flite", "slt"),
)
"""Thresholds are chosen on these."""

REPORTING_VOICES = (
    Voice("espeak-ng", "en-gb-scotland", 150, 50),
    Voice("espeak-ng", "en-gb-x-rp+f3", 160, 55),
    Voice("espeak-ng", "en-us+m7", 140, 40),
    Voice("espeak-ng", "en-gb-x-gbclan", 165, 50),
    Voice("flite", "kal16"),
    Voice("flite", "awb"),
)
"""Figures are quoted on these."""

TALK = (
    "we need two more trays of biscuits before the lunch rush",
    "did you see the game last night it went to overtime",
    "tell the driver to park behind the building next to the bins",
    "the kitchen is too hot today somebody open the back door",
    "i put the recorder in the drawer under the counter",
    "can you start the fries and then take out the rubbish",
    "she has worked here for seven years and she never comes late",
    "there are twelve people waiting and only one of them has paid",
    "hold the door for me please my hands are full",
    "my sister bought a new car and it broke down after one week",
    "what time does the next bus leave from the station",
    "the manager wants the floor mopped before we close tonight",
)
"""Unrelated talk for the synthetic voices, with words of the trade in it."""


@dataclass(frozen=True, slots=True)
class Bed:
    """Noise to lay under speech."""

    name: str
    """What makes the noise; several beds may share it."""
    sound: Sound


def missing_programs() -> list[str]:
    """System packages that the voices need and that are not here."""
    return [program for program in ("espeak-ng", "flite") if shutil.which(program) is None]


def speak(voice: Voice, text: str) -> Sound:
    """`text` in `voice`, without the silence at its ends, at the level of `SPEECH_RMS`."""
    key = hashlib.sha256(f"{voice} {text}".encode()).hexdigest()[:24]
    path = CACHE / f"{key}.npy"
    if path.exists():
        return np.asarray(np.load(path), dtype=np.float32)
    CACHE.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "said.wav"
        subprocess.run(voice.command(text, wav), check=True, capture_output=True)
        sound = trim(load(wav))
    sound = sound * (SPEECH_RMS / rms(sound))
    np.save(path, sound.astype(np.float32))
    return sound.astype(np.float32)


def load(path: Path) -> Sound:
    """A WAV file, or headerless 16 kHz 16-bit sound if its name ends in .raw."""
    pcm = path.read_bytes() if path.suffix == ".raw" else _read(path)
    return (np.frombuffer(pcm[: len(pcm) // 2 * 2], dtype="<i2") / 32768).astype(np.float32)


def _read(path: Path) -> bytes:
    with wave.open(str(path)) as file:
        rate, channels, width = file.getframerate(), file.getnchannels(), file.getsampwidth()
        if (channels, width) != (1, 2) or rate != 22050:
            return read_wav(path)
        sound = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2").astype(np.float64)
    size = len(sound) * RATE // rate  # through the spectrum: exact for a clip that begins and ends in silence
    spectrum = np.fft.rfft(sound)[: size // 2 + 1]
    samples = np.clip(np.fft.irfft(spectrum, size) * size / len(sound), -32768, 32767).astype("<i2")
    return bytes(samples.tobytes())


def to_pcm(sound: Sound) -> bytes:
    return (np.clip(sound, -1, 32767 / 32768) * 32768).astype("<i2").tobytes()


def rms(sound: Sound) -> float:
    return float(np.sqrt(np.mean(np.square(sound, dtype=np.float64)))) if len(sound) else 0.0


def trim(sound: Sound) -> Sound:
    """Without what is quieter than 1 % of the peak at both ends."""
    loud = np.flatnonzero(np.abs(sound) > 0.01 * np.max(np.abs(sound)))
    return sound[loud[0] : loud[-1] + 1]


def noises(folder: Path | None, half: str) -> list[Bed]:
    """Noise of one half, "tuning" or "reporting"; without a folder, noise that is made here.

    Files go to the halves by the recording that they were cut from, so that no recording is in both.
    """
    if folder is None:
        return made_noises(11 if half == "tuning" else 23)
    files = sorted(folder.glob("*.wav"))
    sources = sorted({_source(file) for file in files})
    mine = set(sources[0::2] if half == "tuning" else sources[1::2])
    beds = [Bed(re.split(r"-?\d", file.stem)[0] or file.stem, load(file)) for file in files if _source(file) in mine]
    if not beds:
        raise SystemExit(f"{folder} has {len(sources)} recordings; --noise needs a folder of at least two WAV files")
    return beds


def _source(file: Path) -> str:
    """The recording that a take was cut from: the kind of noise and the long number in the file's name."""
    number = re.search(r"\d{5,}", file.stem)
    return file.stem.split("-")[0] + number[0] if number else file.stem


def made_noises(seed: int) -> list[Bed]:
    """A hood (steady, low), frying (bright, uneven) and clatter (bursts), 8 s each."""
    dice = np.random.default_rng(seed)
    size = 8 * RATE
    hertz = np.fft.rfftfreq(size, 1 / RATE)

    def shaped(curve: NDArray[np.float64]) -> Sound:
        sound = np.fft.irfft(np.fft.rfft(dice.standard_normal(size)) * curve, size)
        levelled: Sound = (sound / np.sqrt(np.mean(sound**2))).astype(np.float32)
        return levelled

    hood = shaped(1 / np.sqrt(1 + (hertz / 300) ** 2))
    frying = shaped(np.sqrt(hertz / 3000) * np.exp(-((hertz / 6500) ** 2)))
    uneven = 1 + 0.5 * np.interp(np.arange(size), np.linspace(0, size, 200), dice.standard_normal(200))
    clatter = 0.3 * shaped(1 / np.sqrt(1 + (hertz / 800) ** 2))
    for at in dice.integers(0, size - RATE // 2, 12):
        ring = dice.uniform(800, 4500)
        time = np.arange(RATE // 3) / RATE
        burst = 2.5 * np.exp(-time * 14) * np.sin(2 * math.pi * ring * time)
        clatter[at : at + RATE // 3] += burst.astype(np.float32)
    return [Bed("hood", hood), Bed("frying", frying * uneven.astype(np.float32)), Bed("clatter", clatter)]


def recordings(folder: Path) -> Iterator[Sound]:
    """All recordings of speech in `folder`, one after the other with short pauses; at three speeds, as they are few."""
    raw = [folder / name for name in ("goforward.raw", "something.raw", "numbers.raw")]
    pieces = [load(path) for path in [*sorted(folder.rglob("*.wav")), *filter(Path.exists, raw)]]
    for speed in (1.0, 0.93, 1.07) if pieces else ():
        parts: list[Sound] = []
        for sound in pieces:
            places = np.linspace(0, len(sound) - 1, int(len(sound) / speed))
            told = np.interp(places, np.arange(len(sound)), sound).astype(np.float32)
            parts += [told * (SPEECH_RMS / max(rms(told), 1e-6)), np.zeros(4800, dtype=np.float32)]
        yield np.concatenate(parts)
