"""Where sound comes from: a microphone, or for a station without one a folder of WAV files or raw sound on stdin.

All give the same: blocks of 16 kHz mono 16-bit sound in real time, until stopped.
"""

import logging
import os
import select
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from recorder.driver import DriverLost, DriverUnavailable
from recorder.voice.audio.microphone import BLOCK_BYTES, BYTES_PER_SECOND, Microphone
from recorder.voice.audio.soundfile import SoundError, read_wav

log = logging.getLogger(__name__)

FOLDER = "wav:"
"""A device that begins so is a folder of WAV files."""

STDIN = "stdin"
"""The device that is raw sound on standard input: 16 kHz, mono, signed 16 bits, little-endian."""

BLOCK_S = BLOCK_BYTES / BYTES_PER_SECOND

BETWEEN_S = 1.5
"""Silence after each file, so that two of them are two utterances."""


class Source(Protocol):
    """Something that gives sound."""

    @property
    def device(self) -> str:
        """As the configuration names it."""
        ...

    @property
    def live(self) -> bool:
        """Whether its silence means that something is broken; that of files does not."""
        ...

    def blocks(self, stop: threading.Event) -> Iterator[bytes]:
        """Sound as it comes, until `stop`. Raises `DriverLost` and `DriverUnavailable`."""
        ...


def source(device: str) -> Source:
    """What `device` in [voice] names; nothing is opened yet."""
    if device.startswith(FOLDER):
        return Folder(Path(device.removeprefix(FOLDER)))
    return StandardInput() if device == STDIN else Microphone(device)


class Folder:
    """The WAV files of a folder, in the order of their names, each once; then silence, until another one comes."""

    live = False

    def __init__(self, folder: Path) -> None:
        self.device = f"{FOLDER}{folder}"
        self._folder = folder
        self._played: set[Path] = set()
        self._ended = False

    def files(self) -> list[Path]:
        """Those that there are now. Raises `DriverUnavailable` where there is no folder."""
        if not self._folder.is_dir():
            raise DriverUnavailable(f"{self._folder} is no folder; make it, and put WAV files with commands into it")
        return sorted(self._folder.glob("*.wav"))

    def blocks(self, stop: threading.Event) -> Iterator[bytes]:
        """In real time; a file that is no sound is left out. Raises `DriverUnavailable` where there is no folder."""
        self.files()
        due_s = time.monotonic()
        while not stop.is_set():
            for block in self._next():
                due_s = max(due_s + BLOCK_S, time.monotonic() - BLOCK_S)
                if stop.wait(max(0.0, due_s - time.monotonic())):
                    return
                yield block

    def _next(self) -> Iterator[bytes]:
        """The next file with the silence after it; a block of silence where there is none."""
        silence, count = bytes(BLOCK_BYTES), 1
        for path in sorted(self._folder.glob("*.wav")):
            if path not in self._played:
                self._played.add(path)
                self._ended = False
                try:
                    sound = read_wav(path)
                except SoundError as error:
                    log.warning("left out: %s", error)
                    continue
                padded = sound + bytes(-len(sound) % BLOCK_BYTES)
                yield from (padded[at : at + BLOCK_BYTES] for at in range(0, len(padded), BLOCK_BYTES))
                count = round(BETWEEN_S / BLOCK_S)
                break
        else:
            self._say_ended()
        yield from (silence for _ in range(count))

    def _say_ended(self) -> None:
        """Once after the last file."""
        if not self._ended:
            self._ended = True
            count = len(self._played)
            now = f"all of its files are played ({count})" if count else "no WAV file is in it yet"
            log.info("%s: %s; one that you add is heard too", self.device, now)


class StandardInput:
    """Raw sound on standard input, such as of a pipe."""

    device = STDIN
    live = True  # a microphone may stand behind the pipe

    def blocks(self, stop: threading.Event) -> Iterator[bytes]:
        """As it comes. Raises `DriverLost` at its end, and where it is a terminal."""
        file = sys.stdin.fileno()
        if os.isatty(file):
            raise DriverLost("stdin is a terminal; pipe raw sound into it, 16 kHz mono s16le")
        while not stop.is_set():
            if select.select([file], [], [], 0.2)[0]:
                block = os.read(file, BLOCK_BYTES)
                if not block:
                    raise DriverLost("the sound on stdin has ended")
                yield block
