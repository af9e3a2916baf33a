"""What an earlier version's recorder left, as this version goes on with it. Values only; nothing is judged again."""

from dataclasses import fields, is_dataclass, replace
from enum import StrEnum
from typing import Any

from recorder.core import batch as batches_now
from recorder.core import world as world_now
from recorder.core.batch import Check, Hold, Verdict
from recorder.core.rules_1_to_4 import batch as batches_then
from recorder.core.rules_1_to_4 import world as world_then
from recorder.core.world import World

NOW: dict[str, Any] = {name: kind for place in (batches_now, world_now) for name, kind in vars(place).items()}
"""This version's classes by their names; an earlier one's has the same name, but for `RENAMED`."""

RENAMED = {"Cook": "Frying", "cooks": "fryings"}
"""An earlier version's classes and fields that have another name now."""

GIVEN_UP = ("spots", "spot_used", "question", "rules", "edition")
"""Fields that every start begins with afresh."""


def carried_over(world: world_then.World) -> World:
    """The world of rules 1 to 4 as one of this version's."""
    carried: World = _now(world)
    return carried


def _now(value: Any) -> Any:
    """The same value in this version's classes."""
    if isinstance(value, tuple):
        return tuple(map(_now, value))
    if isinstance(value, StrEnum) and type(value).__name__ in NOW:
        return NOW[type(value).__name__](value)
    if isinstance(value, batches_then.Batch):
        return _batch(value)
    if not (is_dataclass(value) and type(value).__module__.startswith("recorder.core.rules_1_to_4.")):
        return value
    carried = {each.name: _now(getattr(value, each.name)) for each in fields(value) if each.name not in GIVEN_UP}
    if isinstance(value, batches_then.Hold):
        carried["counted_ms"] = value.started_ms
    name = type(value).__name__
    return NOW[RENAMED.get(name, name)](**carried)


def _batch(batch: batches_then.Batch) -> batches_now.Batch:
    """A batch had one hold, no count of what is left, and any passed check by a probe counted."""
    carried = {
        RENAMED.get(each.name, each.name): _now(getattr(batch, each.name))
        for each in fields(batch)
        if each.name != "hold"
    }
    hold: tuple[Hold, ...] = () if batch.hold is None else (_now(batch.hold),)
    checks: tuple[Check, ...] = tuple(replace(check, counts=_counted(check, batch)) for check in carried["checks"])
    carried |= {"holds": hold, "checks": checks, "discarded_pieces": batch.discarded_pieces or 0}
    return batches_now.Batch(**carried)


def _counted(check: Check, batch: batches_then.Batch) -> bool:
    return check.verdict is Verdict.PASSED and (check.source == "probe" or batch.procedure.spoken_readings_prove)
