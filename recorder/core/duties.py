"""What became of the kitchen's own words at work: prompts that were said, the tasks of a day, deviations to answer for.

Values and simple questions only. The text of an id begins with the number of the journal entry that made it.
"""

from dataclasses import dataclass

from recorder.core.own_words import CLOSING


@dataclass(frozen=True, slots=True)
class Prompted:
    """A prompt that was said."""

    id: str
    """The entry's number, and the prompt's place in the procedure: "8-2"."""
    moment: str
    """When it is said, in words: "lid locked", "15 s before the end"."""
    text: str
    at_ms: int
    asks: bool
    """Whether "prompt done" is waited for."""
    stage: str = ""
    """Where its batch was then: once it is elsewhere, the prompt waits no more. "" for one of a shift."""
    round: int = 0
    """How often its batch had been sent back by then."""
    done_ms: int | None = None


@dataclass(frozen=True, slots=True)
class DayTask:
    """A task of this day."""

    id: str
    """The number of the entry that began the day, and the task's place in the procedure: "3-1"."""
    shift: int
    """Id of the day's first shift."""
    name: str
    when: str
    """`OPENING` or `CLOSING`."""
    begun_ms: int
    """When the day's first shift began."""
    by_ms: int
    due_ms: int | None = None
    """By when it has to be done; None for a closing one while a shift is open."""
    done_ms: int | None = None
    cook: int | None = None
    """The number of the cook whose shift it was done in."""
    missed: bool = False
    """It was not done by then."""

    @property
    def closing(self) -> bool:
        """Whether it is done at the end of a day."""
        return self.when == CLOSING


@dataclass(frozen=True, slots=True)
class Deviation:
    """A critical alert, to which the kitchen owes a cause and a corrective action."""

    alert: str
    """The alert's id."""
    kind: str
    batch: int | None
    """The batch's number."""
    since_ms: int
    cause: bool = False
    """Whether a cause is on record,"""
    action: bool = False
    """and a corrective action."""
    reminded: bool = False
    """Whether the cook was reminded of it: nobody is reminded twice."""

    @property
    def about(self) -> str:
        """What it is about, for people."""
        return self.kind if self.batch is None else f"{self.kind}, batch {self.batch}"


@dataclass(frozen=True, slots=True)
class CorrectiveAction:
    """What somebody said of a deviation: its cause, or what was done about it."""

    id: int
    alert: str
    """The alert's id."""
    what: str
    """ "cause" or "action"."""
    name: str
    at_ms: int
    cook: int | None
