"""The retained states, made of the world as it stands: open alerts, batches, the last checks, health. Pure.

Each is small and whole: who subscribes gets the newest of each at once, and needs no history.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from recorder.core.alerts import HEARS_BADLY, NOT_HEARING, PROBE_LOST
from recorder.core.batch import Batch, Check, Stage
from recorder.core.limits import in_unit
from recorder.core.subjects.probe_loss import channels as channels_of
from recorder.core.world import World

State = dict[str, Any]

CHECKS = 24
"""So many of the last checks are published."""


def open_alerts(world: World) -> State:
    """All alerts that have not ended."""
    names = ("id", "kind", "level", "text", "batch", "began_ms", "repeats", "acknowledged_ms", "acknowledged_by")
    found = [{name: getattr(alert, name) for name in names} for alert in world.alerts if alert.ended_ms is None]
    return {"alerts": found}


def batches(world: World) -> State:
    """The open batches and where they are."""
    return {"open": [_batch(batch) for batch in world.batches if batch.stage is not Stage.CLOSED]}


def _batch(batch: Batch) -> State:
    procedure, frying = batch.procedure, batch.fryings[-1] if batch.stage is Stage.COOKING else None
    hold = batch.hold if batch.stage is Stage.HOLDING else None
    return {
        "number": batch.number,
        "vat": batch.vat,
        "stage": batch.stage,
        "pieces": batch.pieces,
        "checks_passed": batch.passed,
        "checks_needed": batch.checks_needed,
        "proven": batch.proven,
        "missing": batch.missing,
        "pieces_left": batch.pieces_left,
        "time_proven": frying.time_proven if frying else hold.time_proven if hold else batch.wait_known,
        "cook_started_ms": frying.locked_ms if frying else None,
        "cook_due_ms": frying.locked_ms + batch.planned_ms if frying else None,
        "hold_started_ms": hold.counted_ms if hold else None,
        "hold_limit_ms": hold.counted_ms + procedure.hold_limit_ms if hold else None,
    }


def read_checks(world: World) -> dict[int, State]:
    """The checks that were read of the batches that are open, by id."""
    return {
        check.id: _check(batch, check) for batch in world.batches for check in batch.checks if check.temp_c is not None
    }


def _check(batch: Batch, check: Check) -> State:
    part, unit = batch.procedure.part(check.part), batch.procedure.unit
    assert check.temp_c is not None
    return {
        "batch": batch.number,
        "part": check.part,
        "temperature": round(in_unit(check.temp_c, unit), 2),
        "unit": unit,
        "target": part.target.value if part else None,
        "critical_limit": part.critical.value if part else None,
        "verdict": check.verdict,
        "at_ms": check.closed_ms,
        "probe_was": check.probe_was,
    }


def kept_check(row: Mapping[str, Any]) -> State:
    """The same of a row of the table of checks."""
    names = ("batch", "part", "temperature", "unit", "target", "critical_limit", "verdict")
    return {name: row[name] for name in names} | {"at_ms": row["closed_ms"], "probe_was": row["probe_was"]}


def last_checks(checks: Mapping[int, State]) -> State:
    """The newest of `checks`, oldest first."""
    return {"checks": [checks[id] for id in sorted(checks)[-CHECKS:]]}


def health(world: World, channels: Iterable[str], version: str, unsent: int, free_mb: int) -> State:
    """How the device fares; `channels` are those of its configuration."""
    backs = {name for name, _ in world.backs}
    lost = {
        channel: dict(alert.numbers)["reason"]
        for alert in world.alerts
        if alert.kind == PROBE_LOST and alert.ended_ms is None
        for channel in channels_of(alert)
        if channel not in backs
    }
    names = [*dict.fromkeys([*channels, *world.latest])]
    ear = [alert.text for alert in world.alerts if alert.kind in (NOT_HEARING, HEARS_BADLY) and alert.ended_ms is None]
    return {
        "version": version,
        "probes": {name: lost.get(name, "ok" if name in world.latest else "no reading yet") for name in names},
        "charges": dict(world.charges),
        "hearing": ear[0] if ear else "well",
        "clock_known": world.wall_known,
        "unsent": unsent,
        "free_mb": free_mb,
    }
