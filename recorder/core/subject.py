"""The one interface of a subject: what it does with words, events and time, and how it looks as rows.

A subject is all of one thing, in one module under `subjects/` that ends in a value `SUBJECT`. A new one is that
module, its name in `subjects.SUBJECTS`, the lines of its alerts in `alerts.KINDS` and of its words in `meanings`.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from recorder.core.batch import Batch
from recorder.core.effects import Cue, Tone, Value
from recorder.core.events import Event
from recorder.core.limits import in_unit
from recorder.core.meanings import Intent
from recorder.core.world import Question, World

QUESTION_MS = 20_000
"""How long "confirm" is waited for."""

Change = tuple[World, tuple[Cue, ...]]
"""The world after something, and what the cook hears of it."""

Timer = tuple[int, Callable[[World, int], Change]]
"""When something is due, and what it does to the world; it is given the time that it really is."""

Columns = tuple[tuple[str, Value], ...]
Row = tuple[tuple[str, int | str], Columns]
"""A table and an id in it; the columns. The last column is "struck" where a thing can be struck."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When something happens."""

    seq: int
    """The number of its journal entry: the id of what it makes."""
    at_ms: int
    since_ms: int
    """The time of the entry before."""


@dataclass(frozen=True, slots=True)
class Command:
    """A sentence that is to be acted on."""

    intent: Intent
    now: Moment
    agreed: str = ""
    """The deviations that were confirmed."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a command."""

    world: World
    outcome: str
    """ "done", "asked", "refused", "answered", or "unanswered": a question with nothing to tell."""
    tone: Tone
    say: str
    ask: str = ""
    """How to ask whether to do it; "" where `say` serves for that."""
    strained: bool = False
    """Whether it was asked because the words hardly fit: another sentence that does fit is likelier."""

    @property
    def sensible(self) -> bool:
        """Whether the words made sense in the world as it was."""
        return self.outcome not in ("refused", "unanswered") and not self.strained


class Refusal(Exception):
    """Carries the reason of a refusal up to `commands.obey`, which lets none out."""


def done(world: World, say: str, tone: Tone = Tone.DONE) -> Answer:
    """A command that was obeyed."""
    return Answer(world, "done", tone, say)


def asked(world: World, intent: Intent, because: str, say: str, at_ms: int, strained: bool = False) -> Answer:
    """A command that is done, as the deviation `because`, only after "confirm"."""
    world = replace(world, question=Question(intent, at_ms + QUESTION_MS, because))
    return Answer(world, "asked", Tone.ASKS, say, strained=strained)


def asks_first(world: World, intent: Intent) -> bool:
    """Whether the procedure wants this confirmed before it is done."""
    return world.procedure is not None and intent.meaning in world.procedure.ask_first


@dataclass(frozen=True, slots=True)
class Subject:
    """What one subject does; what is left out, it does not do."""

    commands: Mapping[str, Callable[[World, Command], Answer]] = field(default_factory=dict)
    """By meaning. Each may raise `Refusal`."""
    events: Mapping[type[Event], Callable[[World, Any, Moment], Change]] = field(default_factory=dict)
    """What it does with an event."""
    timers: Callable[[World], Iterable[Timer]] | None = None
    """What the station waits for."""
    batch_timers: Callable[[Batch], Iterable[Timer]] | None = None
    """What one batch waits for."""
    after: Callable[[World, World, Moment], Change] | None = None
    """Looks at the world before and after each event or command."""
    rows: Callable[[World, World], Iterable[Row]] | None = None
    """Its rows of a world, but for those of values that the other world shares with it."""
    batch_rows: Callable[[Batch], Iterable[Row]] | None = None
    """Its rows of one batch."""


def given(**columns: Value) -> Columns:
    """The columns that have a value: a row without one is as it was before there was such a column."""
    return tuple((name, value) for name, value in columns.items() if value is not None)


def seconds(ms: int | None) -> float | None:
    """For a column: milliseconds as seconds."""
    return None if ms is None else ms / 1000


def shown(temp_c: float | None, unit: str) -> float | None:
    """For a column: a temperature in `unit`, to the hundredth."""
    return None if temp_c is None else round(in_unit(temp_c, unit), 2)


def of_batch(batch: Batch) -> Columns:
    """The first columns of a row that belongs to `batch`."""
    return (("batch", batch.number), ("batch_id", batch.id))
