"""How a check begins, waits for the needle, and is judged."""

from dataclasses import replace

from recorder.core.editions import COLDEST_SPOT
from recorder.core.effects import Cue, Tone
from recorder.core.events import Reading
from recorder.core.limits import Limit, degrees
from recorder.core.procedure import Part, Procedure
from recorder.core.rules_1_to_4 import alerts, batch_causes, probing
from recorder.core.rules_1_to_4.batch import Batch, Check, Stage, Verdict
from recorder.core.rules_1_to_4.world import Spot, World

SPOT_GRACE_MS = 15_000
"""A needle that came to rest longer ago than this before the words "probe ..." rests in something else."""

SPOTS_KEPT_MS = 120_000
"""A check that was opened longer ago than this waits for no reading any more."""

COLDER_MS = 20_000
"""So long after a check was read a colder spot of the same piece takes its place: the cook may look for the coldest."""

Change = tuple[World, tuple[Cue, ...]]


def opened(world: World, batch: Batch, part: str | None, seq: int, at_ms: int) -> World:
    """`world` with a new check of `part` that waits for a reading; one that waited before it stays unread."""
    if waiting := world.open_check():
        world, _ = unread(world, waiting[0].id, at_ms)
    batch = world.batch(batch.id)
    return world.with_batch(batch.id, checks=(*batch.checks, Check(seq, part, batch.round, at_ms)))


def unread(world: World, batch_id: int, at_ms: int) -> Change:
    """The newest check of this batch got no settled reading."""
    batch = world.batch(batch_id)
    check = replace(batch.checks[-1], verdict=Verdict.NO_READING, closed_ms=at_ms)
    say = f"No settled reading for the {check.part or 'piece'}. Probe it again."
    return world.with_batch(batch.id, checks=(*batch.checks[:-1], check)), (Cue(Tone.REFUSED, say),)


def needle_read(world: World, event: Reading, at_ms: int) -> Change:
    """A settled reading of the needle closes the open check: of the fresh spots, the coldest counts."""
    if not event.settled:
        return world, ()
    world = replace(world, spots=_spots(world, event, at_ms))
    if probe_check := probing.waiting(world):
        if not _fresh(world, probe_check.opened_ms):
            return world, ()
        return probing.read(replace(world, spot_used=event.spot), probe_check, event, at_ms)
    waiting = world.open_check()
    if waiting is None:
        return _colder_read(world, event, at_ms)
    batch, check = waiting
    fresh = _fresh(world, check.opened_ms)
    if not fresh:
        return world, ()
    coldest = min(fresh, key=lambda reading: reading.temp_c)
    return judged(replace(world, spot_used=event.spot), batch, coldest.temp_c, "probe", at_ms, coldest)


def _fresh(world: World, opened_ms: int) -> list[Reading]:
    """The newest readings of the spots that may count for what was opened then."""
    return [
        spot.reading
        for spot in world.spots
        if spot.reading.spot > world.spot_used and spot.since_ms >= opened_ms - SPOT_GRACE_MS
    ]


def _spots(world: World, event: Reading, at_ms: int) -> tuple[Spot, ...]:
    """The resting places that may still count, with the newest."""
    since_ms = next((spot.since_ms for spot in world.spots if spot.reading.spot == event.spot), at_ms)
    newest_counts = world.edition < COLDEST_SPOT and event.uncertainty_c is None
    kept = [
        spot
        for spot in (() if newest_counts else world.spots)
        if world.spot_used < spot.reading.spot != event.spot and spot.since_ms >= at_ms - SPOTS_KEPT_MS
    ]
    return (*kept, Spot(event, since_ms))


def _colder_read(world: World, event: Reading, at_ms: int) -> Change:
    """The needle went on from the spot of the newest check straight to a colder one: that one counts instead."""
    for batch in world.batches:
        check = batch.checks[-1] if batch.checks and batch.stage is Stage.CHECKING else None
        if check is None or check.source != "probe" or check.temp_c is None or check.closed_ms is None:
            continue
        soon = at_ms - check.closed_ms <= COLDER_MS and event.spot == world.spot_used + 1
        if event.colder and soon and event.temp_c < check.temp_c:
            _, critical = limits(batch.procedure, check.part)
            if world.rules < 4 or not critical.met_by(event.temp_c):
                id = alerts.alert_id(check.id, alerts.CHECK_BELOW_TARGET)
                world = alerts.ended(world, at_ms, "read colder", (alerts.CHECK_BELOW_TARGET,), batch.number, id)
            return judged(replace(world, spot_used=event.spot), batch, event.temp_c, "probe", at_ms, event)
    return world, ()


def judged(
    world: World, batch: Batch, temp_c: float, source: str, at_ms: int, reading: Reading | None = None
) -> Change:
    """The newest check of `batch` gets its temperature, from `reading` if the probe gave it, and its verdict."""
    check = batch.checks[-1]
    target, critical = limits(batch.procedure, check.part)
    if not critical.met_by(temp_c):
        verdict = Verdict.BELOW_CRITICAL
    elif not target.met_by(temp_c):
        verdict = Verdict.BELOW_TARGET
    else:
        verdict = Verdict.PASSED
    check = replace(check, verdict=verdict, closed_ms=at_ms, temp_c=temp_c, source=source)
    if reading:
        check = replace(
            check,
            uncertainty_c=reading.uncertainty_c,
            settle_ms=reading.settle_ms,
            probe_check=world.probe_read.id if world.probe_read else None,
            probe_was=probing.standing(world, at_ms),
        )
    world = world.with_batch(batch.id, checks=(*batch.checks[:-1], check))
    batch = world.batch(batch.id)
    what = f"{(check.part or 'piece').capitalize()} {degrees(temp_c, target.unit)} degrees"
    if verdict is not Verdict.PASSED:
        alert = batch_causes.check_failed(batch, check, target, critical, at_ms)
        world = alerts.raised(world, alert) if world.rules < 4 else alerts.amended(world, alert)
        return world, (Cue(Tone.ALERT, f"{what}, {verdict.value}. Cook more."),)
    if batch.proven:
        world = alerts.ended(world, at_ms, "checked again and passed", alerts.ENDED_BY_PROOF, batch.number)
    return world, (Cue(Tone.DONE, f"{what}, passed. {batch.passed} of {batch.procedure.checks_per_batch}."),)


def limits(procedure: Procedure, name: str | None) -> tuple[Limit, Limit]:
    """Target and critical limit of a part; for an unnamed piece the highest of all parts."""
    part = procedure.part(name)
    parts: tuple[Part, ...] = (part,) if part else procedure.parts
    highest = max(parts, key=lambda each: each.target.value)
    return highest.target, max((each.critical for each in parts), key=lambda limit: limit.value)
