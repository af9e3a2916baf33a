"""Disks that fail: a tiny one that can be filled and made read-only, and one whose writes fail or take seconds.

The first is a tmpfs of its own, so that the kernel itself says no. The second is a shim between a child process and
the C library (disks.c, by LD_PRELOAD): SQLite calls pread64, pwrite64, fsync and fdatasync, and the shim asks a file
what to do with those that go to the database. Faults begin and end when that file is written, in mid-shift.
"""

import os
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from recorder.app import App
from recorder.clock import Stamp
from recorder.config import load
from recorder.core.effects import Cue, Record
from recorder.core.events import Tick
from recorder.daemon import on_records
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from tests.appended import append
from tests.system import compiled

STAMP = Stamp(1_772_100_000_000, "boot", 7, 1_772_100_000_000, True)


@contextmanager
def tiny_disk(place: Path, size: str = "4m") -> Iterator[Path]:
    """A disk of this size at `place`; skips the test where this process may not mount one, which fails it in CI."""
    place.mkdir(exist_ok=True)
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], capture_output=True, text=True
    )
    if made.returncode:
        pytest.skip(f"a tmpfs can't be mounted here: {made.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def fill(disk: Path, leave: int = 0) -> Path:
    """A file that takes all the space but `leave` bytes."""
    file = disk / "filler"
    with file.open("ab", buffering=0) as out, suppress(OSError):
        while True:
            left = os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize - leave
            if left <= 0:
                break
            out.write(bytes(min(left, 65_536)))
    return file


def read_only(disk: Path, yes: bool = True) -> None:
    """The kernel makes it read-only, as it does with a disk that fails, or lets it be written again."""
    subprocess.run(["mount", "-o", f"remount,{'ro' if yes else 'rw'}", str(disk)], check=True)


class Shim:
    """The shim, compiled, and the file that it asks."""

    def __init__(self, folder: Path) -> None:
        self._fault, library = folder / "disk-fault", compiled("disks.c", folder)
        self.environment = {**os.environ, "LD_PRELOAD": str(library), "DISK_FAULT": str(self._fault)}

    def does(self, fault: str) -> None:
        """From now on: "read", "write" or "sync" fails, each sync takes so many seconds, or "" for a sound disk."""
        part = self._fault.with_suffix(".part")
        part.write_text(fault)
        part.rename(self._fault)


@contextmanager
def notified(folder: Path) -> Iterator[socket.socket]:
    """Stands for systemd."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as server:
        server.bind(str(folder / "notify"))
        server.settimeout(30)
        yield server


def write_on(journal: Journal) -> None:
    for number in range(2, 100_000):
        append(journal, STAMP, Tick(number), (Record("oil", number, (("what", "x" * 400), ("struck", 0))),))


def station_on(folder: Path, cues: list[Cue]) -> App:
    (folder / "station.toml").write_text('station = "line-1"\n')
    app = on_records(load(folder / "station.toml"), cues.append, lambda reason: None)
    try:
        app.open()
    except JournalError:
        app.journal.close()
        raise
    return app
