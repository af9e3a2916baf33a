"""Anchors: what the chain's head was, kept off the device, and whether a database still agrees with them.

A chain alone shows no change by somebody who can compute it again; an anchor out of his reach does. Every message
of the outbox is one, since it has its entry's hash; the retained state `anchor` is another. Knows no broker.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from recorder.journal.chain import Entry
from recorder.journal.codec import CodecError, canonical
from recorder.journal.reader import Reader
from recorder.journal.verify import RecordFault

Genuine = Callable[[bytes, str], bool]
"""Whether the device signed these bytes so."""

Sign = Callable[[bytes], str]


@dataclass(frozen=True, slots=True)
class Anchor:
    """The head of a chain, as a subscriber kept it."""

    line: int
    """Where it stands in the file that was kept."""
    source: str
    """Station and journal, as in the CloudEvents messages."""
    entry: int
    entry_hash: str
    at_ms: int
    signature: str | None = None
    """Over `signed_bytes`; None for what was not signed."""

    @property
    def journal(self) -> str:
        """The journal's name: the first 12 digits of its first entry's hash."""
        return self.source.rpartition("/")[2]


@dataclass(frozen=True, slots=True)
class Compared:
    """What the anchors say about one database."""

    own: int
    """Anchors of this database."""
    newest: int
    """The last entry that one of them covers, 0 where none does; with a key, one that is signed."""
    uncovered: int
    """Entries after it: nothing kept elsewhere speaks for them."""
    others: dict[str, int]
    """Other databases that the anchors know -> the last entry of each: ask for these files too."""
    faults: tuple[RecordFault, ...]


def source(station: str, first_hash: str) -> str:
    """What messages and anchors name as their source."""
    return f"/stations/{station}/journals/{first_hash[:12]}"


def state(station: str, first: Entry, newest: Entry, sign: Sign | None) -> dict[str, Any]:
    """The retained state `anchor` for `newest`, as it goes out."""
    value = _signed_value(source(station, first.hash), newest.seq, newest.hash, newest.stamp.at_ms)
    return {**value, "signature": sign(canonical(value))} if sign else value


def picked(lines: Iterable[str]) -> Iterator[Anchor]:
    """All anchors in lines that `mosquitto_sub` printed, whatever stands before the message; no other line counts."""
    for number, line in enumerate(lines, 1):
        try:
            value = json.loads(line[line.index("{") :])
            data = value["data"] if "specversion" in value else value
            found = (value["source"], data["entry"], data["entry_hash"], data["at_ms"], value.get("signature"))
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            continue
        kinds = (str, int, str, int)
        if all(type(each) is kind for each, kind in zip(found, kinds, strict=False)) and _text_or_none(found[4]):
            yield Anchor(number, *found)


def compare(path: Path, anchors: Sequence[Anchor], genuine: Genuine | None = None) -> Compared:
    """What `anchors` say about the database at `path`; raises `JournalError` where it can't be read.

    It trusts the hashes that stand in the rows: `verify` says whether they are right.
    """
    with Reader.open(path) as journal:
        ends = journal.ends()
        name, last = (ends[0].hash[:12], ends[1].seq) if ends else ("", 0)
        own = [anchor for anchor in anchors if anchor.journal == name]
        faults = [*_foreign(anchors, name), *_order(own)]
        covered = 0
        for anchor in own:
            wrong = _wrong(journal, anchor, last)
            if genuine and anchor.signature is not None and not genuine(signed_bytes(anchor), anchor.signature):
                wrong = "its signature is not that of this key: another device made it, or it was changed"
            elif not wrong and not (genuine and anchor.signature is None):
                covered = max(covered, anchor.entry)
            if wrong:
                faults.append(RecordFault("anchors", anchor.line, wrong))
        if genuine and own and not any(anchor.signature for anchor in own):
            faults.append(RecordFault("anchors", None, "none of them is signed, so the key shows nothing"))
    others: dict[str, int] = {}
    for anchor in anchors:
        if anchor.journal != name:
            others[anchor.source] = max(others.get(anchor.source, 0), anchor.entry)
    return Compared(len(own), covered, last - covered, others, tuple(faults))


def signed_bytes(anchor: Anchor) -> bytes:
    """What the signature of an anchor is over: RFC 8785 JSON of all but itself; empty where that can't be written."""
    try:
        return canonical(_signed_value(anchor.source, anchor.entry, anchor.entry_hash, anchor.at_ms))
    except CodecError:
        return b""


def _signed_value(source: str, entry: int, entry_hash: str, at_ms: int) -> dict[str, Any]:
    return {"source": source, "entry": entry, "entry_hash": entry_hash, "at_ms": at_ms}


def _wrong(journal: Reader, anchor: Anchor, last: int) -> str | None:
    if anchor.entry > last:
        return f"the end is missing: entry {anchor.entry} was there, and the file ends with entry {last}"
    if anchor.entry < 1:
        return f"it is of entry {anchor.entry}, and there can be none"
    entry = journal.at(anchor.entry)
    if entry is None:
        return f"entry {anchor.entry} was there and is missing"
    if entry.hash != anchor.entry_hash:
        return f"entry {anchor.entry} or one before it was rewritten: its hash is not the one that was sent"
    if entry.stamp.at_ms != anchor.at_ms:
        return f"the anchor itself was changed: it has another time than entry {anchor.entry}, and the same hash"
    return None


def _foreign(anchors: Sequence[Anchor], name: str) -> Iterator[RecordFault]:
    """Whether another database stood in for this one."""
    if anchors and not any(anchor.journal == name for anchor in anchors):
        yield RecordFault("anchors", None, "none of them is of this database: the station sent anchors of another one")
    left, away = False, False
    for anchor in anchors:
        mine = anchor.journal == name
        if mine and away:
            yield RecordFault(
                "anchors", anchor.line, "records were kept in another database meanwhile; ask for that file"
            )
        left, away = left or mine, left and not mine


def _order(own: Sequence[Anchor]) -> Iterator[RecordFault]:
    """Whether time ran backwards from one anchored entry to a later one."""
    ordered = sorted(own, key=lambda anchor: anchor.entry)
    for before, after in pairwise(ordered):
        if after.at_ms < before.at_ms:
            yield RecordFault(
                "anchors",
                after.line,
                f"time ran backwards: entry {after.entry} was sent with an earlier time than entry {before.entry}",
            )


def _text_or_none(value: Any) -> bool:
    return value is None or isinstance(value, str)
