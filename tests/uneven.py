"""A kitchen in which nothing is like anything else: two vats, one procedure in °F and one in °C, limits by part.

A test on an even kitchen can't tell one part's limit from another's, or one batch's hold from its neighbour's.
"""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from recorder.core import meanings as m
from recorder.core.effects import Alert, Cue, Effect, Notice, Record
from recorder.core.events import Event, Heard, ProcedureLoaded, Started
from recorder.core.limits import Limit
from recorder.core.procedure import BY_TIME, Part, Procedure
from tests.kitchen import MINUTE, Kitchen


def f(value: float) -> Limit:
    return Limit(float(value), "F")


def c(value: float) -> Limit:
    return Limit(float(value), "C")


FAHRENHEIT = Procedure(
    product="breaded bone-in chicken",
    unit="F",
    parts=(
        Part("thigh", f(185), f(165)),
        Part("breast", f(175), f(166)),
        Part("leg", f(182), f(167)),
        Part("wing", f(178), f(168)),
    ),
    pieces_per_load=40,
    shortest_cook_ms=11 * MINUTE,
    planned_cook_ms=13 * MINUTE,
    longest_cook_ms=15 * MINUTE,
    checks_per_batch=3,
    settle_window_ms=45_000,
    hold_limit_ms=60 * MINUTE,
    hold_warning_ms=50 * MINUTE,
    hold_repeat_ms=10 * MINUTE,
    hold_minimum=f(138),
    oil_low=f(325),
    oil_high=f(350),
    spoken_readings_prove=False,
    ask_first=(m.DISCARD, m.SHIFT_END),
    probe_check_every_ms=24 * 60 * MINUTE,
    altitude_m=1609.344,
    polar_limit=24.0,
    more_cook_ms=4 * MINUTE,
    raw_wait_ms=9 * MINUTE,
    open_wait_ms=14 * MINUTE,
    returned_wait_ms=3 * MINUTE,
)
"""Critical limits at or above 165 °F and the hold's minimum above 135 °F: FDA Food Code 2022, 3-401.11 and 3-501.16.
All else is this invented kitchen's own."""

CELSIUS = Procedure(
    product="wings and legs",
    unit="C",
    parts=(Part("leg", c(84), c(75)), Part("wing", c(82), c(74))),
    pieces_per_load=30,
    shortest_cook_ms=7 * MINUTE,
    planned_cook_ms=8 * MINUTE,
    longest_cook_ms=10 * MINUTE,
    checks_per_batch=2,
    settle_window_ms=40_000,
    hold_limit_ms=44 * MINUTE,
    hold_warning_ms=32 * MINUTE,
    hold_repeat_ms=5 * MINUTE,
    hold_minimum=c(60),
    oil_low=c(162),
    oil_high=c(178),
    spoken_readings_prove=True,
    ask_first=(),
    more_cook_ms=2 * MINUTE,
    raw_wait_ms=6 * MINUTE,
    open_wait_ms=8 * MINUTE,
    returned_wait_ms=2 * MINUTE,
)

TIMED = replace(CELSIUS, hold_by=BY_TIME, hold_limit_ms=42 * MINUTE)
"""Held by time alone."""


class Uneven(Kitchen):
    """Two vats: batches in vat 1 go by °F, those in vat 2 by °C. It keeps what each event brought."""

    def __init__(self, second: Procedure = CELSIUS) -> None:
        self.steps: list[tuple[Event, tuple[Effect, ...]]] = []
        self.of = {1: FAHRENHEIT, 2: second}
        super().__init__((1, 2), FAHRENHEIT)
        self.say(m.SHIFT_START, cook=4)

    def feed(self, event: Event) -> tuple[Effect, ...]:
        effects = super().feed(event)
        self.steps.append((event, effects))
        return effects

    def begin(self, vat: int, pieces: int = 12, oil: float = 335, parts: tuple[str, ...] = ("leg", "wing")) -> None:
        """A batch in that vat by the vat's own procedure, loaded."""
        self.feed(ProcedureLoaded(self.at_ms, self.of[vat]))
        self.read(f"vat{vat}", oil)
        self.say(m.BATCH_START, vat=vat)
        for part in parts:
            self.say(m.LOAD, part=part, count=pieces + vat, vat=vat)

    def fry(self, vat: int, minutes: float | None = None) -> None:
        """Under the lid for its planned time, or so many minutes."""
        self.say(m.LID_LOCKED, vat=vat)
        self.wait(round((minutes or self.of[vat].planned_cook_ms / MINUTE) * MINUTE))
        self.say(m.LID_OPEN, vat=vat)

    def prove(self, vat: int) -> None:
        """Enough passed checks, each part's once at least."""
        for part, value in (("leg", 186), ("wing", 184), ("leg", 187)):
            self.check(part, value + vat, vat=vat)

    def measure(self, part: str, value: float, vat: int, **how: Any) -> None:
        """A check as `check` makes it; `how` is what else the reading says."""
        self.say(m.PROBE, part=part, vat=vat)
        self.dip(value, **how)

    def hold(self, vat: int) -> None:
        """A batch from the load to hot holding."""
        self.begin(vat)
        self.fry(vat)
        self.prove(vat)
        self.say(m.HOLD_START, vat=vat)

    def number(self, vat: int) -> int:
        """Of the newest batch in that vat."""
        return [batch.number for batch in self.state.world.batches if batch.vat == vat][-1]

    def sell(self, batch: int, count: int | None = None) -> None:
        """Sold, whatever stands against it."""
        if "Confirm" in self.say(m.SOLD, batch=batch, count=count):
            self.say(m.CONFIRM)

    def discard(self, batch: int) -> None:
        if "Say confirm" in self.say(m.DISCARD, batch=batch):
            self.say(m.CONFIRM)

    def restart(self, away_ms: int, gap_known: bool) -> None:
        """The board was without power."""
        self.at_ms += away_ms
        boot = f"boot-{len(self.steps)}"
        self.feed(Started(self.at_ms, boot, True, "test", "line-1", (1, 2), self.state.world.rules, gap_known))

    def open_of(self, kind: str) -> list[Alert]:
        """The open alerts of that kind."""
        return [alert for alert in self.state.world.alerts if alert.kind == kind and alert.ended_ms is None]

    def raised(self) -> list[Alert]:
        """All alerts that began, as they were then."""
        return [each.alert for each in self.effects if isinstance(each, Notice) and each.change == "raised"]


def shown(numbers: tuple[tuple[str, object], ...]) -> str:
    return ", ".join(f"{name} {value!r}" for name, value in numbers)


def told(kitchen: Uneven) -> Iterator[str]:
    """The story of a kitchen, line by line: what happened, what was answered, what became of rows and alerts.

    Of a row that is there already only the columns that changed.
    """
    rows: dict[tuple[str, object], dict[str, Any]] = {}
    for event, effects in kitchen.steps:
        at_s, ms = divmod(event.at_ms, 1000)
        if isinstance(event, Heard):
            slots = {name: getattr(event.intent, name) for name in event.intent.__slots__[1:]}
            what = " ".join([event.intent.meaning, *(f"{k}={v}" for k, v in slots.items() if v is not None)])
        else:
            values = [getattr(event, name) for name in event.__slots__ if name != "at_ms"]
            plain = [value.product if isinstance(value, Procedure) else value for value in values]
            what = " ".join([type(event).__name__, *(f"{value}" for value in plain if value not in ("", None))])
        yield f"{at_s // 3600:02d}:{at_s // 60 % 60:02d}:{at_s % 60:02d}.{ms:03d} {what}"
        for effect in effects:
            match effect:
                case Cue(tone=tone, say=say):
                    yield f"    {tone.value}: {say}"
                case Notice(alert=alert, change=change):
                    yield f"    {change} {alert.id}: {alert.text if change == 'raised' else alert.ended_by or ''}"
                case Record(table=table, id=id, row=row):
                    before = rows.get((table, id), {})
                    now = dict(row)
                    changed = dict(now.items() - before.items())
                    changed = {name: value for name, value in now.items() if name in changed}
                    gone = [name for name in before if name not in now]
                    rows[table, id] = now
                    words = [f"{name} {value}" for name, value in changed.items()] + [f"no {name}" for name in gone]
                    if table != "commands" or changed.get("struck"):
                        yield f"    {table} {id}: {', '.join(words)}"


def same_as_kept(path: Path, lines: list[str], section: str = "") -> None:
    """The lines are those of the file, or of its section with that name.

    With RECORDER_REWRITE set they are written there, to be read by a person.
    """
    sections = _sections(path.read_text("utf-8").splitlines()) if path.exists() else {}
    if os.environ.get("RECORDER_REWRITE"):
        sections[section] = lines
        texts = [line for name, found in sections.items() for line in ([f"# {name}"] if name else []) + found]
        path.write_text("\n".join(texts) + "\n", "utf-8")
    assert lines == sections.get(section), f"read {path.name} {section} again after a change"


def _sections(lines: list[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    name = ""
    for line in lines:
        if line.startswith("# "):
            name = line[2:]
            found[name] = []
        else:
            found.setdefault(name, []).append(line)
    return found
