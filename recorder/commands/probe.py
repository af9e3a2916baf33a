"""The command `probe`: what a probe delivers, for who wires and tries probes."""

import json
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.live import Live

from recorder.clock import SystemClock
from recorder.commands.probe_panel import Panel, counts, degrees
from recorder.commands.shared import fail, terminal
from recorder.core.events import Event, ProbeBack, ProbeCharge, ProbeLost, Reading
from recorder.driver import DriverLost, DriverUnavailable
from recorder.errors import why
from recorder.journal.codec import encode
from recorder.probes import urls
from recorder.probes.probe import Probe
from recorder.probes.recording import OVER, Recording
from recorder.probes.source import Chunk, Source

app = typer.Typer()

QUIET_S = 5.0
"""So long after it is open a probe has said something that is understood, or there is a remark."""

LAST_BYTES = 60

DRAW_S = 0.25
"""The panel is drawn this often."""


@app.command()
def probe(
    url: Annotated[
        str | None,
        typer.Argument(
            metavar="URL", help="/dev/serial/by-id/..., or DRIVER:ADDRESS?KEY=VALUE with the keys of the configuration."
        ),
    ] = None,
    record: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Save the raw bytes with their times in this file.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(metavar="SECONDS", help="Stop after this time; default: on Ctrl-C.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """Show live what a probe sends: temperatures, settled readings, faults, bad data. Exit 1 if no good value came."""
    if url is None:
        fail(
            "no probe is named; write its URL, such as /dev/serial/by-id/... (batch-recorder probes lists them), or"
            " simulated:1 to try it without one"
        )
    clock = SystemClock(None)
    try:
        settings = urls.settings(url, channels=[], period_s=1.0)
    except ValueError as error:
        fail(error)
    console = terminal(soft_wrap=True)
    panel = Panel(settings.title())
    show: Callable[[Event], None] = _echo if as_json else lambda event: _show(event, console)
    live = console.is_terminal and not as_json
    with ExitStack() as stack:
        source = None
        if record:
            try:
                source = Recording(settings, stack.enter_context(record.open("x", encoding="utf-8")), clock)
            except FileExistsError:
                fail(f"{record} is there already, and stays as it is; name another file with --record")
            except OSError as error:
                fail(f"{record} can't be written: {why(error)}; name another file with --record")
            stack.callback(source.end)
        tail = _Tail(source or settings.source(clock))
        driver = Probe(settings, clock, tail, panel.look)
        if live:
            stack.enter_context(_drawn(driver, panel, clock, console))
        aside = console if live else terminal(stderr=True, soft_wrap=True)
        remark = partial(_remark, driver, tail, url, aside)
        ended = _watch(driver, panel.event if live else show, seconds, remark)
    lost = None if isinstance(ended, DriverLost) and ended.reason == OVER else ended
    if as_json:
        reader = driver.reader
        lines = {"good": reader.good, "bad": dict(reader.bad), "missed": reader.missed, "late": driver.late}
        typer.echo(json.dumps({"bytes": driver.bytes_read, "messages": lines, "device": reader.about}))
    elif driver.bytes_read or not lost:
        console.print(_summary(driver, url), markup=False)
    if record and not as_json:
        console.print(f"Recorded: replay:{record}")
    if lost:
        fail(
            f"{url}: {lost}\nIs it there and switched on (batch-recorder probes), may you use it (group dialout or "
            "bluetooth), does nobody else?"
        )
    if not driver.reader.good:
        raise typer.Exit(1)


@contextmanager
def _drawn(driver: Probe, panel: Panel, clock: SystemClock, console: Console) -> Iterator[None]:
    """Meanwhile the panel is drawn."""
    live = Live(
        console=console, get_renderable=lambda: panel.draw(driver, clock.now_ms()), refresh_per_second=1 / DRAW_S
    )
    with live:
        yield


class _Tail:
    """A source: another one, of which the last bytes are kept to be shown."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.last = b""

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """Those of the other source."""
        for chunk in self._source.chunks(stop):
            if chunk:
                self.last = (self.last + chunk.data)[-LAST_BYTES:]
            yield chunk


def _remark(driver: Probe, tail: _Tail, url: str, console: Console, stop: threading.Event) -> None:
    """Once, where nothing that is understood has come for `QUIET_S`: what came, and what to try."""
    while not driver.listening.is_set():
        if stop.wait(DRAW_S):
            return
    if stop.wait(QUIET_S) or driver.reader.good:
        return
    if tail.last:
        text = f"Nothing that is understood has come in {QUIET_S:g} s. What came last: {tail.last!a}. {_remedy(url)}."
    else:
        text = f"Nothing has come in {QUIET_S:g} s: see that it is powered, and that it is the right one."
    console.print(text, style="yellow", markup=False)


def _watch(
    driver: Probe,
    show: Callable[[Event], None],
    seconds: float | None,
    remark: Callable[[threading.Event], None] = lambda stop: None,
) -> Exception | None:
    """Run the driver for so long, or until Ctrl-C; what ended it before that, if anything did."""
    stop = threading.Event()
    timer = threading.Timer(seconds or 0, stop.set)
    timer.daemon = True
    if seconds is not None:
        timer.start()
    before = signal.signal(signal.SIGINT, lambda number, frame: stop.set())
    threading.Thread(target=remark, args=(stop,), daemon=True).start()
    try:
        driver.run(show, stop)
    except (DriverLost, DriverUnavailable) as error:
        return error
    finally:
        stop.set()
        timer.cancel()
        signal.signal(signal.SIGINT, before)
    return None


def _echo(event: Event) -> None:
    kind, _ = encode(event)
    typer.echo(json.dumps({"event": kind, **asdict(event)}))


def _show(event: Event, console: Console) -> None:
    time = datetime.fromtimestamp(event.at_ms / 1000).strftime("%H:%M:%S")
    match event:
        case Reading(channel=channel, temp_c=temp_c, settled=settled, spot=spot):
            rest = f"  at rest, spot {spot}" if settled else ""
            console.print(
                f"{time}  {channel:8}{degrees(temp_c)}{rest}", style="bold green" if settled else None, markup=False
            )
        case ProbeLost(channel=channel, reason=reason):
            console.print(f"{time}  {channel:8}lost: {reason}", style="bold red", markup=False)
        case ProbeBack(channel=channel):
            console.print(f"{time}  {channel:8}back", style="bold", markup=False)
        case ProbeCharge(channel=channel, percent=percent):
            console.print(f"{time}  {channel:8}battery {percent} %", markup=False)


def _summary(driver: Probe, url: str) -> str:
    """What came in, and if nothing good did, what to try."""
    text = counts(driver)
    if driver.reader.good:
        return text
    if driver.bytes_read:
        return f"{text}\nNo good message. {_remedy(url)}."
    return f"{text}\nNothing came: is it powered, and is it the right one?"


def _remedy(url: str) -> str:
    if ":" in url.partition("/")[0]:
        return "Look at its settings"
    path = url.partition("?")[0]
    other = (
        f"{path} for the line protocol"
        if "form=plain" in url
        else f"{path}?form=plain&unit=F (or unit=C) for one number a line"
    )
    return f"Try another speed ({path}?baud=9600), or {other}"
