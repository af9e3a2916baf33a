"""What a trainee is told after each command: what comes next for the batch that waits hardest. Pure."""

from dataclasses import replace

from recorder.core.batch import Stage
from recorder.core.meanings import WHAT_NEXT
from recorder.core.subjects.guidance import URGENT, next_words
from recorder.core.world import World


def hint(world: World, at_ms: int) -> str:
    """What comes next. Of several batches the most urgent one alone, and how many more wait."""
    waiting = [batch for batch in world.batches if batch.stage is not Stage.CLOSED]
    if len(waiting) < 2:
        return next_words(world, at_ms)
    first = min(waiting, key=lambda batch: (URGENT.index(batch.stage), batch.number))
    alone = replace(world, batches=(first,), vats=tuple(vat for vat in world.vats if vat == first.vat))
    return f"{next_words(alone, at_ms)} And {len(waiting) - 1} more: ask {WHAT_NEXT!r}."
