"""Which commands fit how the station stands, by the table of transitions; a hint, and no promise that one is obeyed."""

from collections.abc import Iterator

from recorder.core import meanings as m
from recorder.core.batch import Stage
from recorder.core.transitions import TRANSITIONS
from recorder.core.world import World

ANY_TIME = (m.STATUS, m.TIME_LEFT, m.LAST_READING, m.SCRATCH)
"""What can be said whatever the station does."""

STEPS = (m.LOAD, m.LID_LOCKED, m.LID_OPEN, m.PROBE, m.COOK_MORE, m.HOLD_START, m.SOLD, m.HOLD_END, m.DISCARD)
"""Commands about a batch, in the order of a day."""


def sayable(world: World) -> list[str]:
    """The meanings that would be acted on now, in the order of a day; those of any time are left out."""
    if world.question:
        return [m.CONFIRM]
    if not world.open_shift:
        return [m.SHIFT_START, *m.PROBE_CHECKS, *_own(world)]
    stages = {batch.stage for batch in world.batches if batch.stage is not Stage.CLOSED}
    moved = [m.MOVED] if len(world.cabinets) > 1 and Stage.HOLDING in stages else []
    start = [m.BATCH_START] if len(world.in_vats) < len(world.vats) else []
    back = [m.RAW_BACK] if world.raw_out else []
    return [*start, *(step for step in STEPS if set(_stages(step)) & stages), *moved, *back, *_own(world)]


def _own(world: World) -> Iterator[str]:
    """Commands with the kitchen's own words."""
    if any(batch.waiting_prompts for batch in world.batches) or (world.shift and world.shift.waiting_prompts):
        yield m.PROMPT_DONE
    if world.open_tasks:
        yield m.TASK_DONE


def _stages(meaning: str) -> Iterator[Stage]:
    yield from TRANSITIONS[meaning].stages
    if meaning in (m.PROBE, m.COOK_MORE):  # what holding has too; what is only said late is no hint
        yield from TRANSITIONS[meaning].otherwise
