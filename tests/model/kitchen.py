"""A station under watch: each event is stepped and everything that came of it is held against the promises."""

from collections.abc import Iterable

from recorder.core.effects import Effect
from recorder.core.events import Event, Tick
from recorder.core.station import State, deadline, step
from tests.model import alerts, batches, cooking, words
from tests.model.before_the_oil import BeforeTheOil
from tests.model.duties import Duties
from tests.model.holds import Holds
from tests.model.ledger import Broken, Ledger, hold_to
from tests.model.needle import Needle


class Watched:
    def __init__(self, ticking: bool = True) -> None:
        self.state = State()
        self.ledger = Ledger(ticking)
        self.needle = Needle()
        self.holds = Holds()
        self.before_the_oil = BeforeTheOil()
        self.duties = Duties()
        self.history: list[Event] = []
        """What was fed, but for ticks."""
        self.steps = 0
        self.effects: list[tuple[Event, tuple[Effect, ...]]] | None = None
        """What came of each event, where a replay is to be compared."""

    def feed(self, event: Event) -> None:
        """Raises `Broken` where a promise does not hold; `history` is then what led there."""
        self.history.append(event)
        if self.ledger.ticking:
            while (due_ms := deadline(self.state)) is not None and due_ms <= event.at_ms:
                self._step(Tick(due_ms))
        self._step(event)

    def _step(self, event: Event) -> None:
        self.steps += 1
        try:
            self.state, effects = step(self.state, event)
        except Exception as error:
            raise Broken("1 raises", f"{type(error).__name__} {error} at {event}") from error
        if self.effects is not None:
            self.effects.append((event, effects))
        due_ms = deadline(self.state)
        hold_to("1 deadline", due_ms is None or due_ms > self.state.at_ms, due_ms, self.state.at_ms)
        done = self.ledger.take(event, effects)
        hold_to("1 number", self.state.seq == self.ledger.seq)
        self.needle.see(self.ledger, done)
        batches.see(self.ledger, done, self.needle)
        cooking.see(self.ledger, done)
        self.holds.see(self.ledger, done)
        self.before_the_oil.see(self.ledger, done)
        alerts.see(self.ledger, done, self.state)
        words.see(self.ledger, done)
        self.duties.see(self.ledger, done)
        self.ledger.end(done)

    def replay(self) -> None:
        """The same events give the same effects again."""
        assert self.effects is not None
        state = State()
        for event, effects in self.effects:
            state, again = step(state, event)
            hold_to("1 replay", again == effects, event)
        hold_to("1 replay", state == self.state, "another state")


def broken(history: Iterable[Event], ticking: bool) -> Broken | None:
    """The promise that this history breaks, if it breaks one."""
    watched = Watched(ticking)
    try:
        for event in history:
            watched.feed(event)
    except Broken as error:
        return error
    return None
