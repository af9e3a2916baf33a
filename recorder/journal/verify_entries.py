"""Whether the entries of a journal are as they were written: each fits its hash, the one before it and the time."""

import json
from collections.abc import Iterator
from typing import Any

from recorder.clock import Stamp
from recorder.core.events import RULES, Event, Started
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import CodecError, canonical, decode, encode
from recorder.journal.errors import JournalError
from recorder.journal.file_integrity import COLUMNS
from recorder.journal.finding import Kind, RecordFault
from recorder.journal.reader import Reader, as_entry, as_row

SCAN = f"SELECT {COLUMNS}, copy FROM journal CROSS JOIN (SELECT 0 AS copy UNION ALL SELECT 1)"
"""The journal as it stands in the file, each row twice: Python reads one row ahead, and where that one is damaged it
loses the row in hand."""


class Chain:
    """The entries so far: each follows the one before it and is what its hash says."""

    def __init__(self) -> None:
        self.faults: list[RecordFault] = []
        self.entries = 0
        self.head = GENESIS
        self.newer = ""
        """What the first entry that only a newer version understands has."""
        self._last = 0
        self._links = {GENESIS}
        self._times = _Times()

    def event(self, row: tuple[Any, ...], entry: Entry) -> Event | None:
        """The event of the next entry, in this row; None where it is not as it was written, or not understood."""
        again = _hashed(entry)
        event: Event | None = None
        wrong = "" if again and as_row(again) == row else "it was changed: its hash does not fit what stands in it"
        if not wrong:
            try:
                event = decode(entry.kind, entry.body)
                wrong = "" if _as_written(event, entry) else "its body is not written as any version writes it"
                if isinstance(event, Started) and event.rules > RULES:
                    self.newer = self.newer or f"entry {entry.seq} begins with rules {event.rules}"
            except CodecError as error:  # with the right hash: a program wrote it
                self.newer = self.newer or f"entry {entry.seq}: {error}"
        if entry.seq == self._last + 1 and entry.previous not in self._links:
            self._fault(entry, "it does not follow the entry before it: the hashes differ", Kind.UNLINKED)
        elif wrong:
            self._fault(entry, wrong, Kind.CHANGED)
        elif mistimed := self._times.fault(entry.stamp):
            self._fault(entry, mistimed, Kind.MISTIMED)
        self.entries, self._last, self.head = self.entries + 1, entry.seq, entry.hash
        self._links = {entry.hash, again.hash} if again else {entry.hash}
        return None if self.newer else event

    def _fault(self, entry: Entry, what: str, kind: Kind) -> None:
        self.faults.append(RecordFault("journal", entry.seq, what, kind))


def _as_written(event: Event, entry: Entry) -> bool:
    """Whether the body is spelled as a version spells it: the first ones also wrote what is at its default."""
    if encode(event) == (entry.kind, entry.body):
        return True
    return canonical(json.loads(entry.body)).decode() == entry.body


def entries(journal: Reader, faults: list[RecordFault]) -> Iterator[tuple[tuple[Any, ...], Entry]]:
    """Rows of the journal and what they say, as far as the file can be read; gaps and damage go to `faults`."""
    seq = 1
    try:
        for *values, copy in journal.rows(SCAN):
            row = tuple(values)
            if copy:
                continue
            if type(row[0]) is not int or row[0] < seq:
                faults.append(RecordFault("journal", seq, f"its number reads {row[0]!r}", Kind.UNREADABLE))
                return
            if row[0] > seq:
                what = f"the entry is missing; the next one is {row[0]}"
                faults.append(RecordFault("journal", seq, what, Kind.MISSING, row[0] - seq))
            yield row, as_entry(row)
            seq = row[0] + 1
    except JournalError as error:
        faults.append(RecordFault("journal", seq, str(error), Kind.UNREADABLE))


def read(journal: Reader, sql: str, table: str, faults: list[RecordFault]) -> Iterator[tuple[Any, ...]]:
    """Rows; a damaged file becomes a fault."""
    try:
        yield from journal.rows(sql)
    except JournalError as error:
        faults.append(RecordFault(table, None, str(error), Kind.UNREADABLE))


def _hashed(entry: Entry) -> Entry | None:
    """The entry with the hash that it should have; None where it holds what no entry can."""
    try:
        return linked(entry.seq, entry.stamp, entry.kind, entry.body, entry.previous)
    except CodecError:
        return None


class _Times:
    """The stamps of the entries so far: the time line and the clock of one boot only go forwards."""

    def __init__(self) -> None:
        self._last: Stamp | None = None
        self._boots: set[str] = set()

    def fault(self, stamp: Stamp) -> str | None:
        """What is wrong with the next stamp; it is remembered where nothing is."""
        last = self._last
        if last and stamp.at_ms < last.at_ms:
            return f"time ran backwards: it is {(last.at_ms - stamp.at_ms) / 1000:g} s before the entry before it"
        if last and stamp.boot_id == last.boot_id and stamp.boot_ms < last.boot_ms:
            return "time ran backwards: its boot clock is before that of the entry before it"
        if last and stamp.boot_id != last.boot_id and stamp.boot_id in self._boots:
            return "it is of a boot that had ended: another boot came between"
        self._last = stamp
        self._boots.add(stamp.boot_id)
        return None
