"""Messages of the outbox, as values."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Message:
    """What goes to the broker."""

    topic: str
    body: str
    """JSON."""
    retain: bool = False


@dataclass(frozen=True, slots=True)
class Possible:
    """A message that an entry can have made; which ones it did make depends on what the station published then."""

    id: str
    """The message's own, as it stands in its body."""
    must: bool
    """Whether it is made whatever is published."""
    make: Callable[[], Message]


@dataclass(frozen=True, slots=True)
class Unsent:
    """A message that waits on disk."""

    id: int
    message: Message
