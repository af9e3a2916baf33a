"""The command `probe`: what a port delivers, for who wires and tries probes."""

import json
import signal
import threading
from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from typing import Annotated

import typer
from rich.console import Console

from recorder.clock import SystemClock
from recorder.core.events import NEEDLE, Event, ProbeBack, ProbeLost, Reading
from recorder.core.rules import in_unit
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.probe import Probe
from recorder.probes.serial_probe import SerialSettings

app = typer.Typer()


@app.command()
def probe(
    port: Annotated[str, typer.Argument(help="Device, such as /dev/serial/by-id/..., or a URL that pyserial takes.")],
    baud: Annotated[int, typer.Option(help="Of the port.")] = 115_200,
    plain: Annotated[bool, typer.Option("--plain", help="The board prints one number per line.")] = False,
    channel: Annotated[
        str | None, typer.Option(help="Show this channel only; for --plain, what it measures (needle).")
    ] = None,
    unit: Annotated[str, typer.Option(help="C or F, of plain numbers without a letter.")] = "C",
    seconds: Annotated[float | None, typer.Option(help="Stop after so long; without it, on Ctrl-C.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """Show what a probe's port delivers: temperatures, rests, faults, bad lines. Exit 1 if no good line came."""
    channels = (channel,) if channel else (NEEDLE,) if plain else ()
    try:
        form = "plain" if plain else "framed"
        settings = SerialSettings("serial", port, channels, form, unit, baud, period_s=1.0)
    except ValueError as error:
        typer.echo(f"error: {error}", err=True)
        raise typer.Exit(2) from error
    driver = Probe(settings, SystemClock(None))
    console = Console(highlight=False, soft_wrap=True)
    lost = _watch(driver, _echo if as_json else lambda event: _show(event, console), seconds)
    if as_json:
        counts = {"good": driver.reader.good, "bad": dict(driver.reader.bad), "missed": driver.reader.missed}
        typer.echo(json.dumps({"bytes": driver.bytes_read, "lines": counts}))
    elif driver.bytes_read or not lost:
        console.print(_summary(driver, plain), markup=False)
    if lost:
        typer.echo(f"error: {port}: {lost}", err=True)
        typer.echo(
            "Is it plugged in (ls /dev/serial/by-id), may you use it (group dialout), does nobody else?", err=True
        )
        raise typer.Exit(2)
    if not driver.reader.good:
        raise typer.Exit(1)


def _watch(driver: Probe, show: Callable[[Event], None], seconds: float | None) -> Exception | None:
    """Run the driver for so long, or until Ctrl-C; what ended it before that, if anything did."""
    stop = threading.Event()
    timer = threading.Timer(seconds or 0, stop.set)
    timer.daemon = True
    if seconds is not None:
        timer.start()
    before = signal.signal(signal.SIGINT, lambda number, frame: stop.set())
    try:
        driver.run(show, stop)
    except (DriverLost, DriverUnavailable) as error:
        return error
    finally:
        timer.cancel()
        signal.signal(signal.SIGINT, before)
    return None


def _echo(event: Event) -> None:
    kind = {Reading: "reading", ProbeLost: "lost", ProbeBack: "back"}[type(event)]  # type: ignore[index]
    typer.echo(json.dumps({"event": kind, **asdict(event)}))


def _show(event: Event, console: Console) -> None:
    time = datetime.fromtimestamp(event.at_ms / 1000).strftime("%H:%M:%S")
    match event:
        case Reading(channel=channel, temp_c=temp_c, settled=settled, spot=spot):
            rest = f"  at rest, spot {spot}" if settled else ""
            text = f"{channel:8}{temp_c:8.2f} °C {in_unit(temp_c, 'F'):8.2f} °F{rest}"
            console.print(f"{time}  {text}", style="bold green" if settled else None, markup=False)
        case ProbeLost(channel=channel, reason=reason):
            console.print(f"{time}  {channel:8}lost: {reason}", style="bold red", markup=False)
        case ProbeBack(channel=channel):
            console.print(f"{time}  {channel:8}back", style="bold", markup=False)


def _summary(driver: Probe, plain: bool) -> str:
    """What came in, and if nothing good did, what to try."""
    lines = driver.reader
    kinds = "; ".join(f"{count} {kind}" for kind, count in sorted(lines.bad.items()))
    bad = f"{lines.bad.total()} bad ({kinds})" if kinds else "0 bad"
    text = f"{driver.bytes_read} bytes: {lines.good} good lines, {bad}, {lines.missed} missed."
    if lines.good:
        return text
    if driver.bytes_read:
        other = "without --plain" if plain else "--plain for a board that prints one number per line"
        return f"{text}\nNo good line: try another --baud, or {other}."
    return f"{text}\nNothing came: is the board powered, and is it the right port?"
