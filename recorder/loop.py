"""The one writer: takes events from the inbox, steps the station, commits, and only then gives the cue.

It holds the only `State` and the only journal. It judges nothing and knows no device.
"""

import queue
from collections.abc import Callable, Sequence

from recorder.clock import Clock
from recorder.core.effects import Cue, Effect
from recorder.core.events import Event, Tick
from recorder.core.station import State, deadline, step
from recorder.journal.journal import Journal

Watch = Callable[[Event, State, Sequence[Effect]], None]
"""Sees each event, the state after it and its effects, once they are on disk."""


def nobody(event: Event, state: State, effects: Sequence[Effect]) -> None:
    """A `Watch` that looks at nothing."""


NEW = State()
"""A station that nothing has happened to."""


class Loop:
    """Brings one event after another through the station into the journal."""

    def __init__(
        self,
        journal: Journal,
        clock: Clock,
        give: Callable[[Cue], None],
        watch: Watch = nobody,
        state: State | None = None,
    ) -> None:
        """`give` gives a cue; `state` is the station's after all that is in the journal; without it that is read."""
        self.inbox: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._journal = journal
        self._clock = clock
        self._give = give
        self._watch = watch
        self.state = state or restored(journal)

    def handle(self, event: Event) -> None:
        """One event, all the way: step, one commit, then the cues. Raises `JournalError` when it can't be kept."""
        state, effects = step(self.state, event)
        self._journal.append(self._clock.stamp(), event, effects)
        self.state = state
        for effect in effects:
            if isinstance(effect, Cue):
                self._give(effect)
        self._watch(event, state, effects)

    def turn(self, longest_s: float) -> bool:
        """Handle what is due or comes in within `longest_s`; False when nothing did."""
        due_ms = deadline(self.state)
        if due_ms is not None:
            left_s = (due_ms - self._clock.now_ms()) / 1000
            if left_s <= 0:
                self.handle(Tick(due_ms))
                return True
            longest_s = min(longest_s, left_s)
        try:
            event = self.inbox.get(timeout=longest_s) if longest_s > 0 else self.inbox.get_nowait()
        except queue.Empty:
            return False
        self.handle(event)
        return True


def restored(journal: Journal, start: State = NEW, seen: Callable[[int], None] = lambda seq: None) -> State:
    """The state after all of the journal; what was asked for on the way was done when it happened.

    `start` is the state after its first `start.seq` entries, so that only the others are read; `seen` is told the
    number of each. Raises `JournalError`.
    """
    state = start
    for entry, event in journal.entries(start.seq):
        state, _ = step(state, event)
        seen(entry.seq)
    return state
