"""The command `run`: the station with its devices, and what a person sees of it meanwhile."""

import logging
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

import typer

from recorder import daemon
from recorder.commands.shared import Config, fail, real
from recorder.config import Settings, load
from recorder.console.plain import Plain
from recorder.console.screen import Screen
from recorder.console.view import LogLines, View
from recorder.journal.errors import JournalBusy, JournalError

app = typer.Typer()

PROMPT_S = 1.0
"""How long the end of the prompt is waited for."""


@app.command()
def run(
    config: Config,
    plain: Annotated[
        bool, typer.Option("--plain", help="One line of key=value for each thing that happens, as without a terminal.")
    ] = False,
    practice: Annotated[
        bool, typer.Option("--practice", help="For a trainee: records in practice.db, and nothing goes to the broker.")
    ] = False,
) -> None:
    """Record until stopped (Ctrl-C, or SIGTERM from systemd). On a terminal: watch it, and type commands."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        settings = load(config).practice() if practice else load(config)
        real(settings)
        live = not plain and sys.stdin.isatty() and sys.stdout.isatty()
        with _live(settings, stop) if live else _plain(settings) as view:
            logging.getLogger("recorder").info("%s starts; records: %s", settings.station, settings.database)
            daemon.run(settings, stop, view)
    except JournalBusy as error:
        fail(error, 4)
    except JournalError as error:
        fail(f"nothing is recorded any more: {error}", 3)


@contextmanager
def _plain(settings: Settings) -> Iterator[View]:
    """A view that writes lines to stderr."""
    view = View(settings, Plain(sys.stderr).show)
    with _logged(view):
        yield view


@contextmanager
def _live(settings: Settings, stop: threading.Event) -> Iterator[View]:
    """A view on the whole terminal, with a prompt."""
    view = View(settings, lambda line: screen.show(line))
    screen = Screen(view.continuations, view.standing, view.typed, view.turn_switch, stop.set)
    prompt = threading.Thread(target=screen.run, name="prompt", daemon=True)
    prompt.start()
    try:
        with _logged(view):
            yield view
    finally:
        screen.close()
        prompt.join(PROMPT_S)


@contextmanager
def _logged(view: View) -> Iterator[None]:
    """What the program logs is seen there too."""
    root, handler = logging.getLogger(), LogLines(view)
    root.addHandler(handler)
    level = root.level
    root.setLevel(logging.INFO)
    try:
        yield
    finally:
        root.setLevel(level)
        root.removeHandler(handler)
