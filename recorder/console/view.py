"""Joins a running station with who watches it: events become lines, and what is typed becomes events."""

import logging
from collections.abc import Callable, Iterator, Sequence

from recorder.clock import Clock
from recorder.config import Settings
from recorder.console import typed
from recorder.console.helping import HELP, help_lines
from recorder.console.hints import hint
from recorder.console.lines import Line, lines
from recorder.console.standing import standing
from recorder.core.effects import Cue, Effect, Level, Tone
from recorder.core.events import NEEDLE, Event, Heard, LinkDown, LinkUp, Reading
from recorder.core.meanings import PROBE, QUESTIONS
from recorder.core.station import State
from recorder.driver import Put
from recorder.practice import is_practice
from recorder.probes import needle
from recorder.probes.simulated import KITCHEN
from recorder.voice.footswitch import KEY, LONGEST_S, TERMINAL

SIMULATE = "simulate"
"""A typed line that begins so is for the simulated probes, and no command."""


class View:
    """What is seen of one station, and typed to it. `see` is for the loop's thread, the rest for any."""

    def __init__(self, settings: Settings, show: Callable[[Line], None]) -> None:
        """`show` is given each line. Who practises is told after each command what comes next."""
        self._settings = settings
        self._hints = is_practice(settings.station)
        self._no_needle = needle.missing(settings.probes)
        self._simulated = [name for each in settings.probes if each.driver == "simulated" for name in each.names()]
        voice = settings.voice
        self._has_switch = bool(voice and voice.listening == "switch" and voice.switch == TERMINAL)
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
        KEY.watch = self._switched
        if self._linked is None:
            why = "practice: nothing goes to a broker" if self._hints else "there is no [mqtt]"
            self._show(Line("alerts", "station", f"alerts stay on this station; {why}"))

    def see(self, event: Event, state: State, effects: Sequence[Effect]) -> None:
        """Show what `event` was and did; as `loop.Watch`."""
        self._state = state
        self._linked = isinstance(event, LinkUp) if isinstance(event, LinkUp | LinkDown) else self._linked
        for line in lines(event, effects, state.world.unit, self._linked):
            if line.what != "reading" or ("spot", self._spot) not in line.fields:  # once for each place
                self._show(line)
        self._spot = event.spot if isinstance(event, Reading) and event.settled else self._spot
        if self._hints and isinstance(event, Heard) and event.intent.meaning not in QUESTIONS:
            say = hint(state.world, event.at_ms)
            self._show(Line("hint", "hint", say))
            self._give(Cue(Tone.ANSWER, say))
        if self._no_needle and isinstance(event, Heard) and event.intent.meaning == PROBE:
            text = f"no temperature comes by itself: {self._no_needle}"
            self._show(Line("probe", NEEDLE, text, Level.WARNING))

    def log(self, record: logging.LogRecord) -> None:
        """Show what the program logs."""
        level = Level.INFO if record.levelno < logging.WARNING else Level.WARNING
        level = Level.CRITICAL if record.levelno >= logging.ERROR else level
        self._show(Line("log", record.name.rpartition(".")[2][:10], record.getMessage(), level))

    def standing(self) -> tuple[str, ...]:
        """How the station stands, in three lines."""
        if self._clock is None or not self._state.world.station:
            return ("starting ...", "", "")
        held = KEY.down if self._has_switch else None
        return standing(self._state.world, self._clock.now_ms(), self._linked, held)

    def continuations(self, text: str) -> Iterator[str]:
        """The words that can follow a line begun so, whose last word may be unfinished."""
        *whole, begun = text.lower().split(" ")
        words = [word for word in whole if word]
        yield from typed.continuations(self._settings.phrases, text)
        own: tuple[str, ...] = ()
        if not words:
            own = (HELP, SIMULATE) if self._simulated else (HELP,)
        elif words == [SIMULATE]:
            own = tuple(self._simulated)
        elif words[0] == SIMULATE and len(words) == 2:
            own = KITCHEN.next_words(words[1])
        yield from (word for word in own if word.startswith(begun))

    def typed(self, text: str) -> None:
        """Give a typed sentence to the station, or say why not; steer what is simulated."""
        first, *words = text.split() or [""]
        if first.lower() == SIMULATE:
            self._show(Line("simulated", "simulated", KITCHEN.steer(words, self._state.world.unit)))
        elif text.strip().lower() in (HELP, "?") and not self._settings.phrases.parse(text):
            for line in help_lines(self._settings.phrases, self._simulated, self._has_switch):
                self._show(line)
        elif self._put is None or self._clock is None:
            self._show(Line("typed", "keyboard", "not recording yet; wait a moment", Level.WARNING))
        elif event := typed.heard(self._settings.phrases, text, self._clock.now_ms()):
            self._put(event)
        elif first:
            self._show(Line("typed", "keyboard", self._hint(text), Level.WARNING))

    def turn_switch(self) -> None:
        """The key that stands for the foot switch was pressed."""
        if not self._has_switch:
            text = 'does nothing here; it takes listening = "switch" and switch = "terminal" in [voice]'
            self._show(Line("switch", "F2", text, Level.WARNING))
        elif not KEY.used:
            self._show(Line("switch", "F2", "the microphone is not open; press again once it listens", Level.WARNING))
        else:
            KEY.turn()

    def _switched(self, down: bool) -> None:
        text = f"listening: speak now; F2 again ends it, or {LONGEST_S:.0f} s" if down else "released"
        self._show(Line("switch", "F2", text))

    def _hint(self, text: str) -> str:
        if most := typed.long_lot(self._settings.phrases, text):
            return f'a lot has up to {most} digits in one sentence; say the rest with "lot continued"'
        near = typed.nearest(self._settings.phrases, text)
        hint = f'did you mean "{near}"?' if near else f"the Tab key shows what can follow; type {HELP}"
        return f'"{text.strip()}" is no sentence of the station; {hint}'


class LogLines(logging.Handler):
    """Gives what the program logs to a view."""

    def __init__(self, view: View) -> None:
        super().__init__(logging.INFO)
        self._view = view

    def emit(self, record: logging.LogRecord) -> None:
        """As `logging.Handler`."""
        self._view.log(record)
