"""How a check begins, waits for the needle, and is judged."""

from dataclasses import replace

from recorder.core import alerts
from recorder.core.effects import Cue, Tone
from recorder.core.events import Reading
from recorder.core.procedure import Part, Procedure
from recorder.core.rules import Limit, degrees
from recorder.core.world import Batch, Check, Verdict, World

SPOT_GRACE_MS = 15_000
"""A needle that came to rest longer ago than this before the words "probe ..." rests in something else."""

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
    """A settled reading of the needle closes the open check, if it rests in a fresh spot."""
    if not event.settled:
        return world, ()
    if world.needle_spot[0] != event.spot:
        world = replace(world, needle_spot=(event.spot, at_ms))
    waiting = world.open_check()
    if waiting is None or event.spot <= world.spot_used:
        return world, ()
    batch, check = waiting
    if world.needle_spot[1] < check.opened_ms - SPOT_GRACE_MS:
        return world, ()
    return judged(replace(world, spot_used=event.spot), batch, event.temp_c, "probe", at_ms)


def judged(world: World, batch: Batch, temp_c: float, source: str, at_ms: int) -> Change:
    """The newest check of `batch` gets its temperature and its verdict."""
    check = batch.checks[-1]
    target, critical = limits(batch.procedure, check.part)
    if not critical.met_by(temp_c):
        verdict = Verdict.BELOW_CRITICAL
    elif not target.met_by(temp_c):
        verdict = Verdict.BELOW_TARGET
    else:
        verdict = Verdict.PASSED
    check = replace(check, verdict=verdict, closed_ms=at_ms, temp_c=temp_c, source=source)
    world = world.with_batch(batch.id, checks=(*batch.checks[:-1], check))
    batch = world.batch(batch.id)
    what = f"{(check.part or 'piece').capitalize()} {degrees(temp_c, target.unit)} degrees"
    if verdict is not Verdict.PASSED:
        world = alerts.raised(world, alerts.check_failed(batch, check, target, critical, at_ms))
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
