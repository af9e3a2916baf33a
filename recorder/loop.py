"""The loop: takes events from the inbox, steps the station, commits, and only then gives the cue.

It holds the only `State` and the one writer of the journal. It judges nothing and knows no device.
"""

import queue
from collections.abc import Callable, Iterable, Sequence

from recorder.clock import Clock, Stamp
from recorder.core.effects import Cue, Effect, Record
from recorder.core.events import Event, Tick
from recorder.core.station import State, deadline, step
from recorder.journal.chain import Entry
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.journal.reader import Reader

MakeMessages = Callable[[Entry, Event, Sequence[Effect]], Iterable[Message]]
"""Makes the messages of one entry; each names the entry's hash."""

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
        messages: MakeMessages,
        watch: Watch = nobody,
        state: State | None = None,
    ) -> None:
        """`give` gives a cue; `messages` makes what goes to the broker, and is asked for each entry in order.

        `state` is the station's after all that is in the journal; without it that is read.
        """
        self.inbox: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._journal = journal
        self._clock = clock
        self._give = give
        self._messages = messages
        self._watch = watch
        self.state = state or restored(journal)

    def handle(self, event: Event) -> None:
        """One event, all the way: step, one commit, then the cues. Raises `JournalError` when it can't be kept."""
        state, effects = step(self.state, event)
        record(self._journal, self._clock.stamp(), event, effects, self._messages)
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


def record(journal: Journal, stamp: Stamp, event: Event, effects: Sequence[Effect], messages: MakeMessages) -> Entry:
    """The entry for `event`, committed with the rows among its `effects` and its messages; raises `JournalError`."""
    entry = journal.seal(stamp, event)
    rows = [effect for effect in effects if isinstance(effect, Record)]
    journal.commit(entry, rows, messages(entry, event, effects))
    return entry


def restored(journal: Reader, start: State = NEW, seen: Callable[[int], None] = lambda seq: None) -> State:
    """The state after all of the journal; what was asked for on the way was done when it happened.

    `start` is the state after its first `start.seq` entries, so that only the others are read; `seen` is given
    the number of each. Raises `JournalError`.
    """
    state = start
    for entry, event in journal.entries(start.seq):
        state, _ = step(state, event)
        seen(entry.seq)
    return state
