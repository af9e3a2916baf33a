"""Power cuts at the level of files: what a disk may hold after one, by what was written and what was synced.

SIGKILL loses nothing that the kernel has; a power cut does. So the recorder runs with a shim before the C library
(cuts.c) that writes down each write, truncation, sync, file made and file removed. Replayed up to any of them, a disk
owes what was synced and nothing else: of the rest it may hold all, a part in order, any subset, and the last write torn
in the middle. A disk that promises less may spoil the whole block that it was writing. The shim stands behind
the SQLite that the product uses; a file system of our own inside SQLite would need another one (apsw).
"""

import os
import random
import shutil
import sqlite3
import struct
import subprocess
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from recorder.journal.journal import Journal
from recorder.verification.examine import examine
from tests.shift_under_fire import Life, run
from tests.witness import Witness, starts_as_it_was

SECTOR = 512
"""Bytes that a disk writes as one."""

BLOCK = 4096
"""Bytes that cheap flash rewrites together: power that fails meanwhile may spoil all of them, synced or not."""

KEPT = ("all that was written", "each file to a point", "any subset of the writes")
TORN = ("", ", torn at a sector", ", torn at a byte", ", torn into noise", ", its block spoiled")
SYNCED = "nothing but what was synced"
SPOILED = f"{KEPT[0]}{TORN[-1]}"
WAYS = (SYNCED, *(kept + torn for kept in KEPT for torn in TORN))
"""What a cut leaves of what was not synced."""


@dataclass(frozen=True, slots=True)
class Step:
    """One operation that succeeded."""

    what: str
    """c made, w written, t cut to a length, s synced, u removed, r renamed to `data`."""
    name: str
    """The file's name in the folder; "" is the folder itself."""
    offset: int = 0
    """Where it was written; the length for t."""
    data: bytes = b""


def recorded(lives: Iterable[Life], shim: Path) -> list[Step]:
    """Lives one after another in one folder, with all that they did to its files."""
    steps: list[Step] = []
    for number, life in enumerate(lives):
        log = Path(f"{life.folder}-{number}.log")
        env = {**os.environ, "LD_PRELOAD": str(shim), "CUT_FOLDER": life.folder, "CUT_LOG": str(log)}
        ended = subprocess.run(run(life), env=env, timeout=60).returncode
        assert ended == 0 or (life.point and ended == -9), f"life {number} ended with {ended}"
        steps += _read(log.read_bytes(), life.folder)
    return steps


def _read(log: bytes, folder: str) -> Iterator[Step]:
    head, place = struct.Struct("<cHQI"), 0
    while place < len(log):
        what, path_size, offset, size = head.unpack_from(log, place)
        place += head.size + path_size + size
        path, data = log[place - size - path_size : place - size], log[place - size : place]
        if what == b"r":
            data = data[len(folder) + 1 :]
        yield Step(what.decode(), path.decode()[len(folder) + 1 :], offset, data)


@dataclass(slots=True)
class Content:
    """What was made as one file."""

    synced: bytearray = field(default_factory=bytearray)
    since: list[Step] = field(default_factory=list)
    """What was done to it since the last sync."""


class Disk:
    """A folder of files. It owes the names that were there when the folder was synced, and keeps changes in order."""

    def __init__(self) -> None:
        self._names: dict[str, Content] = {}
        self._synced_names: dict[str, Content] = {}
        self._since: list[dict[str, Content | None]] = []

    def do(self, step: Step) -> None:
        match step.what:
            case "c":
                self._rename({step.name: Content()})
            case "u":
                self._rename({step.name: None})
            case "r":
                self._rename({step.name: None, step.data.decode(): self._names[step.name]})
            case "s" if step.name == "":
                self._synced_names, self._since = dict(self._names), []
            case "s" if step.name in self._names:
                content = self._names[step.name]
                _write(content.synced, content.since)
                content.since = []
            case "w" | "t" if step.name in self._names:  # else it was removed while it was open
                self._names[step.name].since.append(step)

    def written(self) -> dict[str, bytes]:
        """The files as the programs see them."""
        return {name: _after(content, content.since) for name, content in self._names.items()}

    def unsynced(self) -> bool:
        """Whether a cut now may lose anything of the database's."""
        return any(
            content.since
            for name, content in self._names.items()
            if name.startswith("records.db") and name[-3:] != "shm"
        )

    def cut(self, way: str, chance: random.Random) -> dict[str, bytes]:
        """The files as they may be after a cut now."""
        names = dict(self._synced_names)
        changes = len(self._since) if way.startswith(KEPT[0]) else chance.randint(0, len(self._since))
        for change in self._since[: 0 if way == SYNCED else changes]:
            _change(names, change)
        return {name: _after(content, _left(content.since, way, chance)) for name, content in names.items()}

    def _rename(self, change: dict[str, Content | None]) -> None:
        _change(self._names, change)
        self._since.append(change)


def _change(names: dict[str, Content], change: dict[str, Content | None]) -> None:
    """All at once, as file systems do it."""
    for name, content in change.items():
        names.pop(name, None)
        if content:
            names[name] = content


def _left(steps: Sequence[Step], way: str, chance: random.Random) -> list[Step]:
    """Which of the steps a cut leaves; the last one torn, if the way says so."""
    if way == SYNCED:
        return []
    left, share = list(steps), chance.random()
    if way.startswith(KEPT[1]):
        left = left[: chance.randint(0, len(left))]
    elif way.startswith(KEPT[2]):
        left = [step for step in left if chance.random() < share]
    tear = next(tear for tear in reversed(TORN) if way.endswith(tear))
    if tear and left and left[-1].data:
        left[-1:] = _torn(left[-1], tear, chance)
    return left


def _torn(step: Step, tear: str, chance: random.Random) -> list[Step]:
    """A write that was cut in its middle."""
    size = chance.randrange(len(step.data))
    place = step.offset + size
    if tear == TORN[1]:
        size = max(size - place % SECTOR, 0)
    torn = [Step("w", step.name, step.offset, step.data[:size])]
    if tear == TORN[3]:
        torn.append(Step("w", step.name, place, chance.randbytes(min(SECTOR - place % SECTOR, len(step.data) - size))))
    elif tear == TORN[4]:
        torn.append(Step("w", step.name, place - place % BLOCK, chance.randbytes(BLOCK)))
    return torn


def _after(content: Content, steps: Sequence[Step]) -> bytes:
    made = bytearray(content.synced)
    _write(made, steps)
    return bytes(made)


def _write(made: bytearray, steps: Sequence[Step]) -> None:
    for step in steps:
        end = step.offset + len(step.data)
        made.extend(bytes(max(end - len(made), 0)))
        if step.what == "t":
            del made[step.offset :]
        else:
            made[step.offset : end] = step.data


@dataclass(frozen=True, slots=True)
class Held:
    """One cut, after which everything held."""

    way: str
    cued: int
    """Entries that had been cued before the cut, each found in the journal."""
    given: int
    """Messages that the broker had been given before it, each found in the journal."""
    unsynced: bool
    """Whether anything was at stake: something was not synced."""
    kept: bool
    """Whether a state could be used that was kept beside the database; it leads to where the journal does."""


def cut(
    steps: Sequence[Step], cuts: int, folder: Path, chance: random.Random, ways: Sequence[str] = WAYS
) -> Iterator[Held]:
    """Cuts the power so often, at random steps, each time in the next way, and asserts what must hold."""
    places = sorted(chance.choices(range(len(steps)), k=cuts))
    disk, done = Disk(), 0
    for number, place in enumerate(places):
        for step in steps[done : place + 1]:
            disk.do(step)
        done = place + 1
        way = ways[number % len(ways)]
        try:
            yield held(way, disk, folder, chance)
        except Exception as error:
            error.add_note(f"cut after step {place} ({steps[place].what} {steps[place].name}): {way}")
            raise


def held(way: str, disk: Disk, folder: Path, chance: random.Random) -> Held:
    """Asserts what must hold after a cut now; `folder` is filled with what is left."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    text = disk.written().get("witness.log", b"").decode()  # is outside: no cut takes it back
    witness, records = Witness(text), folder / "records.db"
    for name, content in disk.cut(way, chance).items():
        if not name.endswith("-shm"):  # never synced, and made anew
            (folder / name).write_bytes(content)
    (folder / "witness.log").write_text(text)
    Journal.open(records).close()
    with closing(sqlite3.connect(records)) as connection:
        witness.compare(connection)
    faults = examine(records).faults
    assert faults == (), f"verify says {faults[0]}"
    return Held(way, len(witness.cued), len(witness.given), disk.unsynced(), starts_as_it_was(records))
