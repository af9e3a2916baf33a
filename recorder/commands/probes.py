"""The command `probes`: what is attached or in range, and the lines of the configuration for it."""

import sys
from typing import Annotated

import typer
from rich.console import Console

from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.probe import ProbeSettings
from recorder.probes.serial_probe import SerialSettings, attached
from recorder.tables import toml

app = typer.Typer()

Offer = tuple[str, ProbeSettings]
"""What it is, for a comment; how it would be configured."""


@app.command()
def probes(
    seconds: Annotated[float, typer.Option(help="Listen for Bluetooth so long; 0 for not at all.")] = 8.0,
) -> None:
    """Find the probes that are attached or in range, and print the configuration for them. Exit 1 if there are none.

    The configuration goes to standard output, all else to standard error.
    """
    console = Console(stderr=True, highlight=False, soft_wrap=True)
    offers: list[Offer] = []
    for place, look in (("Serial ports", _serial),):
        try:
            found = look()
        except (DriverLost, DriverUnavailable, ValueError) as error:
            console.print(f"{place}: {error}", markup=False)
            continue
        console.print(f"{place}: {len(found) or 'none'}", markup=False)
        offers += found
    for what, settings in offers:
        sys.stdout.write(f"# {what}\n{toml('probe', settings)}\n\n")
    if not offers:
        raise typer.Exit(1)


def _serial() -> list[Offer]:
    return [(f"what it says: batch-recorder probe {port}", SerialSettings("serial", port)) for port in attached()]
