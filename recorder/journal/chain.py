"""The chain: each entry's hash covers the entry and the hash before it. Pure."""

import hashlib
from dataclasses import dataclass

from recorder.clock import Stamp
from recorder.journal.codec import canonical

GENESIS = "0" * 64
"""What the first entry has for the hash before it."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the journal."""

    seq: int
    """1, 2, 3, ... without a gap."""
    stamp: Stamp
    kind: str
    body: str
    """The event as canonical JSON."""
    previous: str
    """Hash of the entry before this one."""
    hash: str
    """SHA-256 over the canonical JSON of all that stands above, as 64 hexadecimal digits."""


def linked(seq: int, stamp: Stamp, kind: str, body: str, previous: str) -> Entry:
    """The entry with its hash; raises `CodecError` for values that canonical JSON can't hold."""
    covered = {
        "seq": seq,
        "at_ms": stamp.at_ms,
        "boot_id": stamp.boot_id,
        "boot_ms": stamp.boot_ms,
        "wall_ms": stamp.wall_ms,
        "wall_known": int(stamp.wall_known),
        "kind": kind,
        "body": body,
        "previous": previous,
    }
    return Entry(seq, stamp, kind, body, previous, hashlib.sha256(canonical(covered)).hexdigest())
