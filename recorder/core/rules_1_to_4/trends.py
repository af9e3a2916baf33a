"""What batches say of the next ones: bounds from few pieces, drifts of parts, oil that recovers slower. It warns early.

It is told what happened by the commands and `station.py`, and keeps short histories in the world.
"""

from dataclasses import replace
from statistics import fmean

from recorder.core import meanings as m
from recorder.core.effects import Alert, Value
from recorder.core.events import vat_channel
from recorder.core.limits import to_c
from recorder.core.rules_1_to_4 import alerts, batch_causes, station_causes
from recorder.core.rules_1_to_4.batch import Batch, Stage
from recorder.core.rules_1_to_4.world import Care, OilRecord, Recovery, World
from recorder.thermal import oil, sampling

LEAST_PIECES = 3
"""Two pieces alone carry no bound that anybody could use: it lies 26 standard deviations down."""

KEPT = 40
"""Batches that a history remembers."""

CARE = {m.OIL_FILTERED: (m.OIL_FILTERED,), m.OIL_CHANGED: (m.OIL_FILTERED, m.OIL_CHANGED)}
"""What makes oil anew -> what it counts as: fresh oil needs no filtering."""

COURSE_KEPT = 240
"""Readings of a recovery; oil that takes more is given up."""


def batch_read(world: World, batch: Batch, at_ms: int) -> World:
    """The first checks of `batch` are done: its bounds, and whether its parts run colder than they used to."""
    if world.rules < 2 or batch.round > 0:
        return world
    read = [check for check in batch.checks if check.source == "probe"]
    temps_c = tuple(check.temp_c for check in read if check.temp_c is not None)
    if not temps_c:
        return world
    spread = sampling.pooled_spread(world.checked)
    world = world.with_batch(
        batch.id,
        bound_c=sampling.lower_bound(temps_c) if len(temps_c) >= LEAST_PIECES else None,
        pooled_bound_c=sampling.pooled_lower_bound(temps_c, spread) if spread else None,
    )
    world = replace(world, checked=(*world.checked, temps_c)[-KEPT:])
    for part in batch.procedure.parts:
        of_part = [check for check in read if check.part == part.name]
        if of_part:
            mean_c = fmean(temp_c for check in of_part if (temp_c := check.temp_c) is not None)
            world = _part_read(world, batch, part.name, mean_c, of_part[-1].id, at_ms)
    return world


def _part_read(world: World, batch: Batch, part: str, mean_c: float, about: int, at_ms: int) -> World:
    means = dict(world.means)
    points = (*means.get(part, ()), mean_c)[-KEPT:]
    world = replace(world, means=tuple((means | {part: points}).items()))
    if broken := sampling.drift(points, side=-1):
        return _told_once(world, batch_causes.drift(batch, part, points, broken, about, at_ms), ("part", part))
    return _over(world, alerts.DRIFT, ("part", part), "back to its usual", at_ms)


def used(world: World, batch: Batch) -> World:
    """A batch was begun: its vat's oil has one more to bear."""
    care = (
        replace(each, batches_ms=(*each.batches_ms, batch.started_ms)) if each.vat == batch.vat else each
        for each in world.care
    )
    return replace(world, care=tuple(care))


def cared(world: World, record: OilRecord) -> tuple[World, OilRecord]:
    """`record` with what the oil has borne since the same was done to it, where it is care of the oil."""
    if world.rules < 2 or record.what not in CARE:
        return world, record
    for last in world.care:
        if (last.vat, last.what) == (record.vat, record.what):
            use = oil.use_since(last.at_ms, record.at_ms, last.batches_ms)
            record = replace(record, hours=use.hours, batches=use.batches)
    kept = (each for each in world.care if each.vat != record.vat or each.what not in CARE[record.what])
    renewed = (Care(record.vat, what, record.at_ms) for what in CARE[record.what])
    world = replace(world, care=(*kept, *renewed))
    return (
        oil_renewed(world, record.vat, "oil changed", record.at_ms) if record.what == m.OIL_CHANGED else world
    ), record


def forgotten(world: World) -> World:
    """Nobody knows how much time has passed: oil on its way back, and how long ago it was cared for, are given up."""
    return replace(world, recoveries=tuple(way for way in world.recoveries if way.seconds is not None), care=())


def oil_renewed(world: World, vat: int, by: str, at_ms: int) -> World:
    """What was told of the polar compounds in the oil of `vat` holds no longer."""
    return _over(world, alerts.OIL_POLAR, ("vat", vat), by, at_ms)


def load_felt(world: World, batch: Batch, about: int, oil_c: float | None, at_ms: int) -> World:
    """Pieces went into the vat of `batch`: its oil's way back begins, at the first load of a batch."""
    if world.rules < 2 or oil_c is None or batch.loads[1:]:
        return world
    low = batch.procedure.oil_low
    way = Recovery(about, batch.vat, batch.number, low.unit, to_c(low.value, low.unit), ((at_ms, oil_c),))
    return replace(world, recoveries=(*(each for each in world.recoveries if each.vat != batch.vat), way))


def oil_read(world: World, channel: str, temp_c: float, at_ms: int) -> World:
    """A reading of a vat's oil, which may be back from a load by now."""
    for way in world.recoveries:
        if vat_channel(way.vat) != channel or way.seconds is not None or at_ms <= way.course[-1][0]:
            continue
        cooking = any(batch.vat == way.vat and batch.stage in (Stage.LOADING, Stage.COOKING) for batch in world.batches)
        others = tuple(each for each in world.recoveries if each is not way)
        if not cooking or len(way.course) > COURSE_KEPT:
            return replace(world, recoveries=others)
        way = replace(way, course=(*way.course, (at_ms, temp_c)))
        times_s, temps_c = zip(*((at / 1000, value) for at, value in way.course), strict=True)
        way = replace(way, seconds=oil.recovery_s(times_s, temps_c, way.back_c))
        world = replace(world, recoveries=(*others, way))
        return world if way.seconds is None else _recovered(world, way, at_ms)
    return world


def _recovered(world: World, way: Recovery, at_ms: int) -> World:
    assert way.seconds is not None
    history = dict(world.recovered_s)
    points = (*history.get(way.vat, ()), way.seconds)[-KEPT:]
    world = replace(world, recovered_s=tuple((history | {way.vat: points}).items()))
    if broken := oil.slower(points):
        return _told_once(world, station_causes.oil_slow(way, points, broken, at_ms), ("vat", way.vat))
    return _over(world, alerts.OIL_SLOW, ("vat", way.vat), "back to its usual", at_ms)


def _told_once(world: World, alert: Alert, about: tuple[str, Value]) -> World:
    """`world` with `alert`, unless one of its kind about the same is open."""
    known = any(each.kind == alert.kind and each.ended_ms is None and about in each.numbers for each in world.alerts)
    return world if known else alerts.raised(world, alert)


def _over(world: World, kind: str, about: tuple[str, Value], by: str, at_ms: int) -> World:
    """`world` with the alert of this kind about the same ended."""
    for alert in world.alerts:
        if alert.kind == kind and about in alert.numbers:
            world = alerts.ended(world, at_ms, by, (kind,), id=alert.id)
    return world
