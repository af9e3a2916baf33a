"""What the passage of time does at the station: windows close, cooks and holds run out, questions lapse.

`deadline` and `advance` ask the same list, so that what is waited for and what is done can't differ. A moment counts as
come when it is reached (half-open intervals).
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from recorder.core import alerts
from recorder.core.effects import Cue
from recorder.core.subject import Change, Subject, Timer
from recorder.core.world import World


def deadline(subjects: Sequence[Subject], world: World) -> int | None:
    """The next moment at which time alone changes something, or None."""
    return min((due_ms for due_ms, _ in _pending(subjects, world)), default=None)


def advance(subjects: Sequence[Subject], world: World, at_ms: int) -> Change:
    """`world` as it is at `at_ms`: all that was due until then is done, in order of time."""
    cues: tuple[Cue, ...] = ()
    while (due := min(_pending(subjects, world), key=lambda each: each[0], default=None)) and due[0] <= at_ms:
        world, more = due[1](world, at_ms)
        cues += more
    return world, cues


def _pending(subjects: Sequence[Subject], world: World) -> Iterator[Timer]:
    """All that is waited for; of two that are due at once the first one comes first."""
    if world.question:
        yield world.question.until_ms, lambda now, _: (replace(now, question=None), ())
    for alert in world.alerts:
        if (again_ms := alerts.reminder_ms(alert)) is not None:
            yield again_ms, partial(_remind, alert.id)
    for subject in subjects:
        if subject.timers:
            yield from subject.timers(world)
    of_a_batch = [subject.batch_timers for subject in subjects if subject.batch_timers]
    for batch in world.batches:
        for timers in of_a_batch:
            yield from timers(batch)


def _remind(id: str, world: World, at_ms: int) -> Change:
    return alerts.reminded(world, id, at_ms), ()
