"""A long life in minutes: days of full trade through the real station, journal, outbox and teller, and what they cost.

    python -m tests.bench.longlife --days 90 --out FILE.db

Prints, for each simulated week: entries, bytes of the file per entry, resident memory. Then how long the last
recorder's start takes, and reading the whole journal as a start would without the kept state; `verify`, and the report
of the last day. The trade is this bench's own: two vats, 10 hours a
day, invented; needle, oil and cabinet readings as the thinning lets them through (about one in 10 s while they move).
"""

import argparse
import random
import resource
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from recorder import snapshot
from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.core import meanings as m
from recorder.core.events import Event, Heard, Intent, Reading
from recorder.core.limits import to_c
from recorder.journal.messages import Message
from recorder.journal.reader import Reader
from recorder.loop import restored
from recorder.notices.outbox import Outbox
from recorder.notices.state_publisher import StatePublisher
from recorder.reports.day import gather
from recorder.verification.examine import examine
from tests.kitchen import MINUTE, settings_for

DAY_MS = 24 * 60 * MINUTE
BEGIN_MS = 1_772_100_000_000 - 1_772_100_000_000 % DAY_MS + 10 * 60 * MINUTE
PARTS = ("thigh", "breast", "leg", "wing")


class Sink:
    """A broker that takes all, at the next look."""

    def __init__(self) -> None:
        self.taken = 0
        self.latest: dict[str, dict[str, Any]] = {}
        self._tokens: list[tuple[int, bool]] = []

    def connection(self) -> int:
        return 1

    def publish(self, message: Message) -> int | None:
        self.taken += 1
        self._tokens.append((self.taken, True))
        return self.taken

    def acknowledged(self) -> list[tuple[int, bool]]:
        tokens, self._tokens = self._tokens, []
        return tokens

    def tell(self, topic: str, state: dict[str, Any]) -> None:
        self.latest[topic] = state


class Trade:
    """Days of work at one station."""

    def __init__(self, path: Path, chance: random.Random) -> None:
        self.settings = settings_for(path, vats=(1, 2))
        self.chance = chance
        self.clock = ManualClock(BEGIN_MS, boot_id="boot-0")
        self.sink = Sink()
        self.spot = 0
        self.start()

    def start(self) -> None:
        self.journal = open_journal(self.settings)
        self.app = App(self.settings, self.journal, self.clock, lambda cue: None, self._tell)
        self.outbox = Outbox(self.journal.outbox, self.sink)
        self.teller = StatePublisher(self.sink.tell, self.journal, self.settings.database, ("needle", "vat1", "vat2"))
        self.app.open()

    def _tell(self, event: Event, state: Any, effects: Any) -> None:
        if hasattr(self, "teller"):
            self.teller.update(event, state.world, state.at_ms)

    def put(self, event: Event) -> None:
        self.app.loop.inbox.put(event)
        self.turn()

    def turn(self) -> None:
        while self.app.turn(0):
            pass
        self.outbox.step(self.clock.now_ms())
        self.teller.beat(self.app.loop.state.world, self.clock.now_ms())

    def read(self, channel: str, value: float, settled: bool = False) -> None:
        self.put(Reading(self.clock.now_ms(), channel, to_c(value, "F"), settled, self.spot if settled else 0))

    def wait(self, seconds: float) -> None:
        """Time passes, with a reading of each vat and of the cabinet every 25 seconds."""
        end_ms = self.clock.now_ms() + round(seconds * 1000)
        while (left_ms := end_ms - self.clock.now_ms()) > 0:
            self.clock.advance(min(left_ms, 25_000))
            self.read(self.chance.choice(("vat1", "vat2", "cabinet")), self.chance.gauss(340, 3))

    def say(self, meaning: str, vat: int | None = None, **slots: Any) -> None:
        self.clock.advance(1500)
        intent = Intent(meaning, vat=vat, **slots)
        self.put(Heard(self.clock.now_ms(), f"{meaning} {vat or ''}", intent, "sphinx", "open"))

    def day(self) -> None:
        """Ten hours of it, and the night."""
        morning_ms = self.clock.now_ms()
        self.say(m.SHIFT_START, cook=4)
        self.say(m.ICE_POINT)
        self.dip(32.2)
        while self.clock.now_ms() - morning_ms < 10 * 60 * MINUTE:
            for vat in (1, 2):
                self.say(m.BATCH_START, vat)
                for part in PARTS:
                    self.say(m.LOAD, vat, part=part, count=12)
                self.say(m.LID_LOCKED, vat)
            self.wait(13 * 60)
            for vat in (1, 2):
                self.say(m.LID_OPEN, vat)
                for part in PARTS:
                    self.say(m.PROBE, vat, part=part)
                    self.dip(self.chance.gauss(188, 2.5))
                self.say(m.HOLD_START, vat)
                self.say(m.CONFIRM)
            for batch in self.app.loop.state.world.batches[:-4]:
                self.say(m.HOLD_END, batch=batch.number)
        for batch in self.app.loop.state.world.batches:
            self.say(m.HOLD_END, batch=batch.number)
        self.say(m.SHIFT_END)
        self.clock.advance(morning_ms + DAY_MS - self.clock.now_ms())
        self.turn()

    def dip(self, value: float) -> None:
        self.spot += 1
        for share in (0.5, 0.8, 0.95):
            self.clock.advance(2500)
            self.read("needle", 70 + (value - 70) * share)
        self.clock.advance(2000)
        self.read("needle", value, settled=True)


def resident_mb() -> float:
    """Resident memory now, MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def timed(name: str, what: Callable[[], Any]) -> Any:
    begin_s = time.perf_counter()
    found = what()
    print(f"{name}: {time.perf_counter() - begin_s:.2f} s", flush=True)
    return found


def live(path: Path, days: int, seed: int) -> None:
    """`days` of trade into a new database at `path`, then the figures."""
    trade, begin_s = Trade(path, random.Random(seed)), time.perf_counter()
    newest = trade.journal.newest()
    print("week  entries  MB in file  bytes/entry  resident MB", flush=True)
    for day in range(1, days + 1):
        trade.day()
        if day % 7 == 0 or day == days:
            newest = trade.journal.newest()
            assert newest
            size = path.stat().st_size
            row = f"{newest.seq:7d}  {size / 1e6:10.1f}  {size / newest.seq:11.0f}  {resident_mb():11.1f}"
            print(f"{day / 7:4.1f}  {row}", flush=True)
    assert newest
    print(f"{newest.seq} entries in {time.perf_counter() - begin_s:.0f} s; {trade.sink.taken} messages sent")
    trade.app.close()
    del trade.app
    figures(path, trade)


def figures(path: Path, trade: Trade) -> None:
    timed("start of a recorder on it", trade.start)
    newest = trade.journal.newest()
    assert newest
    state, file = snapshot.Snapshot(trade.app.loop.state, newest.hash), snapshot.beside(path)
    timed("to keep its state", lambda: snapshot.save(file, state))
    print(f"  {file.stat().st_size / 1000:.0f} kB, {len(state.state.said)} commands that could be struck")
    timed("a state from the whole journal", lambda: restored(trade.journal))
    timed("the last checks", lambda: trade.journal.last_checks(20))
    trade.app.close()
    print(f"resident {resident_mb():.0f} MB")
    reader = Reader.open(path)
    newest = reader.newest()
    assert newest
    last = datetime.fromtimestamp(newest.stamp.at_ms / 1000, UTC).date() - timedelta(1)  # it ended the next morning
    day = timed("the last day, gathered", lambda: gather(reader, last, UTC))
    print(f"  {day.day}: {len(day.batches)} batches, {len(day.checks)} checks, {day.entries} entries")
    reader.close()
    begin_s = time.perf_counter()
    finding = examine(path)
    took_s = time.perf_counter() - begin_s
    print(f"verify: {took_s:.1f} s, {finding.entries / took_s:.0f} entries/s, {len(finding.faults)} faults")
    print(f"resident {resident_mb():.0f} MB, peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True, help="a new database")
    chosen = parser.parse_args()
    if chosen.out.exists():
        raise SystemExit(f"{chosen.out} is there already; name a new file")
    live(chosen.out, chosen.days, chosen.seed)


if __name__ == "__main__":
    main()
