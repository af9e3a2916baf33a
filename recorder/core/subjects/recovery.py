"""Oil that comes back after a load: how long it took, and whether that becomes longer."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import fmean

from recorder.core import alerts
from recorder.core.batch import Batch, Stage
from recorder.core.effects import Alert
from recorder.core.events import Reading, vat_channel
from recorder.core.limits import minutes_text, run_rules_text
from recorder.core.subject import Change, Moment, Row, Subject, shown
from recorder.core.world import Recovery, World
from recorder.thermal import oil, sampling

KEPT = 40
"""Recoveries of a vat that are remembered."""

COURSE_KEPT = 240
"""Readings of a recovery; oil that takes more is given up."""


def start_recovery(world: World, batch: Batch, about: int, oil_c: float | None, at_ms: int) -> World:
    """Pieces went into the vat of `batch`: its oil's way back begins, at the first load of a batch."""
    if oil_c is None or batch.loads[1:]:
        return world
    low = batch.procedure.oil_low
    way = Recovery(about, batch.vat, batch.number, low.unit, low.c, ((at_ms, oil_c),))
    return replace(world, recoveries=(*(each for each in world.recoveries if each.vat != batch.vat), way))


def reset_timing(world: World) -> World:
    """Nobody knows how much time has passed: oil on its way back is given up."""
    return replace(world, recoveries=tuple(way for way in world.recoveries if way.seconds is not None))


def _read(world: World, event: Reading, now: Moment) -> Change:
    for way in world.recoveries:
        if vat_channel(way.vat) == event.channel and way.seconds is None and now.at_ms > way.course[-1][0]:
            return _course(world, way, event.temp_c, now.at_ms), ()
    return world, ()


def _course(world: World, way: Recovery, temp_c: float, at_ms: int) -> World:
    """The oil reads `temp_c` on its way back."""
    cooking = any(batch.vat == way.vat and batch.stage in (Stage.LOADING, Stage.COOKING) for batch in world.batches)
    others = tuple(each for each in world.recoveries if each is not way)
    if not cooking or len(way.course) > COURSE_KEPT:
        return replace(world, recoveries=others)
    way = replace(way, course=(*way.course, (at_ms, temp_c)))
    times_s, temps_c = zip(*((at / 1000, value) for at, value in way.course), strict=True)
    way = replace(way, seconds=oil.recovery_s(times_s, temps_c, way.back_c))
    world = replace(world, recoveries=(*others, way))
    return world if way.seconds is None else _recovered(world, way, way.seconds, at_ms)


def _recovered(world: World, way: Recovery, took_s: float, at_ms: int) -> World:
    history = dict(world.recovered_s)
    points = (*history.get(way.vat, ()), took_s)[-KEPT:]
    world = replace(world, recovered_s=tuple((history | {way.vat: points}).items()))
    if broken := oil.slower(points):
        return alerts.raised_once(world, oil_slow(way, took_s, points, broken, at_ms), ("vat", way.vat))
    return alerts.ended_about(world, alerts.OIL_SLOW, ("vat", way.vat), "back to its usual", at_ms)


def oil_slow(way: Recovery, took_s: float, points: Sequence[float], rules: Sequence[int], at_ms: int) -> Alert:
    """The alert that a vat's oil came back more slowly than usual."""
    usual = fmean(sampling.usual(points))
    return alerts.made(
        alerts.OIL_SLOW,
        way.id,
        f"Vat {way.vat}: the oil took {minutes_text(round(took_s * 1000))} to recover after the load of batch"
        f" {way.batch}, before {minutes_text(round(usual * 1000))} ({run_rules_text(rules)}). Compare pieces a"
        " load and the oil's level; burner, gas and electrics are for licensed people.",
        at_ms,
        seconds=round(took_s, 1),
        usual_seconds=round(usual, 1),
        vat=way.vat,
        rules=" ".join(map(str, rules)),
    )


def _rows(world: World, other: World) -> Iterator[Row]:
    for way in world.recoveries:
        if way.seconds is not None and way not in other.recoveries:
            yield (
                ("recoveries", way.id),
                (
                    ("vat", way.vat),
                    ("batch", way.batch),
                    ("loaded_ms", way.course[0][0]),
                    ("seconds", round(way.seconds, 1)),
                    ("lowest", shown(min(temp_c for _, temp_c in way.course), way.unit)),
                    ("back_at", shown(way.back_c, way.unit)),
                    ("unit", way.unit),
                    ("struck", 0),
                ),
            )


SUBJECT = Subject(events={Reading: _read}, rows=_rows)
