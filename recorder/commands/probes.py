"""The command `probes`: what is attached or in range, and the lines of the configuration for it."""

import re
import sys
from collections.abc import Iterator
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from recorder.commands.shared import fail, terminal
from recorder.driver import DriverLost, DriverUnavailable
from recorder.printable import printable
from recorder.probes.kinds import PROBES, Offer, Search
from recorder.tables import toml

app = typer.Typer()


@app.command()
def probes(
    seconds: Annotated[
        float, typer.Option(metavar="SECONDS", help="How long to listen for Bluetooth; 0 to skip it.")
    ] = 8.0,
    modbus: Annotated[
        str | None,
        typer.Option(
            metavar="PORT",
            help="Look for Modbus devices here: a serial device, [rtu+]tcp://HOST:PORT. It only reads.",
        ),
    ] = None,
    devices: Annotated[
        str,
        typer.Option(metavar="RANGE", help="Their addresses, such as 1-16; each empty one takes the timeout."),
    ] = "1-16",
    baud: Annotated[int, typer.Option(metavar="BAUD", help="Baud rate of a serial Modbus line.")] = 9_600,
    timeout: Annotated[
        float,
        typer.Option(metavar="SECONDS", help="How long a Modbus device may take to answer; longer through a gateway."),
    ] = 0.2,
) -> None:
    """Find probes that are attached or in range, and print their configuration. Exit 1 if there are none.

    The configuration goes to standard output, everything else to standard error. Only the port of --modbus is opened.
    """
    try:
        search = Search(seconds, modbus or "", _range(devices), baud, timeout)
    except ValueError as error:
        fail(error)
    console = terminal(stderr=True, soft_wrap=True)
    offers: list[Offer] = []
    for place, found in looked(search, console):
        console.print(f"{place}: {len(found) or 'none'}", markup=False)
        offers += found
    for offer in offers:
        sys.stdout.write("".join(f"# {_one_line(line)}\n" for line in offer.remarks) + f"{_entry(offer)}\n\n")
    if not offers:
        raise typer.Exit(1)
    console.print("Fill in what each one measures: channels, or channel.", style="dim")


def looked(search: Search, console: Console) -> Iterator[tuple[str, list[Offer]]]:
    """Each place that `search` allows, and what is there. A place where nobody can look is named on `console`."""
    for name in PROBES:
        place = name
        try:
            if not (detection := PROBES.load(name).detect(search)):
                continue
            place = detection.place
            with console.status(Text(f"{place} ...")):
                found = detection.look()
        except (DriverLost, DriverUnavailable, ValueError) as error:
            console.print(f"{place}: {error}", markup=False)
            continue
        yield place, found


def _entry(offer: Offer) -> str:
    """Its lines of the configuration. What no device says is commented out, so that somebody has to fill it in."""
    text = toml("probe", offer.settings)
    for key, hint in offer.to_fill.items():
        text = re.sub(rf"^({re.escape(key)} = .*)$", rf"# \1   # {hint}", text, flags=re.MULTILINE)
    return text


def _range(text: str) -> range:
    """Of "3" or "1-16"."""
    first, dash, last = text.partition("-")
    if not first.isdigit() or (dash and not last.isdigit()):
        raise ValueError(f"--devices is {text!r}; write one address, or a range such as 1-16")
    found = range(int(first), int(last or first) + 1)
    if not found or found[0] < 1 or found[-1] > 247:
        raise ValueError(f"--devices is {text!r}; addresses are 1 to 247, the lower first")
    return found


def _one_line(text: str) -> str:
    """For a comment: what a device calls itself must not become a line of the configuration."""
    return printable(text).replace("\n", " ").replace("\t", " ").rstrip()
