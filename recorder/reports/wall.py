"""Wall times of what is on record: the time line as it stands in the rows, put right boot by boot. Stored rows stay.

Inside one boot the wall clock runs with the time line but where it is set; so one entry that knew the time gives the
time of all that came before and after it in the same boot.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from recorder.journal.chain import Entry
from recorder.journal.reader import Reader


@dataclass(frozen=True, slots=True)
class Stretch:
    """One boot on the time line."""

    begin_ms: int
    end_ms: int
    """Its newest entry."""
    ahead_ms: int
    """Wall time less time line."""
    known: bool
    """False where the clock was never known to be set: `ahead_ms` is a guess."""
    first: int
    """Number of its first entry."""
    last: int
    """Number of its newest entry."""

    @property
    def begin_wall_ms(self) -> int:
        """Its beginning in wall time."""
        return self.begin_ms + self.ahead_ms

    @property
    def end_wall_ms(self) -> int:
        """Its end in wall time."""
        return self.end_ms + self.ahead_ms


class WallTimes:
    """Turns moments of the time line into wall times."""

    def __init__(self, stretches: Sequence[Stretch]) -> None:
        self.stretches = stretches
        """In the order of time."""
        self._ends = [stretch.end_ms for stretch in stretches]

    def at(self, at_ms: int) -> int:
        """The place in `stretches` of the boot to which this moment belongs.

        What lies between two boots belongs to the later one. It is an event a little older than its entry, which was
        the first, or what came due while the board was off.
        """
        return min(bisect_left(self._ends, at_ms), len(self.stretches) - 1)

    def stretch(self, at_ms: int) -> Stretch:
        """The boot to which this moment belongs, or in which it was foreseen."""
        return self.stretches[self.at(at_ms)]

    def wall_ms(self, at_ms: int) -> int:
        """Its wall time; what lies between two boots stays between them, also where their clocks disagree."""
        at = self.at(at_ms)
        stretch = self.stretches[at]
        wall_ms = at_ms + stretch.ahead_ms
        if at and at_ms < stretch.begin_ms:
            wall_ms = min(max(wall_ms, self.stretches[at - 1].end_wall_ms), stretch.begin_wall_ms)
        return wall_ms


def wall_times(journal: Reader) -> WallTimes:
    """Those of a journal that has entries; raises `JournalError`."""
    stretches: list[Stretch] = []
    newest = journal.newest()
    first = journal.first()
    while first and newest:
        last = journal.last_where(partial(_same_boot, first), first, newest)
        stretches.append(_stretch(journal, first, last, stretches[-1] if stretches else None))
        first = journal.after(last)
    return WallTimes(stretches)


def _same_boot(one: Entry, other: Entry) -> bool:
    return one.stamp.boot_id == other.stamp.boot_id


def _stretch(journal: Reader, first: Entry, last: Entry, before: Stretch | None) -> Stretch:
    begin_ms, end_ms = first.stamp.at_ms, last.stamp.at_ms
    if known := journal.newest_known(first.seq, last.seq):
        return Stretch(begin_ms, end_ms, known.wall_ms - known.at_ms, True, first.seq, last.seq)
    ahead_ms = last.stamp.wall_ms - end_ms
    if before and begin_ms + ahead_ms < before.end_wall_ms:
        ahead_ms = before.ahead_ms  # a clock from before the last boot, such as 1970, says nothing
    return Stretch(begin_ms, end_ms, ahead_ms, False, first.seq, last.seq)
