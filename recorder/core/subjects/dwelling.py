"""A critical limit that asks for a time: the needle stays in the piece until it was seen hot enough for so long.

The Food Code gives temperature and time together where time counts (2022, 3-401.11(A)), such as 145 °F for 15 s.
"""

from dataclasses import replace

from recorder.core.batch import Batch, Check, Standing
from recorder.core.effects import Cue, Tone
from recorder.core.events import Reading
from recorder.core.limits import degrees, minutes_text
from recorder.core.subject import Change
from recorder.core.subjects import judging
from recorder.core.world import World

READ_AGAIN_MS = 10_000
"""So much longer than the time itself a check waits: a needle at rest is read every 2 s."""


def stays(world: World, batch: Batch, check: Check, event: Reading, at_ms: int) -> tuple[World, Check, Change | None]:
    """What a settled reading says of a check that waits: its check, and what comes of it as long as it must stay.

    None where it can be judged.
    """
    target, critical = judging.limits(batch.procedure, check.part)
    part = batch.procedure.part(check.part)
    if part is None or check.held or part.done_at_once(event.temp_c):
        return world, check, None
    if not (critical.met_by(event.temp_c) and target.met_by(event.temp_c)):
        return world, replace(check, standing=None), None
    began = check.standing
    standing = began if began and began.spot == event.spot else Standing(event.spot, event.at_ms, event.temp_c)
    standing = replace(standing, temp_c=min(standing.temp_c, event.temp_c))
    check = replace(check, standing=standing, stood_ms=event.at_ms - standing.since_ms)
    world = world.with_batch(batch.id, checks=judging.replaced(batch.checks, check))
    if check.stood_ms >= part.critical_for_ms:
        return world, replace(check, standing=None), None
    say = (
        f"{part.name.capitalize()} {degrees(event.temp_c, critical.unit)} degrees. The needle stays in it for"
        f" {minutes_text(part.critical_for_ms)}."
    )
    return world, check, (world, () if began else (Cue(Tone.ANSWER, say),))


def due_ms(batch: Batch, check: Check) -> int:
    """When a check that waits has waited for long enough."""
    window_ms = check.opened_ms + batch.procedure.settle_window_ms
    part = batch.procedure.part(check.part)
    if check.standing is None or part is None:
        return window_ms
    return max(window_ms, check.standing.since_ms + part.critical_for_ms + READ_AGAIN_MS)
