"""How far a thermometer is to be believed: the needle, and a spare one whose readings are spoken."""

from dataclasses import replace

from recorder.core.batch import FAILED, OVERDUE, PASSED, SPARE_PASSED, UNCHECKED, Verdict
from recorder.core.world import ProbeCheck, World

SPARE_MS = 24 * 3_600_000
"""So long another thermometer that passed may stand in, where the procedure does not say how often to check."""

NO_BATCH = 0
"""Stands for the batch of what is of none: raw food."""

UNVERIFIED_KEPT = 500
"""So many of the newest checks are remembered until the needle passes a check of its own."""


def remember_given(world: World, id: int, batch: int, part: str, spare: bool) -> World:
    """The needle, or another thermometer, gave the check `id`: remembered until it passes a check of its own."""
    given = world.spare_unverified if spare else world.unverified
    others = tuple(each for each in given if each[0] != id)
    given = (*others, (id, batch, part))[-UNVERIFIED_KEPT:]
    return replace(world, spare_unverified=given) if spare else replace(world, unverified=given)


def believed(world: World) -> ProbeCheck | None:
    """The newest check of the needle that says how it stands: a pass that was taken back says nothing."""
    read = world.probe_read
    if read and read.disputed and read.verdict is Verdict.PASSED:
        return world.stood.check if world.stood else None
    return read


def standing(world: World, at_ms: int) -> str | None:
    """How the needle stands: "passed", "failed", "overdue" or "unchecked"; None where no checks are asked for."""
    every_ms = world.procedure.probe_check_every_ms if world.procedure else None
    if world.probe_read is None:
        return None if every_ms is None else UNCHECKED
    check = believed(world)
    if check and check.verdict is Verdict.FAILED:
        return FAILED
    if world.probe_passed_ms is None:
        return UNCHECKED
    return OVERDUE if every_ms is not None and at_ms > world.probe_passed_ms + every_ms else PASSED


def spare_standing(world: World, at_ms: int, needle_lost: bool) -> str | None:
    """`SPARE_PASSED` where another thermometer may stand in: it passed, and the needle is lost or failed; else None."""
    spare, every_ms = world.spare, world.procedure.probe_check_every_ms if world.procedure else None
    if spare is None or spare.verdict is not Verdict.PASSED or spare.disputed:
        return None
    if at_ms > spare.opened_ms + (every_ms or SPARE_MS):
        return None
    return SPARE_PASSED if needle_lost or standing(world, at_ms) == FAILED else None
