"""To which station, batch, shift and day each row of one journal belongs, for an export. It reads what is readable."""

from bisect import bisect_right
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any

from recorder.core.events import ProbeLost, ProcedureLoaded, Reading, Started
from recorder.core.limits import in_unit
from recorder.journal.chain import Entry
from recorder.journal.codec import CodecError, decode
from recorder.journal.errors import JournalError
from recorder.journal.reader import Reader
from recorder.reports.days import MOMENT, PARTS
from recorder.reports.wall import WallTimes, wall_times

Row = dict[str, Any]

LONGEST_SHIFT_MS = 24 * 3_600_000
"""A shift that nobody ended counts for so long; what comes later stands with its own day."""

OWN_MOMENT = MOMENT | {
    "loads": "at_ms",
    "fryings": "lid_locked_ms",
    "checks": "opened_ms",
    "corrections": "at_ms",
    "holds": "started_ms",
    "signatures": "at_ms",
    "readings": "at_ms",
}
"""Table -> the moment at which a row of it began."""


@dataclass(frozen=True, slots=True)
class Days:
    """A range of local days, both included; None: without end."""

    first: date | None = None
    last: date | None = None

    def __contains__(self, day: date) -> bool:
        return (self.first is None or day >= self.first) and (self.last is None or day <= self.last)


class Lookup:
    """One journal, in one zone, for the shifts that began on `days`."""

    def __init__(self, journal: Reader, zone: tzinfo, days: Days | None = None) -> None:
        self.days = days or Days()
        self.unread: list[str] = []
        """What could not be read of a damaged journal, for people."""
        self._journal = journal
        self._zone = zone
        self._walls: WallTimes | None = None
        stations: list[tuple[int, str]] = []
        units: list[tuple[int, str]] = []
        if self.readable("journal"):
            try:
                self._walls = wall_times(journal) if journal.newest() else None
                for entry in journal.of_kinds("started", "procedure loaded"):
                    match _event(entry):
                        case Started(station=station):
                            stations.append((entry.seq, station))
                        case ProcedureLoaded(procedure=procedure):
                            units.append((entry.seq, procedure.unit))
            except JournalError as error:
                self.unread.append(f"names of the station and wall times: {error}")
        self._stations, self._units = _Known(stations), _Known(units)
        self._batches = {row["id"]: row for row in self._each("batches")}
        self._shifts = {row["id"]: row for row in self._each("shifts")}
        self._numbered: dict[int, list[int]] = {}
        for id, row in sorted(self._batches.items()):
            self._numbered.setdefault(row["number"], []).append(id)
        began = ((row["started_ms"], row["id"]) for row in self._shifts.values() if not row["struck"])
        self._began = _Known(sorted((at_ms, id) for at_ms, id in began if at_ms is not None))

    @property
    def zone_name(self) -> str | None:
        """Such as Europe/Madrid; None where this machine does not name its zone."""
        return getattr(self._zone, "key", None)

    def readable(self, table: str) -> bool:
        """Whether a table is as the recorder makes it: no other is read."""
        return table not in self._journal.made_otherwise()

    def stored(self, table: str) -> Iterator[Row]:
        """The rows of a table, in the order of their ids; raises `JournalError`."""
        return self._journal.each(table)

    def readings(self) -> Iterator[Row]:
        """What the probes read, and where one was lost, as rows; of a damaged journal what can be read."""
        try:
            for entry in self._journal.of_kinds("reading", "probe lost", **self._near()):
                event = _event(entry)
                if isinstance(event, Reading | ProbeLost):
                    yield self._reading(entry.seq, event)
        except JournalError as error:
            self.unread.append(f"readings: {error}")

    def wanted(self, table: str, row: Row) -> bool:
        """Whether a row belongs to `days`; one of no known day belongs to all."""
        day = self.shift_day(table, row)
        return day is None or day in self.days

    def station(self, row: Row) -> str | None:
        """The station's name when the entry that made this row was recorded."""
        number = str(row["id"]).partition("-")[0]
        return self._stations.at(int(number)) if number.isdecimal() else None

    def batch_id(self, table: str, row: Row) -> int | None:
        """The batch to which a row belongs. Where it has the spoken number alone, the newest one of that number."""
        if table == "batches":
            return int(row["id"])
        if "batch_id" in row or row.get("batch") is None:
            return row.get("batch_id")
        ids, number = self._numbered.get(row["batch"], []), str(row["id"]).partition("-")[0]
        before = bisect_right(ids, int(number)) if number.isdecimal() else 0
        return ids[before - 1] if before else None

    def day(self, table: str, row: Row) -> date | None:
        """The local day on which it began, as `days.Calendar` has it."""
        if table == "signatures":
            with suppress(TypeError, ValueError):
                return date.fromisoformat(row["day"])
        return self._day(self._moment(table, row), self._zone)

    def day_utc(self, table: str, row: Row) -> date | None:
        """The day in UTC of the moment that decides `day`; of a signature, of its own moment."""
        return self._day(self._moment(table, row), UTC)

    def shift_day(self, table: str, row: Row) -> date | None:
        """The local day on which the row's shift began, so that a night shift stays whole."""
        if table in ("signatures", "shifts"):
            return self.day(table, row)
        at_ms = self._moment(table, row)
        batch = self._batches.get(self.batch_id(table, row), {})
        shift = self._shifts.get(batch.get("shift") or row.get("shift")) or self._running(at_ms)
        began_ms = shift["started_ms"] if shift else None
        if at_ms is None or began_ms is None or at_ms - began_ms > LONGEST_SHIFT_MS:
            return self.day(table, row)
        return self._day(began_ms, self._zone)

    def local(self, at_ms: int | None) -> str | None:
        """A moment of the time line as the zone's clocks show it, in ISO 8601 with its offset."""
        moment = self._wall(at_ms, self._zone)
        return moment.isoformat(timespec="seconds") if moment else None

    def _moment(self, table: str, row: Row) -> Any:
        """The moment that decides to which day a row belongs: of what belongs to a batch, the batch's."""
        batch = self._batches.get(row.get("batch_id")) if table in PARTS else None
        return batch["started_ms"] if batch else row[OWN_MOMENT[table]]

    def _running(self, at_ms: int | None) -> Row | None:
        """The shift at work at this moment, or None."""
        id = self._began.at(at_ms) if at_ms is not None else None
        shift = self._shifts[id] if id is not None else None
        over = shift and at_ms is not None and shift["ended_ms"] is not None and at_ms > shift["ended_ms"]
        return None if over else shift

    def _day(self, at_ms: int | None, zone: tzinfo) -> date | None:
        moment = self._wall(at_ms, zone)
        return moment.date() if moment else None

    def _wall(self, at_ms: int | None, zone: tzinfo) -> datetime | None:
        if at_ms is None:
            return None
        wall_ms = self._walls.wall_ms(at_ms) if self._walls else at_ms
        try:
            return datetime.fromtimestamp(wall_ms // 1000, zone)
        except (OverflowError, ValueError, OSError):  # of a changed row: no calendar has that day
            return None

    def _near(self) -> dict[str, int]:
        """Bounds on the time line, wide enough for `days` and the night shifts that reach beyond them."""
        bounds = {}
        ahead = [each.ahead_ms for each in self._walls.stretches] if self._walls else [0]
        if self.days.first:
            bounds["low_ms"] = _midnight(self.days.first, self._zone) - max(ahead)
        if self.days.last and self.days.last < date.max - timedelta(2):
            bounds["high_ms"] = _midnight(self.days.last + timedelta(2), self._zone) - min(ahead)
        return bounds

    def _reading(self, seq: int, event: Reading | ProbeLost) -> Row:
        unit = self._units.at(seq)
        vat = event.channel.removeprefix("vat") if event.channel.startswith("vat") else ""
        row: Row = {"id": seq, "at_ms": event.at_ms, "channel": event.channel, "unit": unit}
        row |= {"vat": int(vat) if vat.isdecimal() else None, "temperature": None, "uncertainty_c": None}
        if isinstance(event, ProbeLost):
            return row | {"lost": event.reason}
        return row | {
            "temp_c": event.temp_c,
            "uncertainty_c": event.uncertainty_c,
            "temperature": in_unit(event.temp_c, unit) if unit else None,
            "settled": int(event.settled),
            "spot": event.spot,
            "settle_seconds": event.settle_ms / 1000 if event.settle_ms is not None else None,
            "colder": int(event.colder),
            "medium": event.medium or None,
        }

    def _each(self, table: str) -> Iterator[Row]:
        return self._journal.each(table) if self.readable(table) else iter(())


class _Known:
    """Values that hold from a number on, until the next one."""

    def __init__(self, found: list[tuple[int, Any]]) -> None:
        self._from, self._values = [at for at, _ in found], [value for _, value in found]

    def at(self, number: int) -> Any:
        """The value that holds at `number`; None before the first."""
        place = bisect_right(self._from, number)
        return self._values[place - 1] if place else None


def _event(entry: Entry) -> Any:
    """The entry's event; None where it can't be read, which `verify` names."""
    try:
        return decode(entry.kind, entry.body)
    except CodecError:
        return None


def _midnight(day: date, zone: tzinfo) -> int:
    return round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
