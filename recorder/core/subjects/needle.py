"""The needle's resting places: which of them counts for what waits for a reading, and whose the newest one is.

A check of a piece, one of raw food and one of the probe itself wait here, each for its window.
"""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import alerts
from recorder.core.batch import Batch, Check, Stage, Verdict
from recorder.core.effects import Cue, Tone
from recorder.core.events import NEEDLE, Reading
from recorder.core.limits import degrees
from recorder.core.subject import Change, Moment, Subject, Timer
from recorder.core.subjects import dwelling, judging, owning, probe_check, raw_check, resting
from recorder.core.world import ProbeCheck, RawCheck, Spot, World

SPOTS_KEPT_MS = 120_000
"""A check that was opened longer ago than this waits for no reading any more."""

PLACE = "Thickest part, off the bone."
"""Where a piece is measured (FDA Food Code 2022, 3-401.11: all parts of the food; common practice for the place)."""


def _read(world: World, event: Reading, now: Moment) -> Change:
    return _settled(world, event, now.at_ms) if event.channel == NEEDLE and event.settled else (world, ())


def _settled(world: World, event: Reading, at_ms: int) -> Change:
    """A settled reading of the needle: it counts for what waits for one, for the check whose spot it is, or not."""
    spots = _spots(world, event, at_ms)
    if world.rules < 7:
        return _counted(world, spots, at_ms)
    world, found_out = _found_out(replace(world, spots=spots), spots[-1], at_ms)
    world, cues = _counted(world, spots, at_ms)
    return world, (*found_out, *cues)


def _counted(world: World, spots: tuple[Spot, ...], at_ms: int) -> Change:
    """It closes what waits for one: of the fresh spots, the coldest counts for a piece."""
    spot, event = spots[-1], spots[-1].reading
    bath, raw = probe_check.waiting(world), raw_check.waiting(world)
    if raw and resting.possible(event) and raw_check.may_be_raw(spot, world.rules):
        known = replace(world, spots=spots)
        if spot in _fresh(known, raw.opened_ms):
            return _raw_read(known, raw, at_ms)
    in_bath = bool(bath and probe_check.in_bath(bath, spot, world.rules))
    if not resting.possible(event) or not (resting.may_be_piece(spot, world.rules) or in_bath):
        return _no_piece(world, event)
    world = replace(world, spots=spots)
    waiting = world.open_check()
    if bath:
        if in_bath and spot in _fresh(world, bath.opened_ms):
            return probe_check.read(owning.taken(world, event, bath.id, None, at_ms), bath, event, at_ms)
        waiting = _cut_short(world, bath, at_ms)
    if waiting is None:
        world, cues = _lower_read(world, event, at_ms)
        return (world, cues) if cues or raw is None else _no_raw(world, raw, spot)
    batch, check = waiting
    fresh = [
        each
        for each in _fresh(world, check.opened_ms)
        if resting.may_be_piece(each, world.rules) and not raw_check.said_raw(world, each)
    ]
    if not fresh or raw_check.said_raw(world, spot):
        return _lower_read(world, event, at_ms)
    coldest = min((each.reading for each in fresh), key=lambda reading: reading.temp_c)
    world, check, waits = dwelling.stays(world, batch, check, coldest, at_ms)
    if waits:
        return waits
    if owned := owning.owned_by(world, event, at_ms):  # it may still be the piece before: words alone do not tell
        world = judging.disputed(world, *owned, at_ms, "a colder spot straight after it")
    elif owned := owning.left_before(world, check, fresh):
        world = judging.disputed(world, *owned, at_ms, "for a colder spot after it that was left again")
    world = owning.taken(world, event, check.id, batch.id, at_ms)
    world, cues = judging.judged(world, world.batch(batch.id), check, coldest.temp_c, "probe", at_ms, coldest)
    world, due = probe_check.judged_by(world, batch.id, check.id, at_ms)
    return world, (*cues, *due)


def _raw_read(world: World, check: RawCheck, at_ms: int) -> Change:
    """Of the fresh spots, the warmest counts for raw food."""
    event = world.spots[-1].reading
    fresh = [each for each in _fresh(world, check.opened_ms) if raw_check.may_be_raw(each, world.rules)]
    warmest = max((each.reading for each in fresh), key=lambda reading: reading.temp_c)
    owned = owning.owned_by(world, event, at_ms)
    if owned and raw_check.cold_limit(check.unit).passed_by(event.temp_c):  # words alone do not tell, cold does
        world = judging.disputed(world, *owned, at_ms, "a colder spot straight after it")
    return raw_check.read(owning.taken(world, event, check.id, None, at_ms), check, warmest, at_ms)


def _no_raw(world: World, check: RawCheck, spot: Spot) -> Change:
    """Raw food was asked for, and the needle rests in something hotter: it counts for nothing."""
    if spot.reading.spot == world.strange_spot or spot not in _fresh(world, check.opened_ms):
        return world, ()
    say = f"The needle reads {degrees(spot.reading.temp_c, world.unit)} degrees. That is no raw food."
    return replace(world, strange_spot=spot.reading.spot), (Cue(Tone.REFUSED, say),)


def _found_out(world: World, spot: Spot, at_ms: int) -> Change:
    """A spot that a check was read in proves to be no piece after all: the check proves nothing any more."""
    owner = world.owner
    mine = owner and spot.reading.spot == owner.spot and at_ms <= owner.same_until_ms
    owned = owning.check_of(world, owner) if owner and mine and spot.media else None
    seems = f"in {spot.media[-1]}" if spot.media else ""
    if spot.media and spot.media[-1] == resting.TOO_HOT:
        seems = "hotter than a piece"
    if owned is None and owner and mine and seems:
        return raw_check.found_out(world, owner.check, seems, at_ms)
    if owned is None or owned[1].disputed:
        return world, ()
    batch, check = owned
    world = judging.disputed(world, batch, check, at_ms, f"since the needle rested {seems}")
    say = f"The needle rests {seems}: the reading of the {check.part or 'piece'} proves nothing. Probe it again."
    return world, (Cue(Tone.ALERT, say),)


def _cut_short(world: World, bath: ProbeCheck, at_ms: int) -> tuple[Batch, Check] | None:
    """The check of a piece that the words of `bath` cut short: the needle may rest in it all the same."""
    for batch in world.batches if world.rules >= 6 else ():
        check = batch.checks[-1] if batch.checks and batch.stage is not Stage.CLOSED else None
        if check and check.verdict is Verdict.NO_READING and check.closed_ms == bath.opened_ms:
            return (batch, check) if at_ms < check.opened_ms + batch.procedure.settle_window_ms else None
    return None


def _fresh(world: World, opened_ms: int) -> list[Spot]:
    """The spots that may count for what was opened then."""
    return [
        spot
        for spot in world.spots
        if spot.reading.spot > world.spot_used and spot.since_ms >= opened_ms - resting.SPOT_GRACE_MS
    ]


def _spots(world: World, event: Reading, at_ms: int) -> tuple[Spot, ...]:
    """The resting places that may still count, with the newest."""
    before = next((spot for spot in world.spots if spot.reading.spot == event.spot), None)
    kept = [
        spot
        for spot in world.spots
        if world.spot_used < spot.reading.spot != event.spot and spot.since_ms >= at_ms - SPOTS_KEPT_MS
    ]
    return (*kept, resting.spot(before, event, at_ms))


def _lower_read(world: World, event: Reading, at_ms: int) -> Change:
    """The needle stands lower in its spot, or went on straight to a colder one: that counts for the check that owns
    the spot, and no other.

    Wherever the batch is by now: words in between do not make the piece warmer.
    """
    event = owning.surer(world, event, at_ms)
    owned = owning.owned_by(world, event, at_ms)
    if owned is None or raw_check.said_raw(world, world.spots[-1]):
        return (owning.gone_through(world, event, at_ms) if world.rules >= 7 else world), ()
    batch, check = owned
    same = event.spot == world.spot_used
    if not same:
        world = owning.taken(world, event, check.id, batch.id, at_ms)
    world, cues = judging.judged(world, batch, check, event.temp_c, "probe", at_ms, event)
    verdict = next(each.verdict for each in world.batch(batch.id).checks if each.id == check.id)
    for was, kind, why in (
        (Verdict.BELOW_TARGET, alerts.CHECK_BELOW_TARGET, "read colder"),
        (Verdict.BELOW_CRITICAL, alerts.CHECK_BELOW_CRITICAL, "read more surely"),
    ):
        if check.verdict is was and verdict is not was:
            world = alerts.ended(world, at_ms, why, (kind,), batch.number, alerts.alert_id(check.id, kind))
    return world, () if same and verdict is check.verdict else cues


def _no_piece(world: World, event: Reading) -> Change:
    """The needle rests in something that no piece can be, such as hot oil: it counts for nothing."""
    asked = world.open_check() or raw_check.waiting(world)
    if asked is None or event.spot == world.strange_spot:
        return world, ()
    read = degrees(event.temp_c, world.unit)
    if event.medium == "unsure":
        say = f"The needle reads {read} degrees, perhaps in no piece. It is not taken. {PLACE}"
    elif event.medium:
        say = f"The needle reads {read} degrees, in {event.medium}. It is not taken. {PLACE}"
    else:
        say = f"The needle reads {read} degrees. That is no piece."
    return replace(world, strange_spot=event.spot), (Cue(Tone.REFUSED, say),)


def _timers(world: World) -> Iterator[Timer]:
    if bath := probe_check.waiting(world):
        due_ms = bath.opened_ms + probe_check.WINDOW_MS
        yield due_ms, lambda now, _: probe_check.unread(now, due_ms)


def _batch_timers(batch: Batch) -> Iterator[Timer]:
    if check := batch.open_check:
        due_ms = dwelling.due_ms(batch, check)
        yield due_ms, lambda world, _: judging.unread(world, batch.id, due_ms)


SUBJECT = Subject(events={Reading: _read}, timers=_timers, batch_timers=_batch_timers)
