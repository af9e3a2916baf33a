"""A random day in a random kitchen: a cook who usually says the next sensible thing, and all that comes in between.

What the cook does is chosen by what the record shows (`tests/model/ledger.py`), and by a seed: the same seed is the
same day, as long as the station answers alike. What must hold is in `tests/model/`.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

from recorder.core import events as e
from recorder.core import meanings as m
from recorder.core.events import RULES, Event, Heard, Intent, ProcedureLoaded, Reading, Started
from recorder.core.limits import to_c
from recorder.core.procedure import Procedure
from tests.disturbances import DISTURBANCES, cabinet, sinks, struck_in_the_cold
from tests.model.batches import FAILED
from tests.model.kitchen import Watched
from tests.model.ledger import Broken, Row
from tests.random_procedures import MINUTE, PARTS, menu


class Day:
    """One kitchen from its start on. `play` raises `Broken`; `watched.history` is what led there."""

    def __init__(self, seed: int, watched: Watched) -> None:
        self.rng = Random(seed)
        self.watched, self.ledger = watched, watched.ledger
        self.at_ms = 0
        self.boot = 1
        self.spot = 0
        self.vats = tuple(range(1, self.rng.randint(1, 4) + 1))
        self.unrest = self.rng.choice([0.05, 0.15, 0.3])
        """How often something comes in between."""
        self.ready_ms: dict[int, int] = {}
        """By batch: when the cook turns to it again."""
        self.said = 0
        self.shift_ended = True
        self.feed(Started(0, "boot-1", self.rng.random() < 0.8, "test", "line-1", self.vats, RULES))
        self.feed(ProcedureLoaded(0, *menu(self.rng)))

    def play(self, steps: int) -> None:
        while self.watched.steps < steps:
            if self.rng.random() < self.unrest:
                self.disturb()
            else:
                self.work()

    def feed(self, event: Event) -> None:
        self.watched.feed(event)

    def wait(self, low_s: float, high_s: float) -> None:
        self.at_ms += round(self.rng.uniform(low_s, high_s) * 1000)

    def chance(self, share: float) -> bool:
        return self.rng.random() < share

    def say(self, meaning: str, *, other: Intent | None = None, **slots: Any) -> None:
        self.wait(0.5, 5)
        self.said += 1
        intent = Intent(meaning, **slots)
        if other is None and self.chance(0.03):
            other = self.intent()
        text = f"{meaning} {self.said}"
        other_text = f"other {self.said}" if other else ""
        self.feed(Heard(self.at_ms, text, intent, "test", "open", None, other, other_text))
        if self.chance(0.04):
            self.colder()
        if self.ledger.question and self.chance(0.8):
            self.say(m.CONFIRM)

    def intent(self) -> Intent:
        """Any sentence."""
        rng = self.rng
        return Intent(
            rng.choice([*m.ALL, m.SCRATCH, m.CONFIRM]),
            vat=rng.choice([None, *self.vats, 9]),
            batch=rng.choice([None, None, rng.randint(1, 29), *(row["number"] for row in self.ledger.open.values())]),
            part=rng.choice([None, *PARTS]),
            count=rng.choice([None, 0, rng.randint(1, 24)]),
            cook=rng.choice([None, 4]),
            product=rng.choice([None, None, None, *(each.product for each in self.ledger.menu), "soup"]),
            number=rng.choice([None, rng.uniform(50, 200)]),
            ice=rng.choice([None, rng.uniform(-2, 40)]),
            percent=rng.choice([None, rng.uniform(0, 40)]),
            lot=rng.choice([None, "041", "7", "0523"]),
        )

    def settle(self, temp_c: float, colder: bool = False, further: int = 1) -> None:
        """The needle comes to rest in another spot."""
        self.spot += further
        medium = self.rng.choice(["air", "steam", "oil", "water", "unsure"]) if self.chance(0.04) else ""
        self.feed(Reading(self.at_ms, e.NEEDLE, temp_c, True, self.spot, 0.2, 9000, colder, medium))

    def stays(self) -> None:
        """The needle stays in its spot for a while, and settles lower there, or does not."""
        for _ in range(self.rng.randint(1, 4)):
            reads = self.watched.needle.reads
            if not reads:
                return
            self.at_ms += self.rng.choice([2000, 2000, 2000, 30_000])
            self.settle(round(reads[-1].temp_c - self.rng.choice([-0.3, 0.05, 0.1, 0.4, 2.5]), 2), further=0)

    def colder(self) -> None:
        """Seconds later it rests in another spot, often straight and colder than before, or sinks in the same one."""
        reads = self.watched.needle.reads
        newest_c = reads[-1].temp_c if reads else 80.0
        self.at_ms += self.rng.choice([1, 3000, 3000, 8000, 19_000, 21_000])
        drop_c = self.rng.choice([0.5, 3.0, 3.0, 12.0, -2.0])
        self.settle(round(newest_c - drop_c, 2), self.chance(0.85), self.rng.choice([0, 1, 1, 1, 1, 1, 1, 1, 1, 2]))

    def disturb(self) -> None:
        happen: Callable[[Day], None] = self.rng.choices(
            [each for each, _ in DISTURBANCES], [weight for _, weight in DISTURBANCES]
        )[0]
        happen(self)

    def work(self) -> None:
        """The next sensible thing: of the batch that waits longest, or a new one."""
        if self.shift_ended:
            self.say(m.SHIFT_START, cook=4)
            self.shift_ended = False
        busy = {row["vat"] for row in self.ledger.open.values() if row["stage"] != "holding"}
        free = [vat for vat in self.vats if vat not in busy]
        if free and len(self.ledger.open) < 8 and (not self.ledger.open or self.chance(0.25)):
            products = [each.product for each in self.ledger.menu[1:]]
            self.say(m.BATCH_START, vat=self.rng.choice(free), product=self.rng.choice([None, *products]))
            return
        if not self.ledger.open:
            self.wait(1, 30)
            return
        row = min(self.ledger.open.values(), key=lambda each: self.ready_ms.get(each["id"], 0))
        ready_ms = self.ready_ms.get(row["id"], 0)
        if ready_ms > self.at_ms:
            self.at_ms = min(ready_ms, self.at_ms + self.rng.randint(1, 4) * MINUTE)
            if ready_ms > self.at_ms:
                return
        self.ready_ms[row["id"]] = self.at_ms
        STAGES[row["stage"]](self, row, self.ledger.procedures[row["id"]])

    def named(self, row: Row) -> dict[str, Any]:
        """The words that say which batch is meant; now and then they are left out."""
        if self.chance(0.1):
            return {}
        return {"batch": row["number"]} if row["stage"] == "holding" else {"vat": row["vat"]}

    def loading(self, row: Row, by: Procedure) -> None:
        loads = self.ledger.kids[row["id"]]["loads"].values()
        known = [part.name for part in by.parts]
        wanted = [name for name in known if name not in [load["part"] for load in loads]]
        if wanted and self.chance(0.85 if not loads else 0.6):
            count = self.rng.randint(1, 12) if self.chance(0.9) else None
            self.say(
                m.LOAD, part=wanted[0] if self.chance(0.9) else self.rng.choice(known), count=count, **self.named(row)
            )
        elif self.chance(0.95):
            self.say(m.LID_LOCKED, **self.named(row))
            self.ready_ms[row["id"]] = self.at_ms + by.planned_cook_ms + self.rng.randint(-60, 120) * 1000
        else:
            self.at_ms += by.planned_cook_ms
            self.say(m.LID_OPEN, **self.named(row))

    def cooking(self, row: Row, by: Procedure) -> None:
        self.say(m.LID_OPEN, **self.named(row))

    def checking(self, row: Row, by: Procedure) -> None:
        kids = self.ledger.kids[row["id"]]
        fresh = [check for check in kids["checks"].values() if check["round"] == len(kids["corrections"])]
        failed = any(check["verdict"] in FAILED for check in fresh)
        if failed and self.chance(0.7):
            self.say(m.COOK_MORE, **self.named(row))
            return
        tired = len(kids["checks"]) > 30 and self.chance(0.5)
        if tired and self.chance(0.5):
            self.say(m.DISCARD, **self.named(row))
            return
        if (row["proven"] and self.chance(0.8)) or tired or self.chance(0.03):
            self.say(m.HOLD_START, **self.named(row))
            if self.chance(0.1):
                struck_in_the_cold(self, by)
            self.ready_ms[row["id"]] = self.at_ms + self.rng.randint(0, by.hold_limit_ms // 1000) * 1200
            return
        read = [check["part"] for check in fresh if check.get("counts")]
        parts = [part.name for part in by.parts if part.name in {load["part"] for load in kids["loads"].values()}]
        parts = [part for part in parts if part not in read] or parts or [by.parts[0].name]
        self.probe(parts[0], by, row)

    def probe(self, part: str, by: Procedure, row: Row) -> None:
        if self.chance(0.06):
            self.say(m.READING, number=self.near(part, by), **self.named(row))
            return
        self.say(m.PROBE, part=part, **self.named(row))
        self.wait(4, 14)
        if self.chance(0.96):
            self.settle(to_c(self.near(part, by, row["stage"] == "holding"), by.unit))
        if self.chance(0.2):
            self.stays()
        if self.chance(0.2):
            self.colder()
        elif self.chance(0.06):
            sinks(self)

    def near(self, part: str, by: Procedure, held: bool = False) -> float:
        """What a piece of this part may be read at, mostly done."""
        of = by.part(part) or by.parts[0]
        if held:
            return by.hold_minimum.value + self.rng.choice([-6.0, -0.1, 0.0, 0.1, 4.0, 9.0, 20.0])
        done = of.target.value + self.rng.choice([0.0, 0.1, 1.0, 3.0, 6.0])
        missed = self.rng.choice(
            [of.target.value - 0.1, of.critical.value, of.critical.value - 0.1, of.critical.value - 9]
        )
        return round(done if self.chance(0.9) else missed, 1)

    def returned(self, row: Row, by: Procedure) -> None:
        self.say(m.LID_LOCKED, **self.named(row))
        self.ready_ms[row["id"]] = self.at_ms + by.more_cook_ms

    def holding(self, row: Row, by: Procedure) -> None:
        match self.rng.choice("ssspppwhdc"):
            case "s":
                count = self.rng.randint(1, 6) if self.chance(0.6) else None
                self.say(m.SOLD, count=count, **self.named(row))
            case "h":
                self.say(m.HOLD_END, **self.named(row))
            case "p":
                self.probe(by.parts[0].name, by, row)
            case "w":
                cabinet(self)
            case "d":
                self.say(m.DISCARD, **self.named(row))
            case _:
                self.say(m.COOK_MORE, **self.named(row))
        self.ready_ms[row["id"]] = self.at_ms + self.rng.randint(0, 6) * MINUTE


STAGES: dict[str, Callable[[Day, Row, Procedure], None]] = {
    "loading": Day.loading,
    "cooking": Day.cooking,
    "checking": Day.checking,
    "returned": Day.returned,
    "holding": Day.holding,
}


EVENTS = 1000
"""Of one kitchen."""


@dataclass
class Lived:
    """What became of one kitchen."""

    seed: int
    ticking: bool
    steps: int
    seen: Counter[str]
    history: list[Event]
    """Where a promise was broken: what led there."""
    error: Broken | None


def lived(seed: int, replayed: bool = False) -> Lived:
    """A kitchen's day, to its end or to the first broken promise; `replayed`: its events are fed again and compared."""
    watched, error = Watched(ticking=seed % 10 != 0), None
    watched.effects = [] if replayed else None
    try:
        Day(seed, watched).play(EVENTS)
        if replayed:
            watched.replay()
    except Broken as broken:
        error = broken
    ledger = watched.ledger
    return Lived(seed, ledger.ticking, watched.steps, ledger.seen, watched.history if error else [], error)
