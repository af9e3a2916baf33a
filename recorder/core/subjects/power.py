"""Starts of the recorder, gaps without power or of unknown length, and whether the wall clock is right."""

from collections.abc import Sequence
from dataclasses import replace

from recorder.core import alerts
from recorder.core.batch import Batch, Stage
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.events import FIRST_RULES, ClockStepped, Started
from recorder.core.limits import listed, minutes_text
from recorder.core.subject import Change, Moment, Subject
from recorder.core.subjects import breading, oil, raw, recovery, waits
from recorder.core.world import World


def _started(world: World, event: Started, now: Moment) -> Change:
    at_ms = now.at_ms
    rebooted = world.boot_id not in (None, event.boot_id)
    gap_known = not rebooted or (world.wall_known and event.wall_known)
    if not event.gap_known:
        gap_known, world = False, recovery.reset_timing(oil.reset_timing(breading.reset_timing(world)))
    world = replace(
        world,
        station=event.station,
        vats=event.vats,
        cabinets=event.cabinets,
        rules=max(event.rules, FIRST_RULES),
        boot_id=event.boot_id,
        wall_known=event.wall_known,
        latest={},
        spots=(),
        owner=None,
        strange_spot=world.strange_spot if event.rules < 7 else 0,
        cabinet=None,
        numbered=(),
    )
    world = alerts.raised(world, _recorder_started(event, now))
    if event.wall_known:
        world = alerts.ended(world, at_ms, "clock set", (alerts.CLOCK_NOT_SET,))
    elif not alerts.is_open(world, alerts.CLOCK_NOT_SET):
        world = alerts.raised(world, _clock_not_set(now))
    if not gap_known:
        world = _unknown_gap(world, at_ms)
    elif rebooted:
        world = _known_gap(world, now)
    return world, (Cue(Tone.ALERT, "Recorder started."),)


def _clock_stepped(world: World, event: ClockStepped, now: Moment) -> Change:
    world = replace(world, wall_known=event.wall_known)
    return (alerts.ended(world, now.at_ms, "clock set", (alerts.CLOCK_NOT_SET,)) if event.wall_known else world), ()


def _unknown_gap(world: World, at_ms: int) -> World:
    """Cooks, holds and waits that run through a gap of unknown length can't be vouched for."""
    for batch in world.batches:
        about: int | None = None
        if batch.stage is Stage.COOKING:
            about = batch.fryings[-1].id
            world = _cook_not_proven(world, batch)
        elif batch.hold and batch.stage is Stage.HOLDING:
            about = batch.hold.id
            world = world.with_hold(batch.id, time_proven=False)
        elif waits.of(batch) is not None:
            about = batch.id
            world = world.with_batch(batch.id, wait_known=False)
        if about is not None:
            world = alerts.raised(world, _time_not_proven(batch, about, at_ms))
        if batch.reheat_by_ms is not None:  # nobody knows that there is time left
            world = world.with_batch(batch.id, reheat_by_ms=min(batch.reheat_by_ms, at_ms))
    return raw.time_unknown(world, at_ms)


def _cook_not_proven(world: World, batch: Batch) -> World:
    frying = replace(batch.fryings[-1], time_proven=False)
    return world.with_batch(batch.id, fryings=(*batch.fryings[:-1], frying))


def _known_gap(world: World, now: Moment) -> World:
    """The board was off for a known time: what was cooking or in holding may have been without heat."""
    gap_ms = now.at_ms - now.since_ms
    cooking = [batch for batch in world.batches if batch.stage is Stage.COOKING]
    heated = [batch for batch in world.batches if not (world.rules >= 7 and batch.by_time)]
    holding = [batch.number for batch in heated if batch.stage is Stage.HOLDING]
    for batch in world.batches:
        if batch.stage is Stage.COOKING:
            world = _cook_not_proven(world, batch)
        elif batch.stage is Stage.HOLDING and batch.hold and not batch.by_time:
            since_ms = batch.hold.cold_since_ms if batch.hold.cold_since_ms is not None else now.since_ms
            world = world.with_hold(batch.id, power_ms=batch.hold.power_ms + gap_ms, cold_since_ms=since_ms)
    if not cooking and not holding:
        return world
    numbers = [batch.number for batch in cooking]
    return alerts.raised(world, power_away(gap_ms, numbers, holding, now.seq, now.at_ms))


def power_away(gap_ms: int, cooking: Sequence[int], holding: Sequence[int], about: int, at_ms: int) -> Alert:
    """The board was without power for a known time while food was in work; fryer and cabinet may have been too."""
    was = []
    if cooking:
        was.append(f"{_batches(cooking)} cooking, and a fryer without power does not cook")
    if holding:
        was.append(f"{_batches(holding)} in holding, and a cabinet without power does not hold")
    return alerts.made(
        alerts.POWER_AWAY,
        about,
        f"The power was away for {minutes_text(gap_ms)}: {'; '.join(was)}. Take the food's temperature"
        f"{' once it is out' if cooking else ''}.",
        at_ms,
        seconds=gap_ms / 1000,
        batches=" ".join(map(str, (*cooking, *holding))),
    )


def _batches(numbers: Sequence[int]) -> str:
    return f"batch {numbers[0]} was" if len(numbers) == 1 else f"batches {listed(list(map(str, numbers)))} were"


def _time_not_proven(batch: Batch, about: int, at_ms: int) -> Alert:
    """A restart with no known clock left a gap in a cook, a hold or a wait."""
    locked = batch.stage in (Stage.COOKING, Stage.LOADING)
    text = (
        f"Batch {batch.number}: the recorder restarted while it was {batch.stage.value} and does not know for how"
        f" long it was off. Treat its time as unknown, and take its temperature{' once it is out' if locked else ''}."
    )
    return alerts.made(alerts.TIME_NOT_PROVEN, about, text, at_ms, batch)


def _recorder_started(event: Started, now: Moment) -> Alert:
    """The recorder began to run; over as soon as it is said."""
    text = f"Recorder at {event.station} started, version {event.version}."
    alert = alerts.made(alerts.RECORDER_STARTED, now.seq, text, now.at_ms, version=event.version)
    return replace(alert, ended_ms=now.at_ms, ended_by="said")


def _clock_not_set(now: Moment) -> Alert:
    text = "The recorder's clock is not known to be set. Lengths of time are right, times of day may not be."
    return alerts.made(alerts.CLOCK_NOT_SET, now.seq, text, now.at_ms)


SUBJECT = Subject(events={Started: _started, ClockStepped: _clock_stepped})
