"""Hot holding: how long the cabinet has been below its minimum. One reading neither begins nor ends an alert."""

from dataclasses import replace

from recorder.core import alerts
from recorder.core.batch import Batch, Hold, Stage
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.events import CABINET, Reading, cabinet_channel
from recorder.core.limits import Limit, in_unit, minutes_text, temp_text
from recorder.core.subject import Change, Moment, Subject
from recorder.core.world import FRESH_MS, Cabinet, World

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


NAMELESS = 0
"""The one cabinet of a station that gives them no numbers, where others have theirs."""


def places(world: World) -> tuple[int, ...]:
    """The station's cabinets."""
    return world.cabinets or (NAMELESS,)


def places_of(world: World, hold: Hold) -> tuple[int, ...]:
    """The cabinets that a hold's food stands in."""
    return hold.cabinets if world.cabinets else (NAMELESS,)


def channel(place: int) -> str:
    """The channel of a cabinet's probe."""
    return cabinet_channel(place) if place else CABINET


def _read(world: World, event: Reading, now: Moment) -> Change:
    place = next((each for each in places(world) if channel(each) == event.channel), None)
    return (world if place is None else read(world, place, event.temp_c, now.at_ms)), ()


def read(world: World, place: int, temp_c: float, at_ms: int) -> World:
    """The cabinet's own probe read `temp_c`."""
    minimum, before = _minimum(world, place), _side(world, place)
    if minimum is None:
        return world
    last = before if before and at_ms - before.last_ms <= SAME_RUN_MS else None
    below, warm = not minimum.met_by(temp_c), temp_c >= minimum.c + WARMER_C
    if last and at_ms - last.last_ms <= FRESH_MS:
        world = _cold_since(world, place, last, at_ms)
    for batch in _held(world, place):
        *earlier, hold = world.batch(batch.id).holds
        hold = measured(hold, at_ms)
        if world.rules >= 7:
            hold = replace(hold, lowest_c=temp_c if hold.lowest_c is None else min(hold.lowest_c, temp_c))
        world = world.with_batch(batch.id, holds=(*earlier, hold))
    side = Cabinet(below, warm, at_ms, at_ms, temp_c, temp_c, temp_c)
    if last and (last.below, last.warm) == _sides(world, last, minimum) == (below, warm):
        side = replace(side, since_ms=last.since_ms, low_c=min(last.low_c, temp_c), high_c=max(last.high_c, temp_c))
    if place == NAMELESS:
        return replace(world, cabinet=side)
    return replace(world, numbered=tuple((dict(world.numbered) | {place: side}).items()))


def _side(world: World, place: int) -> Cabinet | None:
    return world.cabinet if place == NAMELESS else dict(world.numbered).get(place)


def _sides(world: World, stretch: Cabinet, minimum: Limit) -> tuple[bool, bool]:
    """Whether all of a stretch was below this minimum, or clearly above it.

    By rules 6 what was in force when it was read said so.
    """
    if world.rules < 7:
        return stretch.below, stretch.warm
    return not minimum.met_by(stretch.high_c), stretch.low_c >= minimum.c + WARMER_C


def measured(hold: Hold, at_ms: int) -> Hold:
    """`hold` once the cabinet, or a piece in it, was read."""
    return replace(hold, measured=True, read_ms=at_ms, unread_ms=unread_ms(hold, at_ms))


def unread_ms(hold: Hold, at_ms: int) -> int:
    """The longest time in `hold` between two readings, its start and its end counting as such."""
    return max(hold.unread_ms, at_ms - (hold.started_ms if hold.read_ms is None else hold.read_ms))


def _cold_since(world: World, place: int, last: Cabinet, at_ms: int) -> World:
    """Each batch in holding whose own minimum the last reading was below has been too cold for this long more."""
    for batch in _held(world, place):
        hold = batch.hold
        assert hold
        more_ms = at_ms - max(last.last_ms, hold.started_ms)
        if more_ms > 0 and not batch.procedure.hold_minimum.met_by(last.temp_c):
            since_ms = hold.cold_since_ms if hold.cold_since_ms is not None else at_ms - more_ms
            world = world.with_hold(batch.id, cold_ms=hold.cold_ms + more_ms, cold_since_ms=since_ms)
    return world


def _after(before: World, world: World, now: Moment) -> Change:
    world = watched(world, now)
    cues: tuple[Cue, ...] = ()
    for place in places(world):
        is_open, was_open = _alert(world, place), _alert(before, place)
        if is_open and (was_open is None or _named(is_open) != _named(was_open)):
            cues += (Cue(Tone.ALERT, f"{_name(place)} is too cold."),)
    return world, cues


def _name(place: int) -> str:
    return f"Cabinet {place}" if place else "Hot holding"


def watched(world: World, now: Moment) -> World:
    """`world` with the alert of each cold cabinet begun or ended, where the readings say so."""
    for place in places(world):
        world = _watched(world, place, now)
    for alert in world.alerts:
        if alert.kind == alerts.HOLD_COLD and dict(alert.numbers).get("cabinet", NAMELESS) not in places(world):
            world = alerts.ended(world, now.at_ms, "no such cabinet any more", (alert.kind,), id=alert.id)
    return world


def _watched(world: World, place: int, now: Moment) -> World:
    holding, known = _held(world, place), _alert(world, place)
    if not holding and not left_there(world):
        return _ended(world, place, "nothing is holding", now.at_ms)
    side, latest, minimum = _side(world, place), world.latest.get(channel(place)), _minimum(world, place)
    if side is None or latest is None or minimum is None or now.at_ms - side.last_ms > FRESH_MS:
        return world
    lasted_ms = side.last_ms - side.since_ms
    below, warm = _sides(world, side, minimum)
    if warm and lasted_ms >= WARM_FOR_MS:
        return _ended(world, place, "warm again", now.at_ms)
    if not holding:
        return world
    cold_ms = max(batch.hold.cold_ms for batch in holding if batch.hold)
    long_enough = lasted_ms >= COLD_FOR_MS or cold_ms >= COLD_IN_ALL_MS
    numbers = [batch.number for batch in holding]
    if not below or not long_enough or (known and (world.rules < 6 or {*map(str, numbers)} <= _named(known))):
        return world
    alert = hold_cold(numbers, latest.temp_c, minimum, max(lasted_ms, cold_ms), now, place)
    return alerts.amended(world, replace(alert, id=known.id), again=True) if known else alerts.raised(world, alert)


def _ended(world: World, place: int, why: str, at_ms: int) -> World:
    known = _alert(world, place)
    return alerts.ended(world, at_ms, why, (alerts.HOLD_COLD,), id=known.id) if known else world


def _alert(world: World, place: int) -> Alert | None:
    """The open alert of a cold cabinet."""
    opened = (each for each in world.alerts if each.kind == alerts.HOLD_COLD and each.ended_ms is None)
    return next((each for each in opened if dict(each.numbers).get("cabinet", NAMELESS) == place), None)


def _named(alert: Alert) -> set[str]:
    """The numbers of the batches that it names."""
    return {*str(dict(alert.numbers)["batches"]).split()}


def hold_cold(
    numbers: list[int], temp_c: float, minimum: Limit, cold_ms: int, now: Moment, place: int = NAMELESS
) -> Alert:
    """The alert that the cabinet is below `minimum`, with the batches in it."""
    alert = alerts.made(
        alerts.HOLD_COLD,
        now.seq,
        f"{_name(place)} reads {temp_text(temp_c, minimum.unit)} and was below {minimum.text()} for"
        f" {minutes_text(cold_ms)} in all. Batches in it: {', '.join(map(str, numbers))}. Probe the food, and see to"
        " the cabinet.",
        now.at_ms,
        temperature=round(in_unit(temp_c, minimum.unit), 2),
        limit=minimum.value,
        unit=minimum.unit,
        batches=" ".join(map(str, numbers)),
        seconds=cold_ms / 1000,
    )
    if not place:
        return alert
    return replace(alert, id=f"{alert.id}-{place}", numbers=(*alert.numbers, ("cabinet", place)))


def _held(world: World, place: int | None = None) -> list[Batch]:
    """The batches that the heat of this cabinet keeps safe, or that of any."""
    held = [batch for batch in world.batches if batch.stage is Stage.HOLDING and not batch.by_time]
    return [batch for batch in held if place is None or (batch.hold and place in places_of(world, batch.hold))]


def left_there(world: World) -> bool:
    """Whether food of a struck hold may still stand in the cabinet: only the words for it were taken back."""
    return world.rules >= 7 and any(
        batch.stage is Stage.CHECKING
        and batch.struck_hold
        and not batch.by_time
        and not (batch.corrections and batch.corrections[-1].at_ms >= batch.struck_hold.started_ms)
        for batch in world.batches
    )


def _minimum(world: World, place: int) -> Limit | None:
    """The strictest minimum of what is in holding there; the procedure's where nothing is."""
    of = [batch.procedure for batch in _held(world, place)] or ([world.procedure] if world.procedure else [])
    return max((procedure.hold_minimum for procedure in of), key=lambda limit: limit.c, default=None)


SUBJECT = Subject(events={Reading: _read}, after=_after)
