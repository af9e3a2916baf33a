"""A station to try things on: an invented kitchen's procedure, and who feeds it and keeps what came of it."""

from pathlib import Path
from typing import Any

from recorder.clock import ManualClock
from recorder.config import Settings, load_phrases
from recorder.core import meanings as m
from recorder.core.effects import Cue, Effect, Notice, Record
from recorder.core.events import RULES, Event, Heard, Intent, ProcedureLoaded, Reading, Started, Tick
from recorder.core.limits import Limit, to_c
from recorder.core.procedure import Part, Procedure
from recorder.core.station import State, deadline, step
from recorder.journal.journal import Journal
from recorder.journal.step_tables import TEXT_IDS
from recorder.notices.outbox import Messages
from tests.appended import append

MINUTE = 60_000


def fahrenheit(value: float) -> Limit:
    return Limit(float(value), "F")


PROCEDURE = Procedure(
    product="breaded bone-in chicken",
    unit="F",
    parts=tuple(Part(name, fahrenheit(180), fahrenheit(165)) for name in ("thigh", "breast", "leg", "wing")),
    pieces_per_load=48,
    shortest_cook_ms=12 * MINUTE,
    planned_cook_ms=13 * MINUTE,
    longest_cook_ms=15 * MINUTE,
    checks_per_batch=4,
    settle_window_ms=45_000,
    hold_limit_ms=60 * MINUTE,
    hold_warning_ms=50 * MINUTE,
    hold_repeat_ms=10 * MINUTE,
    hold_minimum=fahrenheit(135),
    oil_low=fahrenheit(325),
    oil_high=fahrenheit(350),
    spoken_readings_prove=False,
)


def settings_for(database: Path, **said: Any) -> Settings:
    """A station without devices that records there; `said` is what else its configuration says."""
    quiet = {"probes": (), "voice": None, "speaker": None, "mqtt": None, "publish": "alerts"}
    station = {"station": "line-1", "vats": (1,), "procedure": PROCEDURE, "phrases": load_phrases(None)}
    return Settings(**{**quiet, **station, "database": database, **said})


"""Counts, order, 13 min and 180 °F: common practice, no source. 165 °F: FDA Food Code 2022, 3-401.11(A)(3).
135 °F: FDA Food Code 2022, 3-501.16(A)(1). The other times and the oil band are this invented kitchen's own."""


class Kitchen:
    """Feeds a station and keeps all that it asked for."""

    def __init__(
        self, vats: tuple[int, ...] = (1,), procedure: Procedure = PROCEDURE, at_ms: int = 0, rules: int = RULES
    ) -> None:
        self.state = State()
        self.at_ms = at_ms
        self.events: list[Event] = []
        self.effects: list[Effect] = []
        self.spot = 0
        self.feed(Started(at_ms, "boot-1", True, "test", "line-1", vats, rules))
        self.feed(ProcedureLoaded(at_ms, procedure))

    def feed(self, event: Event) -> tuple[Effect, ...]:
        self.state, effects = step(self.state, event)
        self.events.append(event)
        self.effects += effects
        return effects

    def wait(self, ms: int) -> None:
        """Let time pass, with the ticks that the station asks for."""
        until = self.at_ms + ms
        while (due := deadline(self.state)) is not None and due <= until:
            self.feed(Tick(due))
        self.at_ms = until

    def say(self, meaning: str, **slots: object) -> str:
        """Say a command a second later; returns the answer."""
        self.wait(1000)
        intent = Intent(meaning, **slots)  # type: ignore[arg-type]
        effects = self.feed(Heard(self.at_ms, meaning, intent, "test", "open"))
        return next(effect.say for effect in reversed(effects) if isinstance(effect, Cue))

    def hear(self, best: Intent, other: Intent) -> str:
        """Two sentences are nearly as likely, each in the words of its meaning; returns the answer."""
        self.wait(1000)
        heard = Heard(self.at_ms, best.meaning, best, "test", "open", other=other, other_text=other.meaning)
        return next(effect.say for effect in reversed(self.feed(heard)) if isinstance(effect, Cue))

    def read(self, channel: str, value: float, settled: bool = False, spot: int = 0, **how: Any) -> None:
        self.feed(Reading(self.at_ms, channel, to_c(value, "F"), settled, spot, **how))

    def dip(self, value: float, **how: Any) -> None:
        """The needle comes to rest in another spot, at `value` °F."""
        self.wait(8000)
        self.spot += 1
        self.read("needle", value, settled=True, spot=self.spot, **how)

    def check(self, part: str, value: float, **slots: object) -> None:
        self.say(m.PROBE, part=part, **slots)
        self.dip(value)

    def cook(self, vat: int | None = None, minutes: float = 13) -> None:
        """A whole batch up to the open lid."""
        self.say(m.BATCH_START, vat=vat)
        for part in ("thigh", "breast", "leg", "wing"):
            self.say(m.LOAD, part=part, count=12, vat=vat)
        self.say(m.LID_LOCKED, vat=vat)
        self.wait(int(minutes * MINUTE) - 1000)
        self.say(m.LID_OPEN, vat=vat)

    def open_shift(self) -> None:
        """A shift's beginning in which probe and oil get a row of each kind, up to a corrected batch."""
        self.say(m.SHIFT_START, cook=4)
        self.say(m.ICE_POINT)
        self.dip(32, uncertainty_c=0.1)
        self.say(m.OIL_POLAR, percent=22.0)
        self.say(m.OIL_CHANGED)
        self.say(m.OIL_CHANGED)
        for values in ((185, 186, 184), (150, 184)):
            self.read("vat1", 340)
            self.say(m.BATCH_START)
            self.say(m.LOAD, part="thigh", count=12)
            self.say(m.LID_LOCKED)
            for value in (315, 324, 330):
                self.wait(60_000)
                self.read("vat1", value)
            self.wait(10 * MINUTE)
            self.say(m.LID_OPEN)
            for value in values:
                self.say(m.PROBE, part="thigh")
                self.dip(value, uncertainty_c=0.2, settle_ms=9_000)
            if values[0] == 185:
                self.say(m.HOLD_START)
                self.say(m.CONFIRM)
                self.say(m.HOLD_END)
        self.say(m.COOK_MORE)
        self.say(m.LID_LOCKED)
        self.say(m.LID_OPEN)

    def before_the_oil(self) -> None:
        """Raw food out and back, its lot, a cold check that is disputed and one in doubt; breading; oil too cold."""
        self.say(m.RAW_OUT, part="thigh", count=24)
        self.say(m.LOT, lot="0417")
        self.say(m.ICE_POINT)
        self.dip(32)
        for value in (38, 39):
            self.say(m.PROBE_RAW, part="thigh")
            self.dip(value, uncertainty_c=0.1)
        self.say(m.SCRATCH)
        self.say(m.ICE_POINT)
        self.dip(50)
        self.say(m.BREADING_CHANGED)
        self.say(m.BREADING_SIFTED)
        self.read("vat1", 300)
        self.say(m.OIL_READY)
        self.say(m.CONFIRM)
        self.say(m.BATCH_START)
        self.say(m.LOAD, part="thigh", count=12)
        self.say(m.RAW_BACK, part="thigh")

    def deviate(self) -> None:
        """What goes wrong, each once: late words, a dispute, a failed probe, cold food, drops, a late hold."""
        for batch in list(self.state.world.batches):
            self.say(m.DISCARD, batch=batch.number)
            self.say(m.CONFIRM)
        self.say(m.BATCH_START)
        self.say(m.LOAD, part="thigh", count=12)
        self.wait(30 * MINUTE)
        self.say(m.LID_LOCKED)
        self.say(m.LOAD, part="wing", count=12)
        self.wait(13 * MINUTE)
        self.say(m.LID_OPEN)
        for part in ("thigh", "wing", "thigh", "wing"):
            self.check(part, 185)
        self.say(m.SCRATCH)
        self.check("wing", 185)
        self.wait(30 * MINUTE)
        self.say(m.HOLD_START)
        self.say(m.SOLD, count=2)
        self.say(m.DROPPED, count=1)
        for _ in range(4):
            self.read("cabinet", 120)
            self.wait(30_000)
        self.check("thigh", 120)
        self.say(m.ICE_POINT)
        self.dip(50)
        self.say(m.SCRATCH)
        self.say(m.COOK_MORE)
        self.wait(3 * 60 * MINUTE)
        self.say(m.DISCARD, count=5)
        self.say(m.CONFIRM)

    def check_all(self, value: float = 185, **slots: object) -> None:
        for part in ("thigh", "breast", "leg", "wing"):
            self.check(part, value, **slots)

    def rows(self, table: str) -> list[dict[str, Any]]:
        """The rows of a table as they stand, in the order of their ids."""
        rows: dict[object, dict[str, Any]] = {}
        for effect in self.effects:
            if isinstance(effect, Record) and effect.table == table:
                rows[effect.id] = {"id": effect.id, **dict(effect.row)}
        return [rows[key] for key in sorted(rows, key=str if table in TEXT_IDS else int)]  # type: ignore[arg-type]

    def news(self, kind: str) -> list[tuple[str, str]]:
        """As `notices`, without what is only told again."""
        return [each for each in self.notices(kind) if each[1] != "repeated"]

    def notices(self, kind: str | None = None) -> list[tuple[str, str]]:
        """(kind, change) of all notices, or of one kind."""
        told = [(n.alert.kind, n.change) for n in self.effects if isinstance(n, Notice)]
        return [each for each in told if kind in (None, each[0])]


def kept(kitchen: Kitchen, path: Path, publish: str = "alerts") -> Journal:
    """The kitchen's events as a journal at `path`, open."""
    journal, clock, state = Journal.open(path), ManualClock(0), State()
    messages = Messages("kitchen", "line-1", publish)
    for event in kitchen.events:
        clock.at_ms = clock.wall_ms = event.at_ms
        state, effects = step(state, event)
        append(journal, clock.stamp(), event, effects, messages)
    return journal
