"""The station that lives through a journal again, as `verify` needs it. It is handed in: the journal does not judge."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from recorder.core.effects import Effect
from recorder.core.events import Event
from recorder.journal.chain import Entry
from recorder.journal.messages import Possible


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which an entry can have been judged."""

    effects: Sequence[Effect]
    """What it asked for."""
    posts: Iterable[Possible]
    """All messages that it can have made."""


class Replay(Protocol):
    """The station, which lives through the entries in order."""

    def ways(self, entry: Entry, event: Event) -> Sequence[Way]:
        """Each way in which the recorder that wrote `entry` can have judged it; several where versions differed."""
        ...

    def keep(self, entry: Entry, event: Event, fit: Sequence[int], effects: Sequence[Effect]) -> None:
        """Of the last `ways` only these are what is on disk: the others are none for what the same recorder wrote.

        `effects` are those of the one that is taken.
        """
        ...
