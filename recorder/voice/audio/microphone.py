"""The microphone: an `arecord` child process (Debian package alsa-utils), watched by the bytes that it gives.

A sound library that hangs inside a driver cannot take the recorder with it this way. Knows nothing of speech;
restarting and back-off belong to the supervisor.
"""

import os
import re
import selectors
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from typing import IO

from recorder.driver import DriverLost, DriverUnavailable
from recorder.errors import why

BYTES_PER_SECOND = 32_000
"""16 kHz mono 16-bit."""

BLOCK_BYTES = 3_200
"""At most 0.1 s at a time."""

PERIOD_US = 20_000
"""How often the device is asked to give sound, in microseconds."""

WATCH_S = 3.0
"""In each stretch of this length at least half of the bytes must come, and not `FLOOD` times as many."""

FLOOD = 4
"""A reader that was kept from reading finds 2.5 s of sound in the pipe and the card, at most."""

KILL_S = 0.3
"""How long a killed program is waited for."""


class Microphone:
    """One ALSA capture device."""

    live = True

    def __init__(self, device: str = "default", program: str = "arecord") -> None:
        self.device = device
        wanted = ["-t", "raw", "-f", "S16_LE", "-r", "16000", "-c", "1", "-F", str(PERIOD_US)]
        self._command = [program, "-q", "-D", device, *wanted]

    def blocks(self, stop: threading.Event) -> Iterator[bytes]:
        """Sound as it comes, until `stop`.

        Raises `DriverLost` when the device goes, gives too little or too much, `DriverUnavailable` without the program.
        """
        with tempfile.TemporaryFile() as errors:
            try:
                child = subprocess.Popen(
                    self._command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=errors, bufsize=0
                )
            except OSError as error:
                raise DriverUnavailable(
                    f"{self._command[0]} cannot run ({why(error)}); apt install alsa-utils"
                ) from error
            try:
                assert child.stdout is not None
                yield from self._read(child.stdout, stop)
                if not stop.is_set():
                    child.wait(timeout=WATCH_S)
                    raise DriverLost(_last_line(errors) or "it stopped giving sound")
            except subprocess.TimeoutExpired as error:
                raise DriverLost("it closed its sound and hangs") from error
            finally:
                child.kill()
                with suppress(subprocess.TimeoutExpired):  # one that hangs in the kernel goes when that lets it
                    child.wait(timeout=KILL_S)
                if child.stdout is not None:
                    child.stdout.close()

    def _read(self, stdout: IO[bytes], stop: threading.Event) -> Iterator[bytes]:
        with selectors.DefaultSelector() as selector:
            selector.register(stdout, selectors.EVENT_READ)
            begin, count = time.monotonic(), 0
            while not stop.is_set():
                if selector.select(timeout=0.2):
                    block = os.read(stdout.fileno(), BLOCK_BYTES)
                    if not block:
                        return
                    count += len(block)
                    yield block
                now = time.monotonic()
                if now - begin >= WATCH_S:
                    due = BYTES_PER_SECOND * (now - begin)
                    if not due / 2 <= count <= due * FLOOD:
                        how = "too few" if count < due else "too many"
                        raise DriverLost(f"{count} bytes in {now - begin:.1f} s, {how}")
                    begin, count = now, 0


def _last_line(errors: IO[bytes]) -> str:
    errors.seek(0)
    lines = errors.read().decode(errors="replace").strip().splitlines()
    return re.sub(r"^arecord: \w+:\d+: ", "", lines[-1]) if lines else ""
