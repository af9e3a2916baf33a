"""The command `demo`."""

import logging
import signal
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC
from pathlib import Path
from typing import Annotated

import typer

from recorder.commands.records import report
from recorder.commands.shared import fail, terminal
from recorder.demo.boards import BOARDS
from recorder.demo.director import Director
from recorder.demo.show import Show
from recorder.journal.journal import Journal
from recorder.reports.day import gather
from recorder.reports.page import page
from recorder.verification.examine import examine

app = typer.Typer()


@app.command()
def demo(
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for records.db; default: a temporary one.")
    ] = None,
    probe: Annotated[str, typer.Option(metavar="NAME", help=f"Simulated probe: {', '.join(BOARDS)}.")] = "serial",
    with_page: Annotated[
        bool, typer.Option("--page", help="Also serve the phone page, with mosquitto, until Ctrl-C.")
    ] = False,
) -> None:
    """Simulate a 90-minute shift in under a minute, through the real parts."""
    if probe not in BOARDS:
        fail(f"{probe!r} is not a probe of the demo; use one of {', '.join(BOARDS)}")
    folder = out or Path(tempfile.mkdtemp(prefix="batch-recorder-demo-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        fail(f"{folder} can't be created: {error.strerror}; choose another folder with --out")
    logging.getLogger("recorder").setLevel(logging.CRITICAL)  # the story takes the broker away, and paho logs that
    console = terminal()
    began_s = time.monotonic()
    show = Show(console)
    director = Director(folder, show, with_page, probe)
    if with_page:
        console.print(f"The phone page: {director.page}", style="bold", soft_wrap=True)
    phone = director.play(_interrupted() if with_page else lambda: True)
    show.summary(director.database, phone)
    finding = examine(director.database)
    console.print()
    report(finding, console)
    console.print(f"Records: {director.database}", soft_wrap=True)
    paper = folder / "report.html"
    with closing(Journal.read(director.database)) as journal:
        newest = journal.newest()
        paper.write_text(page(gather(journal, None, UTC), finding, newest.stamp.at_ms if newest else 0), "utf-8")
    console.print(f"The day on paper: {paper}", soft_wrap=True)
    console.print(
        f"{time.monotonic() - began_s:.0f} s. An invented kitchen; a recorder, not a safety device.", style="dim"
    )
    if finding.faults:
        raise typer.Exit(1)


def _interrupted() -> Callable[[], bool]:
    """Asked for the first time it says what to do; then whether Ctrl-C was pressed."""
    stop, asked = threading.Event(), threading.Event()

    def pressed() -> bool:
        if not asked.is_set():
            asked.set()
            signal.signal(signal.SIGINT, lambda *_: stop.set())
            typer.echo("\nThe shift is over. Look at the phone page, then press Ctrl-C.")
        return stop.is_set()

    return pressed
