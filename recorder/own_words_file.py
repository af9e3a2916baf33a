"""[[prompt]], [[task]], [[cause]] and [[action]] of a procedure file, as they are written, and what they mean."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from recorder.core.alerts import KINDS
from recorder.core.effects import Level
from recorder.core.own_words import Choice, OwnWords, Prompt, Task
from recorder.lengths import Length
from recorder.misfits import MisfitError, choice

CRITICAL = [name for name, kind in KINDS.items() if Level.CRITICAL in (kind.level, kind.unsafe)]
"""Kinds of alerts that ask for a cause and a corrective action."""


def words(value: Any) -> str:
    """Spoken words, in small letters with one space between them; raises `MisfitError`."""
    if not isinstance(value, str):
        raise MisfitError(f"is {value!r}; write text in quotes")
    return " ".join(value.lower().split())


def critical_kind(value: Any) -> str:
    """A kind of alert that can be critical; raises `MisfitError`."""
    if value not in CRITICAL:
        raise MisfitError(choice(value, CRITICAL))
    return str(value)


@dataclass(frozen=True, slots=True)
class PromptTable:
    """[[prompt]]"""

    say: str
    at: str = ""
    before_end: Length = 0
    done: bool = False


@dataclass(frozen=True, slots=True)
class TaskTable:
    """[[task]]"""

    name: Annotated[str, words]
    when: str
    by: Length | None = None


@dataclass(frozen=True, slots=True)
class ChoiceTable:
    """[[cause]] and [[action]]"""

    name: Annotated[str, words]
    alerts: tuple[Annotated[str, critical_kind], ...] = ()


def own_words(
    prompts: Sequence[PromptTable],
    tasks: Sequence[TaskTable],
    causes: Sequence[ChoiceTable],
    actions: Sequence[ChoiceTable],
) -> OwnWords:
    """The kitchen's own words in these tables; `OwnWords.problems` says what is wrong with them."""
    return OwnWords(
        prompts=tuple(Prompt(each.say.strip(), each.at, each.before_end, each.done) for each in prompts),
        tasks=tuple(Task(each.name, each.when, *(() if each.by is None else (each.by,))) for each in tasks),
        causes=tuple(Choice(each.name, each.alerts) for each in causes),
        actions=tuple(Choice(each.name, each.alerts) for each in actions),
    )
