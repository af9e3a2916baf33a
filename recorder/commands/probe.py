"""The command `probe`: what a serial port delivers, for whoever wires and tries a board."""

import json
import threading
import time
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from recorder.clock import SystemClock
from recorder.core.events import Event, ProbeBack, ProbeLost, Reading
from recorder.driver import DriverLost, DriverUnavailable
from recorder.journal.codec import encode
from recorder.probes.serial_probe import SerialProbe, SerialSettings

app = typer.Typer()


@app.command()
def probe(
    port: Annotated[str, typer.Argument(help="A device path or a pyserial URL.")],
    channel: Annotated[
        list[str] | None, typer.Option(help="Channels that are wired; several times for several.")
    ] = None,
    plain: Annotated[bool, typer.Option("--plain", help="The board prints one number a line.")] = False,
    unit: Annotated[str, typer.Option(help="Unit of plain numbers without a letter: C or F.")] = "C",
    baud: int = 115_200,
    seconds: Annotated[float, typer.Option(help="How long to look; 0 for until it is interrupted.")] = 0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """Show the readings of a probe as they would be recorded, its faults, and its bad lines."""
    channels = tuple(channel or (["needle"] if plain else ["needle", "vat1", "cabinet"]))
    try:
        settings = SerialSettings("serial", port, channels, "plain" if plain else "framed", unit, baud)
    except ValueError as error:
        typer.echo(f"error: {error}", err=True)
        raise typer.Exit(2) from error
    console, began_s = Console(highlight=False), time.monotonic()
    driver, stop = SerialProbe(settings, SystemClock(None)), threading.Event()
    timer = threading.Timer(seconds, stop.set)
    if seconds:
        timer.start()

    def show(event: Event) -> None:
        if as_json:
            kind, body = encode(event)
            typer.echo(json.dumps({"kind": kind, **json.loads(body)}))
        else:
            console.print(Text(f"{time.monotonic() - began_s:7.1f} s  ").append(_line(event)))

    try:
        driver.run(show, stop)
    except (DriverLost, DriverUnavailable) as error:
        typer.echo(f"error: {error}", err=True)
        raise typer.Exit(1) from error
    except KeyboardInterrupt:
        pass
    finally:
        timer.cancel()
        bad = ", ".join(f"{count} {kind}" for kind, count in driver.lines.bad.items())
        typer.echo(f"{driver.lines.good} good lines; bad: {bad or 'none'}", err=True)


def _line(event: Event) -> Text:
    match event:
        case Reading(channel=channel, temp_c=temp_c, settled=settled, spot=spot):
            mark = Text(f"  settled, spot {spot}", "green") if settled else Text("")
            return Text(f"{channel:<8} {temp_c:7.2f} °C {temp_c * 9 / 5 + 32:7.2f} °F").append(mark)
        case ProbeLost(channel=channel, reason=reason):
            return Text(f"{channel:<8} {reason}", "red")
        case ProbeBack(channel=channel):
            return Text(f"{channel:<8} is back", "green")
        case _:
            return Text(str(event))
