"""What passes between a probe's device and the driver: raw bytes, and what they say. Values and promises only.

source (a device) -> Chunk -> reader (pure) -> Sample, Fault, Charge -> probe (thinning, silence) -> events
"""

import threading
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

READ_S = 0.05
"""How long a source waits for something to come before it says that nothing has."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Raw bytes, as a device gave them."""

    data: bytes
    where: str = ""
    """Which place on the device they come from, where it has several: a characteristic, a register."""


@dataclass(frozen=True, slots=True)
class Taken:
    """When a device measured, by its own clock."""

    ms: int
    """It only goes on within one run; a clock that wraps is put right already."""
    run: int = 0
    """Another number: the device, or its clock, has started again, and nothing is known of the one before."""
    grain_ms: int = 1
    """The clock's step."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One temperature."""

    channel: str
    temp_c: float
    taken: Taken | None = None
    """None: the device does not say when, so it counts as measured when it came."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A channel that says that it has no temperature."""

    channel: str
    reason: str
    taken: Taken | None = None


@dataclass(frozen=True, slots=True)
class Doubt:
    """A channel said what can be no temperature of its own; counted as bad, and a hint at its contact."""

    channel: str
    kind: str
    """Of its badness, as counted."""
    taken: Taken | None = None


@dataclass(frozen=True, slots=True)
class Charge:
    """How full a wireless probe's battery is."""

    channel: str
    percent: int


Found = Sample | Fault | Charge | Doubt


class Source(Protocol):
    """A device that speaks in raw bytes."""

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """Open the device and give what it says until `stop`; None whenever nothing has come for `READ_S`.

        The first item comes as soon as the device is open. Raises `DriverLost` when it goes, `DriverUnavailable` when
        it can't be opened at all.
        """
        ...


class Reader(ABC):
    """Makes sense of chunks. Pure: no device, no clock. Other threads may look at its counts."""

    def __init__(self) -> None:
        self.good = 0
        """Messages that had something to say."""
        self.bad: Counter[str] = Counter()
        """Messages that had not, by the kind of their badness; none of them became a temperature."""
        self.missed = 0
        """Messages that were sent, as the later ones show, and did not come."""
        self.notes = 0
        """Messages in which the device spoke of itself, and not of a temperature."""
        self.about: dict[str, str] = {}
        """What it said of itself: "board", "firmware", "reset", "lost", ... -> its words."""

    @abstractmethod
    def read(self, chunk: Chunk) -> list[Found]:
        """What the messages that end in `chunk` say."""

    def counted(self, made: Found | str) -> list[Found]:
        """What a message says, or nothing where it is bad: `made` is then the kind of its badness, or a doubt."""
        if isinstance(made, str):
            self.bad[made] += 1
            return []
        if isinstance(made, Doubt):
            self.bad[made.kind] += 1
            return [made]
        self.good += 1
        return [made]

    @abstractmethod
    def reopened(self) -> None:
        """The device was opened again: the rest of a message is not to come, and the device may have started again."""
