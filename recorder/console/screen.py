"""The live view of `run` on a terminal: what happens scrolls by, the station's standing and a prompt stay at the foot.

The only door to prompt_toolkit. The prompt has a thread of its own; lines come from any thread.
"""

import shutil
import threading
from collections.abc import Callable, Iterator
from datetime import datetime
from textwrap import wrap
from typing import Any

from recorder.console.lines import Line
from recorder.core.effects import Level
from recorder.printable import printable

COLOURS = {Level.INFO: "", Level.WARNING: "ansiyellow", Level.CRITICAL: "ansired bold"}
QUIET = ("check",)
"""Not shown: the station has just said it in its own words."""

WHO, LEAST = 11, 30
"""Columns for who did it, and at least for what."""

PROMPT = "say: "
"""It stays at the foot. A terminal that can't move its cursor has none: what happens would be printed behind it."""

MARKS = {Level.INFO: " ", Level.WARNING: "!", Level.CRITICAL: "‼"}
"""Levels can be told without colours."""


class Screen:
    """A terminal that a person watches and types at."""

    def __init__(
        self,
        continuations: Callable[[str], Iterator[str]],
        standing: Callable[[], tuple[str, ...]],
        typed: Callable[[str], None],
        turn: Callable[[], None],
        done: Callable[[], None],
    ) -> None:
        """`continuations` gives the words that can follow a begun line, `standing` the lines of the foot, `typed` takes
        a line, `turn` is called for each press of F2, and `done` when the person ends the program.
        """
        self._continuations, self._standing, self._typed = continuations, standing, typed
        self._turn, self._done = turn, done
        self._lock = threading.Lock()
        self._application: Any = None

    def show(self, line: Line) -> None:
        """Write one line above the prompt."""
        from prompt_toolkit import print_formatted_text
        from prompt_toolkit.formatted_text import FormattedText

        if line.what in QUIET:
            return
        colour = COLOURS[line.level]
        at = datetime.now().strftime("%H:%M:%S")
        head = f"{at} {MARKS[line.level]} {line.who:<{WHO}}"
        wide = max(shutil.get_terminal_size().columns - len(head), LEAST)
        text = ("\n" + " " * len(head)).join(wrap(printable(line.text), wide))
        words = [
            ("ansigray", f"{at} "),
            (colour, f"{MARKS[line.level]} "),
            ("bold", f"{line.who:<{WHO}}"),
            (colour, text),
        ]
        with self._lock:
            print_formatted_text(FormattedText(words))

    def run(self) -> None:
        """Ask for lines until the person ends the program (Ctrl-C or Ctrl-D). In a thread of its own."""
        from prompt_toolkit import PromptSession
        from prompt_toolkit.completion import Completer, Completion
        from prompt_toolkit.key_binding import KeyBindings
        from prompt_toolkit.patch_stdout import patch_stdout
        from prompt_toolkit.utils import is_dumb_terminal

        screen, keys = self, KeyBindings()
        keys.add("f2")(lambda _: self._turn())

        class Words(Completer):
            def get_completions(self, document: Any, complete_event: Any) -> Iterator[Any]:
                text = document.text_before_cursor
                for word in screen._continuations(text):
                    yield Completion(word, -len(text.rpartition(" ")[2]))

        session: Any = PromptSession(
            "" if is_dumb_terminal() else PROMPT,
            completer=Words(),
            key_bindings=keys,
            complete_while_typing=True,
            bottom_toolbar=lambda: printable("\n".join(self._standing())),
            refresh_interval=1.0,
            reserve_space_for_menu=0,
            erase_when_done=True,
        )
        with patch_stdout(raw=True):
            try:
                while True:
                    self._application = session.app
                    self._typed(session.prompt(handle_sigint=False))
            except (EOFError, KeyboardInterrupt):
                self._done()

    def close(self) -> None:
        """End the prompt; the terminal is as it was."""
        application = self._application
        if application and application.is_running and application.loop:
            application.loop.call_soon_threadsafe(lambda: application.exit(exception=EOFError))
