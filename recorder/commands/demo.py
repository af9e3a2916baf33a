"""The command `demo`."""

import logging
import signal
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Annotated

import typer

from recorder.commands.records import report
from recorder.commands.shared import fail, terminal
from recorder.demo import story
from recorder.demo.boards import BOARDS
from recorder.demo.broker import HERE, network_address
from recorder.demo.director import Director
from recorder.demo.show import Show
from recorder.journal.reader import Reader
from recorder.notices.passwords import made
from recorder.reports.day import gather
from recorder.reports.page import page
from recorder.verification.examine import examine

app = typer.Typer()

PASSWORD_GROUPS = 2
"""Of a password that is good for one demo: 39 bits."""


@app.command()
def demo(
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for records.db; default: a temporary one.")
    ] = None,
    probe: Annotated[str, typer.Option(metavar="NAME", help=f"Simulated probe: {', '.join(BOARDS)}.")] = "serial",
    with_page: Annotated[
        bool, typer.Option("--page", help="Also serve the phone page on this machine, with mosquitto, until Ctrl-C.")
    ] = False,
    phone: Annotated[
        bool,
        typer.Option("--phone", help="As --page, for a phone on this network: with a one-time password and a QR code."),
    ] = False,
) -> None:
    """Simulate a 90-minute shift in under a minute, through the real parts."""
    if probe not in BOARDS:
        fail(f"{probe!r} is not a probe of the demo; use one of {', '.join(BOARDS)}")
    try:
        address = network_address() if phone else HERE if with_page else ""
    except OSError as error:
        fail(f"no address for a phone: {error.strerror or error}; join the phone's network, or use --page on this one")
    folder = out or Path(tempfile.mkdtemp(prefix="batch-recorder-demo-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        fail(f"{folder} can't be created: {error.strerror}; choose another folder with --out")
    logging.getLogger("recorder").setLevel(logging.CRITICAL)  # the story takes the broker away, and paho logs that
    console = terminal()
    began_s = time.monotonic()
    show = Show(console)
    password = made(PASSWORD_GROUPS) if phone else ""
    show.begins(story.seconds())
    with show.loading("Loading the recogniser's model"):
        director = Director(folder, show, address, password, probe)
    show.page(director.page, password)
    subscriber = director.play(_over(show, director.page, password) if address else lambda: True)
    show.summary(director.database, subscriber)
    finding = examine(director.database)
    console.print()
    report(finding, console)
    console.print(f"Records: {director.database}", soft_wrap=True)
    paper = folder / "report.html"
    with Reader.open(director.database) as journal:
        newest = journal.newest()
        paper.write_text(page(gather(journal, None, UTC), finding, newest.stamp.at_ms if newest else 0), "utf-8")
    console.print(f"The day on paper: {paper}", soft_wrap=True)
    console.print(
        f"{time.monotonic() - began_s:.0f} s. An invented kitchen; a recorder, not a safety device.", style="dim"
    )
    if finding.faults:
        raise typer.Exit(1)


def _over(show: Show, page: str, password: str) -> Callable[[], bool]:
    """Asked for the first time it says what to do; then whether Ctrl-C was pressed."""
    stop, asked = threading.Event(), threading.Event()

    def pressed() -> bool:
        if not asked.is_set():
            asked.set()
            signal.signal(signal.SIGINT, lambda *_: stop.set())
            show.over(page, password)
        return stop.is_set()

    return pressed
