"""Hot holding: how long the cabinet has been below its minimum. One reading neither begins nor ends an alert."""

from dataclasses import replace

from recorder.core import alerts, station_causes
from recorder.core.batch import Batch, Stage
from recorder.core.limits import Limit
from recorder.core.outcome import FRESH_MS
from recorder.core.world import Cabinet, World

COLD_FOR_MS = 60_000
"""Below its minimum for so long, by each reading meanwhile, is an alert (common practice, no source)."""

COLD_IN_ALL_MS = 10 * 60_000
"""So is so long in one hold, with warm readings in between, as where a door stands open now and then."""

WARM_FOR_MS = 5 * 60_000
"""And warm again is what has been so for so long,"""

WARMER_C = 0.5
"""by this much above the minimum."""

SAME_RUN_MS = 10 * 60_000
"""Readings no farther apart belong to one stretch; what was between them counts only where they are fresh."""


def read(world: World, temp_c: float, at_ms: int) -> World:
    """The cabinet's own probe read `temp_c`."""
    minimum = _minimum(world)
    if minimum is None:
        return world
    last = world.cabinet if world.cabinet and at_ms - world.cabinet.last_ms <= SAME_RUN_MS else None
    below, warm = not minimum.met_by(temp_c), temp_c >= minimum.c + WARMER_C
    if last and at_ms - last.last_ms <= FRESH_MS:
        world = _cold_since(world, last, at_ms)
    for batch in _held(world):
        if batch.hold and not batch.hold.measured:
            world = world.with_batch(batch.id, holds=(*batch.holds[:-1], replace(batch.hold, measured=True)))
    side = Cabinet(below, warm, at_ms, at_ms, temp_c)
    if last and (last.below, last.warm) == (below, warm):
        side = replace(side, since_ms=last.since_ms)
    return replace(world, cabinet=side)


def _cold_since(world: World, last: Cabinet, at_ms: int) -> World:
    """Each batch in holding whose own minimum the last reading was below has been too cold for this long more."""
    for batch in _held(world):
        hold = batch.hold
        assert hold
        more_ms = at_ms - max(last.last_ms, hold.started_ms)
        if more_ms > 0 and not batch.procedure.hold_minimum.met_by(last.temp_c):
            since_ms = hold.cold_since_ms if hold.cold_since_ms is not None else at_ms - more_ms
            cold = replace(hold, cold_ms=hold.cold_ms + more_ms, cold_since_ms=since_ms)
            holds = (*batch.holds[:-1], cold)
            world = world.with_batch(batch.id, holds=holds)
    return world


def watched(world: World, seq: int, at_ms: int) -> World:
    """`world` with the alert of a cold cabinet begun or ended, where the readings say so."""
    holding = _held(world)
    if not holding:
        return alerts.ended(world, at_ms, "nothing is holding", (alerts.HOLD_COLD,))
    side, latest, minimum = world.cabinet, world.latest.get("cabinet"), _minimum(world)
    if side is None or latest is None or minimum is None or at_ms - side.last_ms > FRESH_MS:
        return world
    lasted_ms = side.last_ms - side.since_ms
    if side.warm and lasted_ms >= WARM_FOR_MS:
        return alerts.ended(world, at_ms, "warm again", (alerts.HOLD_COLD,))
    cold_ms = max(batch.hold.cold_ms for batch in holding if batch.hold)
    long_enough = lasted_ms >= COLD_FOR_MS or cold_ms >= COLD_IN_ALL_MS
    if not side.below or not long_enough or alerts.is_open(world, alerts.HOLD_COLD):
        return world
    numbers, lasted_ms = [batch.number for batch in holding], max(lasted_ms, cold_ms)
    return alerts.raised(world, station_causes.hold_cold(numbers, latest.temp_c, minimum, lasted_ms, seq, at_ms))


def _held(world: World) -> list[Batch]:
    """The batches that the cabinet's heat keeps safe."""
    return [batch for batch in world.batches if batch.stage is Stage.HOLDING and not batch.by_time]


def _minimum(world: World) -> Limit | None:
    """The strictest minimum of what is in holding; the procedure's where nothing is."""
    of = [batch.procedure for batch in _held(world)] or ([world.procedure] if world.procedure else [])
    return max((procedure.hold_minimum for procedure in of), key=lambda limit: limit.c, default=None)
