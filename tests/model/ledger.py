"""What one sees of a station from outside: the events that went in, the rows and notices that came out.

Everything here is bookkeeping; the rules are in the modules beside it. Nothing of `recorder.core` that judges is used:
only the values that go in (`events`, `Procedure`) and come out (`effects`).
"""

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, cast

from recorder.core import meanings as m
from recorder.core.effects import Cue, Effect, Notice, Record
from recorder.core.events import ClockStepped, Event, Heard, Intent, ProcedureLoaded, Started
from recorder.core.procedure import Procedure
from recorder.journal.columns import TABLES, columns

Row = dict[str, Any]
Key = tuple[str, int | str]

COLUMNS = {table: frozenset(columns(table)) for table in TABLES}
PLACED = ("prompts", "tasks")
"""Tables whose ids have an entry's number and a place."""
QUESTION_MS = 20_000
"""So long "confirm" is waited for."""


class Broken(AssertionError):
    """A promise that did not hold."""

    def __init__(self, promise: str, what: str) -> None:
        super().__init__(promise, what)
        self.promise = promise

    def __str__(self) -> str:
        return ": ".join(self.args)


def hold_to(promise: str, holds: Any, *what: Any) -> None:
    """Raises `Broken` where the promise does not hold; `what` says how."""
    if not holds:
        raise Broken(promise, " ".join(map(str, what)))


def shown(temp_c: float, unit: str) -> float:
    """°C in the unit of a procedure, to the millionth: what limits are compared in."""
    return round(temp_c * 1.8 + 32 if unit == "F" else temp_c, 6)


@dataclass
class Step:
    """One event, and what came of it."""

    seq: int
    at_ms: int
    event: Event
    changed: dict[Key, tuple[Row | None, Row]] = field(default_factory=dict)
    """Rows: as they were, as they are."""
    notices: list[Notice] = field(default_factory=list)
    cues: list[Cue] = field(default_factory=list)
    meant: Intent | None = None
    """The sentence that was taken; for a "confirm" that was taken, what was asked about."""
    outcome: str = ""
    """Of the command: "done", "asked", "refused"; "" where no command was heard."""
    confirmed: bool = False
    batches: set[int] = field(default_factory=set)
    """Ids of the batches of which a row changed."""

    def of(self, table: str) -> Iterator[tuple[Any, Row | None, Row]]:
        for (name, id), (old, new) in self.changed.items():
            if name == table:
                yield id, old, new

    def before(self, table: str, id: int | str, row: Row) -> Row | None:
        """`row`, which is so now, as it was before this step."""
        return self.changed[table, id][0] if (table, id) in self.changed else row

    @property
    def struck(self) -> bool:
        """Whether words were taken back."""
        return self.outcome == "done" and self.meant is not None and self.meant.meaning == m.SCRATCH


class Ledger:
    """The rows as they stand, and what else has been said to the station."""

    def __init__(self, ticking: bool = True) -> None:
        self.ticking = ticking
        """Whether a `Tick` came at each moment that the station asked for."""
        self.rows: dict[str, dict[Any, Row]] = {table: {} for table in TABLES}
        self.kids: defaultdict[int, dict[str, dict[int, Row]]] = defaultdict(lambda: defaultdict(dict))
        """Rows that were not struck, by the id of their batch and table."""
        self.procedures: dict[int, Procedure] = {}
        """By the id of the batch."""
        self.menu: tuple[Procedure, ...] = ()
        """Those in force, the one of the product that need not be named first."""
        self.waiting: dict[int, Row] = {}
        """Checks of pieces that wait for a reading."""
        self.open: dict[int, Row] = {}
        """Batches that are not closed."""
        self.alerts: dict[str, Row] = {}
        """Open ones."""
        self.first_load_ms: dict[int, int] = {}
        """By batch: when pieces first went in, also by a load that was struck."""
        self.waited: defaultdict[int, set[str]] = defaultdict(set)
        """By batch: the alerts of waits that were too long."""
        self.raised: dict[str, int] = {}
        """When an alert was last raised."""
        self.question: tuple[Intent, int] | None = None
        self.boot_id: str | None = None
        self.wall_known = True
        self.seq = 0
        self.at_ms = 0
        self.seen: Counter[str] = Counter()
        """How often something worth counting came about."""

    def take(self, event: Event, effects: tuple[Effect, ...]) -> Step:
        self.seq += 1
        since_ms, self.at_ms = self.at_ms, max(self.at_ms, event.at_ms)
        self.since_ms = since_ms
        step = Step(self.seq, self.at_ms, event)
        if isinstance(event, ProcedureLoaded):
            self.menu = (event.procedure, *event.others)
        for effect in effects:
            if isinstance(effect, Record):
                self._row(step, effect)
            elif isinstance(effect, Notice):
                step.notices.append(effect)
                if effect.change == "raised":
                    self.raised[effect.alert.id] = self.at_ms
            else:
                step.cues.append(effect)
        if isinstance(event, Heard):
            self._heard(step, event)
        return step

    def end(self, step: Step) -> None:
        """What the next step is compared with."""
        match step.event:
            case Started(boot_id=boot_id, wall_known=known):
                self.boot_id, self.wall_known = boot_id, known
            case ClockStepped(wall_known=known):
                self.wall_known = known

    @property
    def procedure(self) -> Procedure | None:
        """Of the product that need not be named."""
        return self.menu[0] if self.menu else None

    def newest(self, table: str, batch: int) -> Row | None:
        """The newest row of a batch in a table."""
        rows = self.kids[batch][table]
        return rows[max(rows)] if rows else None

    def _row(self, step: Step, record: Record) -> None:
        table, id = record.table, cast(Any, record.id)
        row: Row = {"id": id, **dict(record.row)}
        hold_to("1 columns", table in COLUMNS and COLUMNS[table] >= row.keys(), table, row.keys())
        old = self.rows[table].get(id)
        if (table, id) in step.changed:
            old = step.changed[table, id][0]
        step.changed[table, id] = (old, row)
        self.rows[table][id] = row
        if old is None and table != "alerts":
            made = self.rows["loads"].keys() if table == "recoveries" else (self.seq,)
            if table in PLACED:  # of one entry several; a prompt before the end has the number of its lid
                hold_to("1 ids", int(id.partition("-")[0]) <= self.seq, table, id, "at", self.seq)
            else:
                hold_to("1 ids", id in made, table, id, "at", self.seq)
        if table == "alerts":
            if old and old["level"] != row["level"]:
                self.raised[id] = self.at_ms
            if row["ended_ms"] is None:
                self.alerts[id] = row
            else:
                self.alerts.pop(id, None)
            return
        hold_to("1 struck", not (old and old["struck"] and not row["struck"]), table, id, "came back")
        if table == "batches":
            step.batches.add(id)
            if old is None and self.menu:
                self.procedures[id] = next(each for each in self.menu if each.product == row["product"])
            if row["struck"] or row["closed_ms"] is not None:
                self.open.pop(id, None)
            else:
                self.open[id] = row
        elif "batch_id" in row and table != "prompts":
            step.batches.add(row["batch_id"])
            if table == "loads":
                self.first_load_ms.setdefault(row["batch_id"], row["at_ms"])
            if table == "checks":
                self.waiting.pop(id, None)
                if row["verdict"] == "open" and not row["struck"]:
                    self.waiting[id] = row
            rows = self.kids[row["batch_id"]][table]
            if row["struck"]:
                rows.pop(id, None)
            else:
                rows[id] = row

    def _heard(self, step: Step, event: Heard) -> None:
        _, row = step.changed.get(("commands", step.seq), (None, None))
        if row is None:
            return
        step.outcome = row["outcome"]
        hold_to("1 commands", row["text"] in (event.text, event.other_text), row)
        step.meant = event.intent if row["text"] == event.text else event.other
        assert step.meant
        for _, old, batch in step.of("batches"):
            meant = step.meant.product or self.menu[0].product
            hold_to("2 product", old or step.meant.meaning != m.BATCH_START or batch["product"] == meant, batch)
        confirms = step.meant.meaning == m.CONFIRM
        if confirms and step.outcome != "refused":
            hold_to("5 confirm", self.question and step.at_ms < self.question[1], "nothing was asked")
            assert self.question
            step.meant, step.confirmed = self.question[0], True
        if step.outcome == "asked":
            self.question = (step.meant, step.at_ms + QUESTION_MS)
        elif not (step.meant.meaning == m.SCRATCH and step.outcome == "refused"):
            self.question = None
