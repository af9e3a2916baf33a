"""Joins a running station with who watches it: events become lines, and what is typed becomes events."""

import logging
from collections.abc import Callable, Sequence

from recorder.clock import Clock
from recorder.config import Settings
from recorder.console import typed
from recorder.console.lines import Line, lines
from recorder.console.standing import standing
from recorder.core.effects import Cue, Effect, Level, Tone
from recorder.core.events import Event, Heard, LinkDown, LinkUp, Reading
from recorder.core.meanings import QUESTIONS
from recorder.core.station import State
from recorder.core.subjects.guidance import next_words
from recorder.driver import Put
from recorder.practice import is_practice
from recorder.probes.simulated import KITCHEN
from recorder.voice.footswitch import KEY

SIMULATE = "simulate"
"""A typed line that begins so is for the simulated probes, and no command."""


class View:
    """What is seen of one station, and typed to it. `see` is for the loop's thread, the rest for any."""

    def __init__(self, settings: Settings, show: Callable[[Line], None]) -> None:
        """`show` is given each line. Who practises is told after each command what comes next."""
        self._settings = settings
        self._hints = is_practice(settings.station)
        self._give: Callable[[Cue], None] = lambda cue: None
        self._show = show
        self._linked: bool | None = False if settings.mqtt else None
        self._state = State()
        self._spot = 0
        self._put: Put | None = None
        self._clock: Clock | None = None

    def begin(self, put: Put, clock: Clock, give: Callable[[Cue], None]) -> None:
        """The station takes events from now on; `give` gives a cue that is on no record."""
        self._put, self._clock, self._give = put, clock, give

    def see(self, event: Event, state: State, effects: Sequence[Effect]) -> None:
        """Show what `event` was and did; as `loop.Watch`."""
        self._state = state
        self._linked = isinstance(event, LinkUp) if isinstance(event, LinkUp | LinkDown) else self._linked
        for line in lines(event, effects, state.world.unit, self._linked):
            if line.what != "reading" or ("spot", self._spot) not in line.fields:  # once for each place
                self._show(line)
        self._spot = event.spot if isinstance(event, Reading) and event.settled else self._spot
        if self._hints and isinstance(event, Heard) and event.intent.meaning not in QUESTIONS:
            say = next_words(state.world, event.at_ms)
            self._show(Line("hint", "hint", say))
            self._give(Cue(Tone.ANSWER, say))

    def log(self, record: logging.LogRecord) -> None:
        """Show what the program logs."""
        level = Level.INFO if record.levelno < logging.WARNING else Level.WARNING
        level = Level.CRITICAL if record.levelno >= logging.ERROR else level
        self._show(Line("log", record.name.rpartition(".")[2][:10], record.getMessage(), level))

    def standing(self) -> tuple[str, ...]:
        """How the station stands, in three lines."""
        if self._clock is None:
            return ("reading the records ...", "", "")
        return standing(self._state.world, self._clock.now_ms(), self._linked)

    def typed(self, text: str) -> None:
        """Give a typed sentence to the station, or say why not; steer what is simulated."""
        first, *words = text.split() or [""]
        if first.lower() == SIMULATE:
            self._show(Line("simulated", "simulated", KITCHEN.steer(words, self._state.world.unit)))
        elif self._put is None or self._clock is None:
            self._show(Line("typed", "keyboard", "not recording yet; wait a moment", Level.WARNING))
        elif event := typed.heard(self._settings.phrases, text, self._clock.now_ms()):
            self._put(event)
        elif first:
            self._show(Line("typed", "keyboard", self._hint(text), Level.WARNING))

    def turn_switch(self) -> None:
        """The key that stands for the foot switch was pressed."""
        self._show(Line("switch", "switch", "held: speak now" if KEY.turn() else "released"))

    def _hint(self, text: str) -> str:
        near = typed.nearest(self._settings.phrases, text)
        hint = (
            f'did you mean "{near}"?'
            if near
            else "the Tab key shows what can follow; `batch-recorder phrases` lists all"
        )
        return f'"{text.strip()}" is no sentence of the station; {hint}'


class LogLines(logging.Handler):
    """Gives what the program logs to a view."""

    def __init__(self, view: View) -> None:
        super().__init__(logging.INFO)
        self._view = view

    def emit(self, record: logging.LogRecord) -> None:
        """As `logging.Handler`."""
        self._view.log(record)
