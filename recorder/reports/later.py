"""What changed in a day's rows after it was signed, found by what the journal's entries did since. It replays nothing:
who does so shows it each entry, in order.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from recorder.core.effects import Effect, Record
from recorder.core.events import Event, Heard
from recorder.journal.chain import Entry
from recorder.journal.columns import stored_in
from recorder.reports.day import Day

Key = tuple[str, int | str]
Columns = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """One row that is not as it was when the day was signed."""

    table: str
    row: Columns
    """As it is now, or was at the next signature; moments are those of the time line."""
    before: Columns | None
    """As it was when the day was signed; None for a row that was not there."""
    at_ms: int
    """When it last changed, on the time line."""
    said: tuple[str, ...]
    """The commands by which it did, if it was by commands."""

    def columns(self) -> list[str]:
        """The names of the columns that differ."""
        if self.before is None:
            return []
        return [name for name in {**self.before, **self.row} if self.before.get(name) != self.row.get(name)]


@dataclass(slots=True)
class Later:
    """Watches the entries of the journal for what they do to the rows of one day."""

    day: Day
    _rows: dict[Key, Columns] = field(default_factory=dict)
    _signed: dict[int, dict[Key, Columns]] = field(default_factory=dict)
    """By signature: the rows as they were."""
    _touched: dict[Key, list[tuple[int, int, str]]] = field(default_factory=dict)
    """By row: number and time of the entries that changed it, and what was said in them."""
    _mine: frozenset[Key] = frozenset()

    def __post_init__(self) -> None:
        self._mine = frozenset((table, row["id"]) for table, row in self.day.rows() if table != "signatures")

    def see(self, entry: Entry, event: Event, effects: Sequence[Effect]) -> None:
        """The next entry, and what it asked for."""
        if not self.day.signatures:
            return
        for effect in effects:
            if isinstance(effect, Record) and (key := (stored_in(effect), effect.id)) in self._mine:
                self._rows[key] = {"id": effect.id, **dict(effect.row)}
                if self._signed:
                    said = event.text if isinstance(event, Heard) else ""
                    self._touched.setdefault(key, []).append((entry.seq, entry.stamp.at_ms, said))
        if any(entry.seq == row["id"] for row in self.day.signatures):
            self._signed[entry.seq] = dict(self._rows)

    def after(self, signature: int) -> list[Change] | None:
        """What changed after this signature, up to the next one, in order of time.

        None where the entries that were seen end before it: a record that was changed can't be replayed.
        """
        if signature not in self._signed:
            return None
        later = [seq for seq in sorted(self._signed) if seq > signature]
        now = self._signed[later[0]] if later else self._rows
        found = self._changes(self._signed[signature], now, signature, later[0] if later else None)
        return sorted(found, key=lambda change: change.at_ms)

    def _changes(
        self, before: dict[Key, Columns], now: dict[Key, Columns], signature: int, until: int | None
    ) -> Iterator[Change]:
        for key, row in now.items():
            if before.get(key) == row:
                continue
            since = [
                (at_ms, said)
                for seq, at_ms, said in self._touched[key]
                if seq > signature and (until is None or seq <= until)
            ]
            said = tuple(dict.fromkeys(text for _, text in since if text))
            yield Change(key[0], row, before.get(key), since[-1][0], said)
