"""Whose the needle's newest resting place is: the check that was read in it, as long as it may be read colder there."""

from dataclasses import replace

from recorder.core.batch import Batch, Check, Verdict
from recorder.core.events import Reading
from recorder.core.subjects import judging
from recorder.core.world import Owner, Spot, World

COLDER_MS = 20_000
"""So long after a check was read a colder spot of the same piece took its place, by rules 5."""

COLDEST_MS = 60_000
"""So long it does now: the cook may look for the coldest spot, and the needle takes its time to settle there."""

SAME_SPOT_MS = 120_000
"""So long after a check was read its own spot may be read lower: a needle that still warms up, or cools, settles late.
After that the piece itself may have cooled (common practice, no source)."""

LOWER_C = 0.1
"""A spot is lower by at least this much, a tenth being what is shown."""


def taken(world: World, event: Reading, check: int, batch: int | None, at_ms: int) -> World:
    """`world` in which the spot of `event` is that check's; `batch` is None for a check of the probe itself."""
    if world.rules < 6:
        return replace(world, owner=Owner(event.spot, check, batch, at_ms + COLDER_MS))
    return replace(world, owner=Owner(event.spot, check, batch, at_ms + COLDEST_MS, at_ms + SAME_SPOT_MS))


def surer(world: World, event: Reading, at_ms: int) -> Reading:
    """`event`, or what it says of the check of its own spot where it is no lower but surer: the value that was kept,
    with the interval by which the piece has surely reached what either reading says.
    """
    owner = world.owner
    if owner is None or event.spot != owner.spot or at_ms > owner.same_until_ms or event.uncertainty_c is None:
        return event
    owned = check_of(world, owner)
    if owned is None or (kept_c := owned[1].temp_c) is None or event.temp_c <= kept_c - LOWER_C:
        return event
    was_c = owned[1].uncertainty_c
    now_c = max(kept_c - (event.temp_c - event.uncertainty_c), event.uncertainty_c)
    return replace(event, temp_c=kept_c, uncertainty_c=round(now_c, 3)) if was_c and now_c <= was_c - LOWER_C else event


def owned_by(world: World, event: Reading, at_ms: int) -> tuple[Batch, Check] | None:
    """The check of a piece that owns the spot which `event` is lower in, or surer of, or from which the needle went
    straight to this colder one, in time."""
    owner = world.owner
    if owner is None:
        return None
    same = event.spot == owner.spot and at_ms <= owner.same_until_ms
    further = event.colder and owner.goes_on_to(event.spot) and at_ms <= owner.until_ms
    owned = check_of(world, owner) if same or further else None
    if owned is None or owned[1].temp_c is None:
        return None
    lower_c = owned[1].temp_c - event.temp_c
    surer = same and lower_c == 0 and event.uncertainty_c != owned[1].uncertainty_c
    return owned if surer or lower_c >= LOWER_C or (further and lower_c > 0) else None


def gone_through(world: World, event: Reading, at_ms: int) -> World:
    """The needle went on to a spot that is no colder: one that it then finds straight after is of the same piece."""
    owner = world.owner
    if owner is None or not owner.goes_on_to(event.spot) or at_ms > owner.until_ms:
        return world
    owned = check_of(world, owner)
    warm = owned and owned[1].temp_c is not None and event.temp_c >= owned[1].temp_c - LOWER_C
    return replace(world, owner=replace(owner, through=event.spot)) if warm else world


def left_before(world: World, asked_for: Check, fresh: list[Spot]) -> tuple[Batch, Check] | None:
    """The check read before `asked_for` that would not have passed by a spot which the needle had left again when the
    words for `asked_for` were said, or just after: that spot may be of either piece.
    """
    owner, newest = world.owner, world.spots[-1]
    owned = check_of(world, owner) if owner else None
    if world.rules < 7 or owner is None or owned is None:
        return None
    if owned[1].verdict is not Verdict.PASSED or owned[1].disputed:
        return None
    left = [
        each.reading.temp_c
        for each in fresh
        if each is not newest and each.since_ms < min(asked_for.opened_ms, owner.until_ms + 1)
    ]
    return owned if left and not judging.passes(*owned, min(left)) else None


def check_of(world: World, owner: Owner) -> tuple[Batch, Check] | None:
    """The check that `owner` names, with its batch."""
    for batch in world.batches:
        for check in batch.checks:
            if (batch.id, check.id) == (owner.batch, owner.check):
                return batch, check
    return None
