"""People who talk beside the cook: recordings of single speakers, from packages that were unpacked into one folder.

    apt-get download beneath-a-steel-sky asterisk-core-sounds-{en,es,fr,it,ru}-wav pocketsphinx-testdata
    for file in *.deb; do dpkg -x $file DIR; done

No recording is in the repository. Each talker is a stream of one voice, or of a play's lines one after the other. The
halves share no recording: the prompts of a language, and every other line of the play, are in one half alone.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from recorder.voice.audio.soundfile import RATE
from tests.bench.rnc import unpacked
from tests.bench.sounds import SPEECH_RMS, Bed, Sound, load, rms, trim

PROMPTS = {"tuning": ("en_US_f_Allison", "it_IT_m_Carlo"), "reporting": ("es_MX_f_Allison", "fr_CA_f_June", "ru_RU")}
"""Folders of the prompts by half; the Spanish and English speakers have the same name in their folders."""

SHORTEST_S, GAP_S = 2.0, 0.25
"""Shorter recordings are single words; between two there is so much silence."""

PLAY_RATE, HEADER, FIRST_LINE = 11_025, 22, 50_000
"""The play's sound: 8-bit samples a second, bytes before them, number of the first file that is a spoken line."""


@dataclass(frozen=True, slots=True)
class Talk:
    """What is in one half: talkers to lay beside a cook, and how much there is."""

    beds: tuple[Bed, ...]

    @property
    def hours(self) -> float:
        return sum(len(bed.sound) for bed in self.beds) / RATE / 3600


def talk(folder: Path, half: str, minutes: float) -> Talk:
    """Talkers of `half`, each of at most `minutes`; none where the packages are not there."""
    beds: list[Bed] = []
    for wanted in PROMPTS[half]:
        for place in sorted(folder.rglob(f"{wanted}*")):
            if place.is_dir():
                beds.append(Bed(place.name, joined((load(file) for file in sorted(place.glob("*.wav"))), minutes)))
    if half == "reporting":
        for place in sorted(folder.rglob("librivox")):
            beds.append(Bed("reader", joined((load(file) for file in sorted(place.glob("*.wav"))), minutes)))
    for index in sorted(folder.rglob("sky.dnr")):
        beds.append(Bed("play", joined(lines(index, half), minutes)))
    return Talk(tuple(bed for bed in beds if len(bed.sound)))


def joined(sounds: Iterator[Sound], minutes: float) -> Sound:
    """One after the other, each as loud as the others, until there are so many minutes."""
    pieces: list[Sound] = []
    size = 0
    for sound in sounds:
        if size >= minutes * 60 * RATE:
            break
        if len(sound) >= SHORTEST_S * RATE and rms(sound) > 0:
            said = trim(sound)
            pieces += [said * np.float32(SPEECH_RMS / rms(said)), np.zeros(int(GAP_S * RATE), np.float32)]
            size += len(pieces[-2]) + len(pieces[-1])
    return np.concatenate(pieces)[: int(minutes * 60 * RATE)] if pieces else np.zeros(0, np.float32)


def lines(index: Path, half: str) -> Iterator[Sound]:
    """Every other spoken line of the play, as 16 kHz sound."""
    table, data = index.read_bytes(), index.with_suffix(".dsk")
    entries = [table[at : at + 8] for at in range(4, len(table) - 7, 8)]
    spoken = [each for each in entries if int.from_bytes(each[:2], "little") >= FIRST_LINE]
    spoken.sort(key=lambda each: each[:2])
    with data.open("rb") as file:
        for entry in spoken[0 if half == "tuning" else 1 :: 2]:
            where = int.from_bytes(entry[2:5], "little")
            file.seek((where & 0x7FFFFF) << (4 if where & 0x800000 else 0))
            try:
                raw = unpacked(file.read(int.from_bytes(entry[5:8], "little") & 0x3FFFFF)[HEADER:])
            except (ValueError, IndexError):
                continue
            sound = (np.frombuffer(raw, np.uint8).astype(np.float32) - 128) / 128
            size = len(sound) * RATE // PLAY_RATE
            if size >= SHORTEST_S * RATE:
                yield np.interp(np.arange(size) * PLAY_RATE / RATE, np.arange(len(sound)), sound).astype(np.float32)
