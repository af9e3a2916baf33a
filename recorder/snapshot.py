"""Snapshots of the station's state beside its journal, so that a start need not live through its whole life again.

The file is a copy of what the journal says and never more. It is taken up only where the journal still has the entry
that it ends at and the same code reads it as wrote it; in any doubt the journal is read from its first entry.
"""

import hashlib
import json
import logging
import os
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from recorder import private
from recorder.core.effects import Record
from recorder.core.station import State
from recorder.core.striking import Said
from recorder.core.world import World
from recorder.journal.codec import built, decode, encode, plain
from recorder.journal.reader import Reader

log = logging.getLogger(__name__)

MAKERS = ("core", "thermal", "journal/codec.py", "tables.py", "snapshot.py")
"""The parts of the package that make a state what it is."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A state and where it belongs."""

    state: State
    entry_hash: str
    """Of the newest entry that it has lived through."""


def beside(database: Path) -> Path:
    """The file for this database."""
    return database.with_name(f"{database.name}.state")


def save(file: Path, snapshot: Snapshot) -> None:
    """Put it in the place of the one before; whole or not at all. Raises `OSError`."""
    body = json.dumps(_written(snapshot), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    part = file.with_name(f"{file.name}.part")
    with private.writing(part) as written:
        written.write(f"{code()} {_digest(body)}\n{body}\n")
        written.flush()
        os.fsync(written.fileno())
    part.replace(file)


def read(file: Path) -> Snapshot | None:
    """The snapshot in `file`; None where there is nothing, or nothing that can be used."""
    try:
        head, body = file.read_text("utf-8").removesuffix("\n").split("\n")  # other line ends may stand in a text
        return _read(json.loads(body)) if head == f"{code()} {_digest(body)}" else None
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError) as error:
        log.warning("%s can't be used and the journal is read instead: %s", file, error)
        return None


def start(file: Path, journal: Reader) -> State:
    """The state from which only the entries after its own have to be read: the snapshot, or a new station's."""
    snapshot = read(file)
    entry = journal.at(snapshot.state.seq) if snapshot else None
    return snapshot.state if snapshot and entry and entry.hash == snapshot.entry_hash else State()


@cache
def code() -> str:
    """A fingerprint of the code that makes states."""
    digest = hashlib.sha256()
    for name in MAKERS:
        for source in sorted(_sources(files("recorder") / name), key=str):
            digest.update(source.read_bytes())
    return digest.hexdigest()


def _sources(place: Traversable) -> list[Traversable]:
    if not place.is_dir():
        return [place] if place.name.endswith(".py") else []
    return [source for each in place.iterdir() for source in _sources(each)]


def _digest(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()


def _written(snapshot: Snapshot) -> dict[str, Any]:
    state = snapshot.state
    said = [
        {
            "command": plain(each.command),
            "before": plain(each.before),
            "at_ms": each.at_ms,
            "later": [(seq, at_ms, *encode(event)) for seq, at_ms, event in each.later],
        }
        for each in state.said
    ]
    about = {"entry_hash": snapshot.entry_hash, "seq": state.seq, "at_ms": state.at_ms}
    return {**about, "world": plain(state.world), "said": said}


def _read(value: dict[str, Any]) -> Snapshot:
    said = tuple(
        Said(
            built(Record, each["command"]),
            built(World, each["before"]),
            each["at_ms"],
            tuple((seq, at_ms, decode(kind, body)) for seq, at_ms, kind, body in each["later"]),
        )
        for each in value["said"]
    )
    return Snapshot(State(value["seq"], value["at_ms"], built(World, value["world"]), said), value["entry_hash"])
