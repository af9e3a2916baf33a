"""Food that was too cold in holding: it is hot again within its time, or discarded."""

from collections.abc import Iterator

from recorder.core import alerts
from recorder.core.batch import Batch, Check, Stage
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.limits import in_unit, minutes_text, temp_text
from recorder.core.subject import Change, Subject, Timer
from recorder.core.world import World

REHEAT_MS = 2 * 3_600_000
"""FDA Food Code 2022, 3-403.11(D)."""

REHEAT = {
    "F": "Reheat it to 165 °F for 15 seconds within 2 hours, or discard it (FDA Food Code 2022, 3-403.11).",
    "C": "Reheat it to 74 °C for 15 seconds within 2 hours, or discard it (FDA Food Code 2022, 3-403.11).",
}


def found_cold(world: World, batch: Batch, check: Check, at_ms: int) -> World:
    """A piece in holding is too cold by `check`: from now on the batch is to be reheated within its time."""
    assert batch.hold and check.temp_c is not None
    world = alerts.amended(world, food_cold(batch, check, check.temp_c, at_ms))
    coldest_c = min(check.temp_c, batch.hold.coldest_c if batch.hold.coldest_c is not None else check.temp_c)
    by_ms = batch.reheat_by_ms if batch.reheat_by_ms is not None else at_ms + REHEAT_MS
    return world.with_hold(batch.id, coldest_c=coldest_c).with_batch(batch.id, reheat_by_ms=by_ms)


def hot_again(world: World, batch: Batch) -> World:
    """The checks of `batch` are complete: in time it is hot again, once it is out of holding."""
    hot = batch.reheat_by_ms is not None and not batch.reheat_missed and batch.stage is Stage.CHECKING
    return world.with_batch(batch.id, reheat_by_ms=None, reheat_met_ms=batch.reheat_by_ms) if hot else world


def not_hot_after_all(world: World, batch: Batch) -> World:
    """The checks that said that `batch` is hot again are no longer complete: its time goes on."""
    if world.rules < 6 or batch.reheat_met_ms is None or batch.stage is Stage.CLOSED:
        return world
    return world.with_batch(batch.id, reheat_by_ms=batch.reheat_met_ms, reheat_met_ms=None)


def goes_back_by_ms(batch: Batch, at_ms: int) -> int | None:
    """When a batch that goes back into the oil must be hot again; None where it was not too cold."""
    was = batch.hold if batch.stage is Stage.HOLDING and batch.hold else batch.struck_hold
    if was and batch.reheat_by_ms is None and (was.cold_ms or was.power_ms):
        return (was.cold_since_ms if was.cold_since_ms is not None else at_ms) + REHEAT_MS
    return batch.reheat_by_ms


def _timers(batch: Batch) -> Iterator[Timer]:
    by_ms = batch.reheat_by_ms
    if by_ms is None or batch.reheat_missed or batch.stage is Stage.CLOSED:
        return

    def missed(world: World, _: int) -> Change:
        world = alerts.raised(world, _reheat_late(batch, by_ms))
        say = f"Batch {batch.number} was not hot again within 2 hours. Discard it."
        return world.with_batch(batch.id, reheat_missed=True), (Cue(Tone.ALERT, say),)

    yield by_ms, missed


def food_cold(batch: Batch, check: Check, temp_c: float, at_ms: int) -> Alert:
    """The alert that a piece in hot holding was read below the minimum."""
    minimum = batch.procedure.hold_minimum
    return alerts.made(
        alerts.FOOD_COLD,
        check.id,
        f"Batch {batch.number}, {check.part or 'piece'} in holding: read {temp_text(temp_c, minimum.unit)}, needs"
        f" {minimum.text()}. {REHEAT[minimum.unit]}",
        at_ms,
        batch,
        temperature=round(in_unit(temp_c, minimum.unit), 2),
        limit=minimum.value,
        unit=minimum.unit,
        part=check.part,
    )


def _reheat_late(batch: Batch, at_ms: int) -> Alert:
    return alerts.made(
        alerts.REHEAT_LATE,
        batch.id,
        f"Batch {batch.number}: found too cold in holding, and not checked hot within {minutes_text(REHEAT_MS)}."
        " Discard it (FDA Food Code 2022, 3-403.11).",
        at_ms,
        batch,
        seconds=REHEAT_MS / 1000,
        limit_seconds=REHEAT_MS / 1000,
    )


SUBJECT = Subject(batch_timers=_timers)
