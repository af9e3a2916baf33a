"""The station that lives through a journal again, as each version did that can have written it.

Several versions judged otherwise under one rules number (`core.editions`), and each read the whole journal by its own
ways when it started. So there is one station for each, all of them live through every entry, and what one recorder
wrote from its start to the next has to be what one of them says, in every row and message. Since rules 4 there is one.
"""

from collections.abc import Callable, Sequence

from recorder.core.editions import NEWEST, OWN_TIME, READ_AGAIN, RULES_OF
from recorder.core.effects import Effect
from recorder.core.events import Event, Started
from recorder.core.rules_1_to_4 import station as rules_1_to_4
from recorder.core.rules_1_to_4.world import World
from recorder.core.station import State, step
from recorder.journal.chain import Entry
from recorder.journal.verify import RecordFault, Way
from recorder.notices.outbox import Messages
from recorder.snapshot import Snapshot

STATION = {edition: edition for edition in RULES_OF} | {OWN_TIME: OWN_TIME - 1, READ_AGAIN: NEWEST}
"""Edition -> the one whose station it shares: `OWN_TIME` differs from the one before it in its messages alone, and the
last two differ in nothing that was recorded before the last."""


Watch = Callable[[Entry, Event, Sequence[Effect]], None]
"""Sees each entry that is replayed, and what it asked for."""


def _new(edition: int) -> State:
    """A station that nothing has happened to, as this edition has it."""
    return State() if edition == NEWEST else State(earlier=rules_1_to_4.State(world=World(edition=edition)))


class Replay:
    """Lives through the journal for `verify`."""

    def __init__(
        self,
        snapshot: Snapshot | None,
        seen: Callable[[int], None] = lambda seq: None,
        watch: Watch = lambda entry, event, effects: None,
    ) -> None:
        """`snapshot` is compared on the way, once its entry comes. `seen` is given the number of each entry."""
        self._seen = seen
        self._watch = watch
        self._snapshot = snapshot
        self.snapshot_faults: list[RecordFault] = []
        self._first: Entry | None = None
        self._states = {NEWEST: State()}
        self._running: list[tuple[int, Messages | None]] = [(NEWEST, None)]
        """The editions that can be the one which wrote these entries, each with its messages."""

    def ways(self, entry: Entry, event: Event) -> Sequence[Way]:
        """Each way in which the recorder that wrote `entry` can have judged it."""
        self._seen(entry.seq)
        if isinstance(event, Started):
            self._begin(entry, event)
        self._first = self._first or entry
        effects = {}
        for edition, state in self._states.items():
            self._states[edition], effects[edition] = step(state, event)
        if self._snapshot and self._snapshot.entry_hash == entry.hash and self._snapshot.state != self._states[NEWEST]:
            self.snapshot_faults.append(
                RecordFault("kept state", entry.seq, "the journal says another; delete the file")
            )
        found = []
        for edition, messages in self._running:
            asked = effects[STATION[edition]]
            found.append(Way(asked, messages.possible(entry, event, asked) if messages else ()))
        return found

    def keep(self, entry: Entry, event: Event, fit: Sequence[int], effects: Sequence[Effect]) -> None:
        """Only these of the last `ways` can be the recorder's that wrote the entry, and all until the next start."""
        self._running = [self._running[place] for place in fit]
        self._watch(entry, event, effects)

    def _begin(self, entry: Entry, event: Started) -> None:
        """A recorder starts: by its rules, and perhaps under a new name."""
        if not self._first:
            self._states = {STATION[edition]: _new(STATION[edition]) for edition in RULES_OF}
        later = {STATION[edition] for edition, rules in RULES_OF.items() if rules >= event.rules} | {NEWEST}
        self._states = {edition: state for edition, state in self._states.items() if edition in later}
        same = [edition for edition, rules in RULES_OF.items() if rules == event.rules]
        self._running = []
        for edition in [edition for edition in same if STATION[edition] in self._states] or [NEWEST]:
            messages = Messages("", event.station, "all", edition)
            messages.begin(self._first or entry)
            self._running.append((edition, messages))
