"""The needle's resting places: which of them counts for what waits for a reading, and whose the newest one is."""

from dataclasses import replace

from recorder.core import alerts, checks, probing
from recorder.core.batch import Batch, Check, Verdict
from recorder.core.effects import Cue, Tone
from recorder.core.events import Reading
from recorder.core.procedure import COLDEST_MEAT_C
from recorder.core.rules import degrees
from recorder.core.world import Owner, Spot, World

SPOT_GRACE_MS = 15_000
"""A needle that came to rest longer ago than this before the words "probe ..." rests in something else."""

SPOTS_KEPT_MS = 120_000
"""A check that was opened longer ago than this waits for no reading any more."""

HOTTEST_SPOT_C = 105.0
"""Food is no hotter than its boiling water, with some room for salt and for the probe; metal and oil are."""

COLDER_MS = 20_000
"""So long after a check was read a colder spot of the same piece takes its place: the cook may look for the coldest."""

Change = tuple[World, tuple[Cue, ...]]


def read(world: World, event: Reading, at_ms: int) -> Change:
    """A settled reading of the needle closes what waits for one: of the fresh spots, the coldest counts for a piece."""
    if not event.settled:
        return world, ()
    if not COLDEST_MEAT_C <= event.temp_c <= HOTTEST_SPOT_C:
        return _no_piece(world, event)
    world = replace(world, spots=_spots(world, event, at_ms))
    if probe_check := probing.waiting(world):
        fresh = [spot for spot in _fresh(world, probe_check.opened_ms) if probing.in_bath(probe_check, spot)]
        if event in fresh:
            world, cues = probing.read(_taken(world, event, probe_check.id, None, at_ms), probe_check, event, at_ms)
            assert world.probe_read
            return checks.doubted(world, world.probe_read.doubts, at_ms), cues
        return _colder_read(world, event, at_ms)
    waiting = world.open_check()
    if waiting is None:
        return _colder_read(world, event, at_ms)
    batch, check = waiting
    fresh = _fresh(world, check.opened_ms)
    if not fresh:
        return _colder_read(world, event, at_ms)
    coldest = min(fresh, key=lambda reading: reading.temp_c)
    if owned := _owned_by(world, event, at_ms):  # it may still be the piece before: words alone do not tell
        world = checks.disputed(world, *owned, at_ms, "a colder spot straight after it")
        batch = world.batch(batch.id)
    world = _taken(world, event, check.id, batch.id, at_ms)
    return checks.judged(world, batch, check, coldest.temp_c, "probe", at_ms, coldest)


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
    kept = [
        spot
        for spot in world.spots
        if world.spot_used < spot.reading.spot != event.spot and spot.since_ms >= at_ms - SPOTS_KEPT_MS
    ]
    return (*kept, Spot(event, since_ms))


def _taken(world: World, event: Reading, check: int, batch: int | None, at_ms: int) -> World:
    return replace(world, owner=Owner(event.spot, check, batch, at_ms + COLDER_MS))


def _colder_read(world: World, event: Reading, at_ms: int) -> Change:
    """The needle went on straight to a colder spot: it counts for the check that owns the spot before, and no other.

    Wherever the batch is by now: words in between do not make the piece warmer.
    """
    owned = _owned_by(world, event, at_ms)
    if owned is None:
        return world, ()
    batch, check = owned
    _, critical = checks.limits(batch.procedure, check.part)
    if check.verdict is Verdict.BELOW_TARGET and not critical.met_by(event.temp_c):
        id = alerts.alert_id(check.id, alerts.CHECK_BELOW_TARGET)
        world = alerts.ended(world, at_ms, "read colder", (alerts.CHECK_BELOW_TARGET,), batch.number, id)
    world = _taken(world, event, check.id, batch.id, at_ms)
    return checks.judged(world, batch, check, event.temp_c, "probe", at_ms, event)


def _owned_by(world: World, event: Reading, at_ms: int) -> tuple[Batch, Check] | None:
    """The check of a piece that owns the spot from which the needle went straight to this colder one, in time."""
    owner = world.owner
    if owner is None or not event.colder or event.spot != owner.spot + 1 or at_ms > owner.until_ms:
        return None
    for batch in world.batches:
        for check in batch.checks:
            if (batch.id, check.id) == (owner.batch, owner.check):
                return (batch, check) if check.temp_c is not None and event.temp_c < check.temp_c else None
    return None


def _no_piece(world: World, event: Reading) -> Change:
    """The needle rests in something that no piece can be, such as hot oil: it counts for nothing."""
    if world.open_check() is None or event.spot == world.strange_spot:
        return world, ()
    unit = world.procedure.unit if world.procedure else "C"
    say = f"The needle reads {degrees(event.temp_c, unit)} degrees. That is no piece."
    return replace(world, strange_spot=event.spot), (Cue(Tone.REFUSED, say),)
