"""Raw chunks kept in a file with their times, and played from it again: a field recording becomes a fixture.

The file is JSON Lines. The first line has the probe's settings, so that its bytes can be read again; then one line for
each chunk, with milliseconds since the recording began, or for the device's going; the last one says that it was ended.
A recording without an end is still being written: what is added to it is played too.
"""

import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from recorder.clock import Clock
from recorder.driver import DriverLost, DriverUnavailable
from recorder.errors import why
from recorder.misfits import MisfitError
from recorder.probes.kinds import Detection, Search
from recorder.probes.probe import ProbeSettings
from recorder.probes.source import READ_S, Chunk, Reader
from recorder.probes.urls import from_table
from recorder.tables import plain

LONGEST_LINE = 16_000_000
"""Characters; a longer line is no recording's."""

DEEPEST = 8
"""Recordings of recordings were made once; more than so many in one another are refused."""

LONGEST_MS = 366 * 86_400_000
"""A time in a recording is no later than this after its beginning."""

LONGEST_REASON = 100
"""Characters of a reason that are taken over into records."""

OVER = "recording over"
"""In records: a recording was played to its end."""


class Recording:
    """A source: that of other settings, kept on its way."""

    def __init__(self, settings: ProbeSettings, file: IO[str], clock: Clock) -> None:
        """`file` is open for writing, and is closed by who opened it."""
        self._source, self._file, self._clock = settings.source(clock), file, clock
        self._began_ms = clock.now_ms()
        device = settings.device() if isinstance(settings, ReplaySettings) else settings
        self._write({"probe": plain(device)})

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """Those of the other source."""
        try:
            for chunk in self._source.chunks(stop):
                if chunk:
                    where = {"where": chunk.where} if chunk.where else {}
                    self._write({"ms": self._ms(), **where, "hex": chunk.data.hex()})
                yield chunk
        except DriverLost as lost:
            self._write({"ms": self._ms(), "gone": lost.reason})
            raise

    def end(self) -> None:
        """Nothing more is to come."""
        self._write({"ms": self._ms(), "over": True})

    def _ms(self) -> int:
        return self._clock.now_ms() - self._began_ms

    def _write(self, entry: dict[str, Any]) -> None:
        self._file.write(json.dumps(entry) + "\n")
        self._file.flush()


@dataclass(frozen=True, slots=True)
class ReplaySettings:
    """A recording in place of its device; what is measured and how it is read stands in the recording."""

    driver: str
    """Its name in `kinds.PROBES`: "replay"."""
    file: str
    """The recording's path."""

    def __post_init__(self) -> None:
        self.device()

    @property
    def silence_s(self) -> float:
        """As recorded."""
        return self.device().silence_s

    @property
    def period_s(self) -> float:
        """As recorded."""
        return self.device().period_s

    @classmethod
    def detect(cls, search: Search) -> Detection | None:
        """Never: a recording is a file that somebody has."""
        return None

    def title(self) -> str:
        """For logs."""
        return f"replay {self.file}"

    def url(self) -> str:
        """As a probe's URL."""
        return f"replay:{self.file}"

    def names(self) -> tuple[str, ...]:
        """The channels, as recorded."""
        return self.device().names()

    def reader(self) -> Reader:
        """A fresh reader of the recorded device's bytes."""
        return self.device().reader()

    def faster(self) -> str:
        """As recorded."""
        return self.device().faster()

    def source(self, clock: Clock) -> "Replay":
        """The recording, to be played from its beginning."""
        return Replay(Path(self.file), clock)

    def device(self) -> ProbeSettings:
        """The settings of the device that was recorded; raises `ValueError`."""
        try:
            seen = [Path(self.file)]
            while (table := _first(seen[-1])).get("driver") == self.driver:
                seen.append(Path(table["file"]))
                if len(seen) > DEEPEST or len({each.resolve() for each in seen}) < len(seen):
                    raise ValueError("its first line names a recording in place of a device, in a circle or too deep")
            return from_table(table)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            ours = type(error) in (OSError, ValueError, MisfitError)
            reason = why(error) if ours else "its first line is no recording's"
            problem = f"is {self.file}, which is no recording that can be read: {reason}"
            raise MisfitError(f"{problem}; name a file that probe --record wrote", "file") from error


def _first(path: Path) -> dict[str, Any]:
    """The settings in the first line."""
    if not path.is_file():
        raise ValueError(f"{path} is no file")
    with path.open(encoding="utf-8") as file:
        table = json.loads(file.readline(LONGEST_LINE))["probe"]
    if not isinstance(table, dict):
        raise ValueError('its first line has no settings under "probe"')
    return table


class Replay:
    """A source: a recording at the pace at which it was made. It goes on where it was when its device is lost."""

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path, self._clock = path, clock
        self._began_ms: int | None = None
        self._at = 0

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """As `Source` promises; lost for the reasons of the recording, and for `OVER` at its end."""
        if self._began_ms is None:
            self._began_ms = self._clock.now_ms()
        yield None
        try:
            with self._path.open(encoding="utf-8") as file:
                file.seek(self._at)
                yield from self._play(file, stop, self._began_ms)
        except (OSError, ValueError, AttributeError, TypeError, RecursionError) as error:
            raise DriverUnavailable(f"{self._path} can't be played: {error}") from error

    def _play(self, file: IO[str], stop: threading.Event, began_ms: int) -> Iterator[Chunk | None]:
        while not stop.is_set():
            line = file.readline(LONGEST_LINE)
            if len(line) == LONGEST_LINE:
                raise ValueError(f"a line is longer than {LONGEST_LINE} characters")
            if not line.endswith("\n"):
                file.seek(self._at)
                stop.wait(READ_S)
                yield None
                continue
            entry = json.loads(line)
            at_ms = entry.get("ms", 0)
            if type(at_ms) not in (int, float) or not 0 <= at_ms <= LONGEST_MS:
                raise ValueError(f"ms is {at_ms!r}; milliseconds since the beginning are 0 to {LONGEST_MS}")
            while self._clock.now_ms() - began_ms < at_ms:
                stop.wait(READ_S / 10)
                if stop.is_set():
                    return
                yield None
            if entry.get("over"):
                raise DriverLost(OVER)
            self._at = file.tell()
            if gone := entry.get("gone"):
                raise DriverLost(str(gone)[:LONGEST_REASON], "as recorded")
            if "hex" in entry:
                yield Chunk(bytes.fromhex(entry["hex"]), str(entry.get("where", "")))
