"""What a kitchen adds to its procedure in its own words: prompts, tasks of the day, causes and corrective actions.

A prompt's sentence is the kitchen's: the recorder says it and judges nothing of it. Values and their checks only.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from recorder.core.limits import lasting, listed

SHIFT_START, SHIFT_END = "shift start", "shift end"
BATCH_START, LAST_LOAD, LID_LOCKED = "batch start", "last load", "lid locked"
LID_OPEN, HOLD_START = "lid open", "hold start"

OF_SHIFT = (SHIFT_START, SHIFT_END)
MOMENTS = (SHIFT_START, BATCH_START, LAST_LOAD, LID_LOCKED, LID_OPEN, HOLD_START, SHIFT_END)
"""When a prompt can be said, in the order of a day. Last load: every part is in, or as many pieces as a load has."""

OPENING, CLOSING = "opening", "closing"

MOST_LETTERS = 120
"""Of a prompt: it must be over before the next thing happens (common practice, no source)."""

LONGEST_NAME = 40
"""Letters of a task, a cause or an action: it is spoken in one breath."""

LONGEST_TASK_MS = 12 * 3_600_000
"""Later than this after its shift no task is one of that day any more (common practice, no source)."""

_SENTENCE = re.compile(r"[^\W\d_]+(?:[-'][^\W\d_]+)*(?:(?:[,;:]| -)? [^\W\d_]+(?:[-'][^\W\d_]+)*)*[.!?]?")
_NAME = re.compile(r"[^\W\d_]+(?:'[^\W\d_]+)*(?: [^\W\d_]+(?:'[^\W\d_]+)*)*")


@dataclass(frozen=True, slots=True)
class Prompt:
    """A sentence of the kitchen's that is said at a moment of the work."""

    say: str
    at: str = ""
    """One of `MOMENTS`; "" where `before_end_ms` says when."""
    before_end_ms: int = 0
    """So long before the planned end of a cook; 0 where `at` says when."""
    done: bool = False
    """Whether "prompt done" is waited for."""


@dataclass(frozen=True, slots=True)
class Task:
    """Something that has to be done once a day."""

    name: str
    """As it is spoken: "gasket"."""
    when: str
    """`OPENING` or `CLOSING`."""
    by_ms: int = 30 * 60_000
    """How long after the start of the day's first shift, or after the end of its last one, it may be done."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A cause of a deviation, or what was done about it."""

    name: str
    """As it is spoken: "cooked longer"."""
    kinds: tuple[str, ...] = ()
    """The kinds of alerts that it fits; () for all."""

    def fits(self, kind: str) -> bool:
        """Whether it can be said of an alert of this kind."""
        return not self.kinds or kind in self.kinds


@dataclass(frozen=True, slots=True)
class OwnWords:
    """All of them, in the order of the procedure file."""

    prompts: tuple[Prompt, ...] = ()
    tasks: tuple[Task, ...] = ()
    causes: tuple[Choice, ...] = ()
    actions: tuple[Choice, ...] = ()

    @property
    def of_station(self) -> str:
        """The first table that is the whole station's, and not of one product: "task"; "" for none."""
        shift = tuple(prompt for prompt in self.prompts if prompt.at in OF_SHIFT)
        found = (("task", self.tasks), ("cause", self.causes), ("action", self.actions), ("prompt", shift))
        return next((key for key, lines in found if lines), "")

    def problems(self, planned_ms: int) -> Iterator[str]:
        """What is wrong, each as one sentence that begins with its key, such as "prompt.0.say", and ends in a remedy.

        `planned_ms` is how long a cook is planned to be.
        """
        for place, prompt in enumerate(self.prompts):
            yield from _of_prompt(f"prompt.{place}", prompt, planned_ms)
        for place, task in enumerate(self.tasks):
            if task.when not in (OPENING, CLOSING):
                yield f'task.{place}.when is {task.when!r}; write "{OPENING}" or "{CLOSING}"'
            if not 0 < task.by_ms <= LONGEST_TASK_MS:
                most = lasting(LONGEST_TASK_MS)
                yield f"task.{place}.by is {lasting(task.by_ms)}; write more than zero and {most} at most"
        for key, found in (("task", self.tasks), ("cause", self.causes), ("action", self.actions)):
            yield from _of_names(key, [each.name for each in found])


NO_WORDS = OwnWords()
"""Of a kitchen that has none."""


def _of_prompt(key: str, prompt: Prompt, planned_ms: int) -> Iterator[str]:
    if len(prompt.say) > MOST_LETTERS:
        yield f"{key}.say has {len(prompt.say)} letters; write {MOST_LETTERS} at most, in one sentence"
    elif not _SENTENCE.fullmatch(prompt.say):
        yield f"{key}.say is {prompt.say!r}; write one sentence in letters and plain punctuation, numbers as words"
    if bool(prompt.at) == bool(prompt.before_end_ms):
        yield f"{key}.at or before_end says when; write one of them: at = {_moments()}"
    elif prompt.at and prompt.at not in MOMENTS:
        yield f"{key}.at is {prompt.at!r}; write {_moments()}"
    elif not prompt.at and not 0 < prompt.before_end_ms < planned_ms:
        shown = lasting(prompt.before_end_ms)
        yield f"{key}.before_end is {shown}; write more than zero and less than cook.planned, {lasting(planned_ms)}"


def _moments() -> str:
    return listed([f'"{moment}"' for moment in MOMENTS], "or")


def _of_names(key: str, names: Sequence[str]) -> Iterator[str]:
    for place, name in enumerate(names):
        if len(name) > LONGEST_NAME or not _NAME.fullmatch(name):
            yield f"{key}.{place}.name is {name!r}; write the words that are spoken, {LONGEST_NAME} letters at most"
        elif name in names[:place]:
            yield f"{key}.{place}.name is {name!r}, which stands twice; name each {key} once"
