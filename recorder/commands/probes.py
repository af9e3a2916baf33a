"""The command `probes`: what is attached or in range, and the lines of the configuration for it."""

import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Annotated

import typer
from rich.text import Text

from recorder.commands.shared import fail, printable, terminal
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.ble_probe import BleSettings, nearby
from recorder.probes.modbus_probe import TIMEOUT_S, ModbusSettings
from recorder.probes.modbus_scan import FoundDevice, scan
from recorder.probes.probe import CHANNELS, ProbeSettings
from recorder.probes.serial_probe import SerialSettings, attached
from recorder.tables import toml

app = typer.Typer()

PRIVATE = (
    ". Its address is a private one, which changes: pair it once (bluetoothctl, then pair ADDRESS and trust ADDRESS),"
    " look again, and write the address that is shown then. One that can't be paired can't be used"
)

Offer = tuple[str, ProbeSettings]
"""What it is, for a comment; how it would be configured."""


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
        wanted = _range(devices)
    except ValueError as error:
        fail(error)
    places: dict[str, Callable[[], list[Offer]]] = {"Serial ports": _serial}
    if seconds > 0:
        places["Bluetooth"] = lambda: _bluetooth(seconds)
    if modbus:
        places[f"Modbus at {modbus}"] = lambda: _modbus(modbus, wanted, baud, timeout)
    console = terminal(stderr=True, soft_wrap=True)
    offers: list[Offer] = []
    for place, look in places.items():
        try:
            with console.status(Text(f"{place} ...")):
                found = look()
        except (DriverLost, DriverUnavailable, ValueError) as error:
            console.print(f"{place}: {error}", markup=False)
            continue
        console.print(f"{place}: {len(found) or 'none'}", markup=False)
        offers += found
    for what, settings in offers:
        sys.stdout.write(f"# {printable(what)}\n{_entry(settings)}\n\n")
    if not offers:
        raise typer.Exit(1)
    console.print("Fill in what each one measures: channels, or channel.", style="dim")


def _entry(settings: ProbeSettings) -> str:
    """Its lines of the configuration. No device says what unit its registers have, so that line is left to fill in."""
    text = toml("probe", settings)
    if isinstance(settings, ModbusSettings):
        return text.replace('\nunit = "C"', '\n# unit = "C"   # or "F"; write what the manual says')
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


def _serial() -> list[Offer]:
    return [
        (f"What it says: batch-recorder probe {_one_line(port)}", SerialSettings("serial", port)) for port in attached()
    ]


def _one_line(name: str) -> str:
    """A name for a comment: what a device calls itself must not become a line of the configuration."""
    return " ".join(printable(name).split())


def _bluetooth(seconds: float) -> list[Offer]:
    return [
        (
            (_one_line(each.name) or "It gives no name") + (PRIVATE if each.private else ""),
            BleSettings("ble", each.address, profile=each.profile),
        )
        for each in nearby(seconds)
    ]


def _modbus(port: str, devices: range, baud: int, timeout_s: float) -> list[Offer]:
    """All devices of the line in one: a port can be opened once. What else their registers could be is told too."""
    found = scan(port, devices, baud, timeout_s)
    likely = [guess.register for each in found if (guess := each.likeliest())]
    if not likely:
        return []
    names = [name for name in CHANNELS if name != "vat"]  # which is the same as "vat1"
    registers = tuple(replace(each, channel=name) for each, name in zip(likely, names, strict=False))
    told = "\n# ".join(_told(each) for each in found)
    remark = (
        "A guess: of each device the reading nearest to a room's, taken for °C. Its manual knows better, and knows the"
        " unit. What else there could be:"
    )
    timeout_s = max(timeout_s, TIMEOUT_S)
    return [(f"{remark}\n# {told}", ModbusSettings("modbus", port, registers, baud, timeout_s=timeout_s))]


def _told(found: FoundDevice) -> str:
    ways = []
    for guess in found.guesses:
        made = guess.register
        order = f", {made.word_order} word first" if made.words > 1 else ""
        order += ", bytes swapped" if made.byte_order == "little" else ""
        shown = f"{guess.temp_c:6.1f} °C or {guess.temp_c:.1f} °F"
        ways.append(f"\n#     {shown}: {made.kind} {made.address}, {made.type}{order}, scale {made.scale:g}")
    return f"device {found.device}:{''.join(ways) or ' nothing like a temperature'}"
