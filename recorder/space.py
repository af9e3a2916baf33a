"""The space on the disk of the records: looked at ahead of time, with a little held back for when it is gone.

Knows no alert and deletes nothing but its own reserve.
"""

import logging
import os
from pathlib import Path

from recorder.core.events import SpaceBack, SpaceLow

log = logging.getLogger(__name__)

LEAST_MB = 200
"""The usual least: full trade takes 1.3 MB a day (tests.bench.longlife), so the alert comes long before a loss."""

LOOK_MS = 60_000
"""How often it is looked at."""

RESERVE = 8 * 2**20
"""Bytes held back: SQLite's write-ahead log takes 4 MB of them, and a day of records goes into the rest."""


def free_bytes(database: Path) -> int:
    """What the recorder's user may still write where `database` is; raises `OSError`."""
    disk = os.statvfs(database.parent)
    return disk.f_bavail * disk.f_frsize


class Reserve:
    """A file beside the database that takes space, and is given up when there is no other."""

    def __init__(self, database: Path) -> None:
        self._database = database
        self.file = database.with_name(f"{database.name}.reserve")

    def tend(self) -> None:
        """Hold it while there is plenty, give it up when less than its size is left; what can't be done is left."""
        try:
            if not self._database.parent.is_dir():  # nothing was ever recorded
                return
            free = free_bytes(self._database)
            if free < RESERVE and self.file.exists():
                self.file.unlink()
                log.warning("the disk is full: the reserve of %d MB is given up", RESERVE // 2**20)
            elif free >= 4 * RESERVE and not self.file.exists():
                part = self.file.with_suffix(".part")
                with part.open("wb") as file:
                    os.posix_fallocate(file.fileno(), 0, RESERVE)
                part.rename(self.file)
        except OSError as error:
            log.warning("no space is held back beside %s: %s", self._database, error)


class SpaceWatch:
    """Sees that the disk runs short before it is full."""

    def __init__(self, database: Path, least_mb: int, reserve: Reserve | None = None) -> None:
        """`least_mb` under 1 watches nothing; without `reserve` none is held."""
        self._database = database
        self._least_mb = least_mb
        self._reserve = reserve
        self._looked_ms: int | None = None

    def look(self, low: bool, at_ms: int) -> SpaceLow | SpaceBack | None:
        """What changed, every `LOOK_MS`; `low` is how it was known to be. Space is back a fifth above the least."""
        if self._looked_ms is not None and at_ms - self._looked_ms < LOOK_MS:
            return None
        self._looked_ms = at_ms
        if self._reserve:
            self._reserve.tend()
        try:
            free_mb = free_bytes(self._database) // 1_000_000
        except OSError as error:
            log.warning("the free space of %s can't be seen: %s", self._database.parent, error)
            return None
        if not low and free_mb < self._least_mb:
            return SpaceLow(at_ms, free_mb, self._least_mb)
        if low and free_mb >= self._least_mb * 6 // 5:
            return SpaceBack(at_ms, free_mb)
        return None
