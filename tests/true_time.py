"""A station in histories of work, set clocks, kills and power cuts, of which the true time is known."""

import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from recorder.app import App, messages, open_journal
from recorder.clock import Board, SystemClock
from recorder.core import meanings as m
from recorder.core.batch import Stage
from recorder.core.effects import Effect
from recorder.core.events import Event, Heard, Intent, Signed
from recorder.core.station import State
from recorder.journal.journal import Journal
from recorder.loop import Loop
from tests.kitchen import MINUTE, settings_for

HISTORIES = int(os.environ.get("TIME_HISTORIES", "40"))


BEGIN_MS = round(datetime(2028, 2, 28, 21, 30, tzinfo=UTC).timestamp() * 1000)
"""True time at the begin: the evening before a leap day."""


HOUR = 60 * MINUTE


SYNC_MS = 200
"""How far a wall clock that is known to be set may be off."""


MEMORY = Path("/dev/shm") if Path("/dev/shm").is_dir() else None


NEXT = {
    None: (m.BATCH_START,),
    Stage.LOADING: (m.LOAD, m.LID_LOCKED),
    Stage.COOKING: (m.LID_OPEN,),
    Stage.CHECKING: (m.HOLD_START, m.CONFIRM),
}


class TrueTime(Board):
    """A board that has no clock battery, and the time that it really is."""

    def __init__(self, begin_ms: int = BEGIN_MS) -> None:
        self.true_ms = begin_ms
        self._boots = 0
        self.boot(0, 10_000 - begin_ms, known=False)

    def boot(self, off_ms: int, wrong_ms: int, known: bool) -> None:
        """The power was away for `off_ms`; the wall clock is now wrong by `wrong_ms`."""
        self.true_ms += off_ms
        self._booted_ms = self.true_ms - 5_000
        self._boots += 1
        self.set(wrong_ms, known)

    def set(self, wrong_ms: int, known: bool) -> None:
        self.wrong_ms, self.known = wrong_ms, known

    def boot_id(self) -> str:
        return f"boot-{self._boots}"

    def boot_ms(self) -> int:
        return self.true_ms - self._booted_ms

    def wall_ms(self) -> int:
        return self.true_ms + self.wrong_ms

    def wall_known(self) -> bool:
        return self.known


class Bench:
    """A station on that board, and what really happened when."""

    def __init__(self, path: Path, board: TrueTime | None = None) -> None:
        self.board = board or TrueTime()
        self.settings = settings_for(path)
        self.signs = "2028-02-29"
        self.true_ms: dict[int, int] = {}
        """Of what was said, by the time line."""
        self.synced: set[str] = set()
        """Boots whose clock was known to be set at an entry."""
        self.doubts_ms: list[int] = []
        """True times of gaps that the recorder can't know the length of."""
        self.cuts_ms: list[int] = []
        """True times at which the power came back."""
        self.start()
        self.say(m.SHIFT_START)

    def start(self) -> None:
        self.journal = open_journal(self.settings)
        newest = self.journal.newest()
        self.clock = SystemClock(newest.stamp if newest else None, self.board)
        self.app = App(self.settings, self.journal, self.clock, lambda cue: None, self._kept)
        self.app.open()

    def _kept(self, event: Event, state: State, effects: Sequence[Effect]) -> None:
        if isinstance(event, Heard):
            self.true_ms[event.at_ms] = self.board.true_ms
        if self.board.known:
            self.synced.add(self.board.boot_id())

    def settle(self) -> None:
        while self.app.turn(0):
            pass

    def wait(self, ms: int) -> None:
        """Time passes; the loop turns as it would."""
        for _ in range(4):
            self.board.true_ms += ms // 4
            self.settle()

    def say(self, meaning: str, batch: int | None = None) -> None:
        self.board.true_ms += 7
        intent = Intent(meaning, part="thigh", count=12, cook=4, batch=batch)
        self.app.loop.inbox.put(Heard(self.clock.now_ms(), meaning, intent, "test", "open"))
        self.settle()

    def work(self) -> None:
        """The next thing that makes sense with the batch in the vat."""
        stages = [
            each.stage for each in self.app.loop.state.world.batches if each.stage not in (Stage.HOLDING, Stage.CLOSED)
        ]
        for meaning in NEXT[stages[0] if stages else None]:
            self.say(meaning)

    def end_hold(self) -> None:
        held = [each.number for each in self.app.loop.state.world.batches if each.stage is Stage.HOLDING]
        self.say(m.HOLD_END, held[0] if held else None)
        self.say(m.CONFIRM)

    def do(self, what: str, ms: int) -> None:
        match what:
            case "work":
                self.work()
            case "hold end":
                self.end_hold()
            case "scratch":
                self.say(m.SCRATCH)
            case "wait":
                self.wait(min(ms, HOUR))
            case "sync":
                self.board.set(_small(ms), known=True)
                self.settle()
            case "set back" | "set on":
                self.board.set(self.board.wrong_ms + (-100 if what == "set back" else 100) * ms, known=False)
                self.settle()
            case "stopped":
                self.app.close()
                self.board.true_ms += ms
                self.start()
            case "killed":
                self.journal.close()
                self.board.true_ms += ms
                self.start()
            case "signed":
                journal, clock = self.cut(ms, 0, known=False)
                loop = Loop(journal, clock, lambda cue: None, messages(self.settings, journal))
                loop.handle(Signed(clock.now_ms(), self.signs, "JD"))
                journal.close()
                self.board.set(0, known=True)
                self.start()
            case "cut, right":
                self.restart(ms, _small(ms), known=True)
            case "cut, 1970":
                self.restart(ms, 10_000 - self.board.true_ms - ms, known=False)
            case "cut, last shutdown":
                self.restart(ms, self.board.wrong_ms - ms, known=False)
            case "cut, wrongly right":
                self.restart(ms, -ms - 30 * HOUR, known=True)
                self.do("sync", ms)

    def restart(self, off_ms: int, wrong_ms: int, known: bool) -> None:
        self.cut(off_ms, wrong_ms, known)[0].close()
        self.start()

    def cut(self, off_ms: int, wrong_ms: int, known: bool) -> tuple[Journal, SystemClock]:
        """The power goes and comes back, the recorder is not started yet; its journal and clock."""
        newest = self.journal.newest()
        assert newest
        self.journal.close()
        self.board.boot(off_ms, wrong_ms, known)
        self.cuts_ms.append(self.board.true_ms)
        if not (newest.stamp.wall_known and known and self.board.wall_ms() >= newest.stamp.wall_ms):
            self.doubts_ms.append(self.board.true_ms)
        return open_journal(self.settings), SystemClock(newest.stamp, self.board)


def _small(ms: int) -> int:
    return ms % (2 * SYNC_MS) - SYNC_MS


HAPPENINGS = ("wait", "sync", "set back", "set on", "killed", "stopped", "signed", "scratch", "hold end")


CUTS = ("cut, right", "cut, 1970", "cut, last shutdown", "cut, wrongly right")
