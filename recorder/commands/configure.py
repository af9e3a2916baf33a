"""The command `configure`: five questions, and the two files of a station that this makes."""

import json
import re
import sys
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from recorder.commands import meter
from recorder.commands.check import tried
from recorder.commands.probes import looked
from recorder.commands.shared import Unusable, terminal
from recorder.core.events import CABINET, NEEDLE, vat_channel
from recorder.driver import DriverLost, DriverUnavailable
from recorder.practice import is_practice
from recorder.printable import printable
from recorder.probes.kinds import Search
from recorder.probes.simulated import SimulatedSettings
from recorder.probes.urls import settings as probe_settings
from recorder.tables import toml
from recorder.voice.audio.devices import capture_devices
from recorder.voice.audio.sources import FOLDER, STDIN, source

app = typer.Typer()

STATION, PROCEDURE = "station.toml", "procedure.toml"

NONE, SIMULATED = "none", "simulated"

RADIO_S = 4.0
"""How long Bluetooth is listened to."""

PROCEDURES = {"F": "procedure.toml", "C": "procedure-celsius.toml"}

HEAD = """\
# One station, made by `batch-recorder configure`. Try it after each change: batch-recorder check --config {name}
# Everything else that can stand here: batch-recorder configure --example"""


@app.command()
def configure(
    folder: Annotated[Path, typer.Option(metavar="DIR", help="Where the two files go.")] = Path(),
    station: Annotated[str | None, typer.Option(metavar="NAME", help="Small letters, digits and -.")] = None,
    vats: Annotated[int | None, typer.Option(metavar="COUNT", help="How many vats.")] = None,
    unit: Annotated[str | None, typer.Option(metavar="F|C", help="What your thermometers show.")] = None,
    microphone: Annotated[
        str | None,
        typer.Option(metavar="DEVICE", help='ALSA\'s name, "wav:DIR", "stdin" or "none" (commands are typed).'),
    ] = None,
    probe: Annotated[
        str | None, typer.Option(metavar="PROBE", help='As of the command probe, "simulated" or "none".')
    ] = None,
    product: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="A further product to begin from the example of, such as wings; repeat it."),
    ] = None,
    example: Annotated[
        bool, typer.Option("--example", help="Only print an example with everything that can stand in station.toml.")
    ] = False,
) -> None:
    """Make the files of a station from five answers, and try them. Nothing is overwritten.

    Every answer can be an option; what is missing is asked for.
    """
    if example:
        typer.echo(files("recorder").joinpath(f"share/{STATION}").read_text("utf-8"))
        return
    console = terminal(soft_wrap=True)
    for name in (STATION, PROCEDURE):
        if (folder / name).exists():
            raise Unusable(f"{folder / name} is there already, and stays as it is; choose another place with --folder")
    ask = _Asker(sys.stdin.isatty())
    name = ask("--station", "The station's name, in records and alerts", station, "fry-line-1", _name)
    count = int(ask("--vats", "How many vats", None if vats is None else str(vats), "1", _count))
    scale = ask("--unit", "Degrees Fahrenheit or Celsius (F or C)", unit, "F", _unit)
    if microphone is None and ask.live:
        _list_microphones(console)
    sound = ask("--microphone", "Which microphone", microphone, NONE, _sound)
    if probe is None and ask.live:
        _list_probes(console)
    chosen = ask("--probe", "Which probe", probe, SIMULATED, _probe)
    products = _examples(scale, product or [])
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unusable(f"{folder} can't be made: {error.strerror}; choose another place with --folder") from error
    _write(folder / PROCEDURE, files("recorder").joinpath(f"share/{PROCEDURES[scale]}").read_text("utf-8"))
    for file, text in products.items():
        (folder / file).parent.mkdir(exist_ok=True)
        _write(folder / file, text)
    _write(folder / STATION, _station(name, count, sound, chosen, [*products]))
    console.print(f"\n{folder / STATION} and {folder / PROCEDURE} are written. Trying them:\n")
    problems = tried(folder / STATION, console)
    console.print(_next(folder / STATION, chosen == SIMULATED))
    if problems:
        raise typer.Exit(1)


def _examples(unit: str, names: list[str]) -> dict[str, str]:
    """By file, as the station's file names it: the example of each product; raises `Unusable`."""
    shipped = files("recorder").joinpath("share/products" if unit == "F" else "share/products-celsius")
    known = sorted(each.name.removesuffix(".toml") for each in shipped.iterdir())
    if unknown := [name for name in names if name not in known]:
        raise Unusable(f"--product is {unknown[0]!r}; there are examples of {', '.join(known)}")
    return {f"products/{name}.toml": shipped.joinpath(f"{name}.toml").read_text("utf-8") for name in names}


class _Asker:
    """Takes an answer from an option, or from the person, until it can be used."""

    def __init__(self, live: bool) -> None:
        self.live = live

    def __call__(self, option: str, question: str, given: str | None, default: str, check: Callable[[str], str]) -> str:
        if given is not None or not self.live:
            if given is None:
                raise Unusable(f"nobody is there to be asked; give {option}, such as {option} {default}")
            try:
                return check(given)
            except ValueError as error:
                raise Unusable(f"{option} is {given!r}; {error}") from error
        while True:
            answer = str(typer.prompt(question, default=default)).strip()
            try:
                return check(answer)
            except ValueError as error:
                typer.echo(f"  {printable(error)}")


def _name(answer: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", answer) or is_practice(answer):
        raise ValueError("write small letters, digits and -, such as fry-line-1")
    return answer


def _count(answer: str) -> str:
    if not answer.isdecimal() or not 1 <= int(answer) <= 9:
        raise ValueError("write a number from 1 to 9")
    return answer


def _unit(answer: str) -> str:
    if answer.upper() not in PROCEDURES:
        raise ValueError("write F or C")
    return answer.upper()


def _sound(answer: str) -> str:
    if not answer:
        raise ValueError(f'write a device such as default, "{FOLDER}DIR", {STDIN} or {NONE}')
    return answer


def _probe(answer: str) -> str:
    if answer not in (NONE, SIMULATED):
        probe_settings(answer)  # raises `ValueError`
    return answer


def _list_microphones(console: Console) -> None:
    """Each with its level, so that the one that is spoken into shows."""
    try:
        found = capture_devices()
    except DriverUnavailable as error:
        console.print(f"No microphone is found: {error}")
        return
    for each in found:
        try:
            level = meter.line(meter.listen(source(each.alsa), console))
        except (DriverLost, DriverUnavailable) as error:
            level = str(error)
        console.print(f"  {each.alsa}   {each.name}\n      {level}")
    console.print(f"  {FOLDER}DIR   a folder of WAV files\n  {NONE}   commands are typed")


def _list_probes(console: Console) -> None:
    for place, offers in looked(Search(RADIO_S), console):
        console.print(f"  {place}: {len(offers) or 'none'}")
        for offer in offers:
            console.print(f"    {offer.settings.url()}   {'; '.join(offer.remarks)}")
    console.print(f"  {SIMULATED}   needle, vat and cabinet without a device, to try things out\n  {NONE}")


def _station(name: str, vats: int, sound: str, probe: str, products: list[str]) -> str:
    """The text of the station's file."""
    tables = [
        f'station = "{name}"\nvats = [{", ".join(map(str, range(1, vats + 1)))}]\nprocedure = "{PROCEDURE}"'
        + (f"\nproducts = {json.dumps(products)}" if products else ""),
        _probe_table(probe, vats),
        f"[voice]\ndevice = {json.dumps(sound)}\n\n[speaker]" if sound != NONE else "",
        '# [mqtt]                  # alerts to phones; see the page "Alerts" of the documents\n# host = "127.0.0.1"',
    ]
    return "\n\n".join([HEAD.format(name=STATION), *filter(None, tables)]) + "\n"


def _probe_table(probe: str, vats: int) -> str:
    if probe == NONE:
        return ""
    if probe == SIMULATED:
        channels = (NEEDLE, *map(vat_channel, range(1, vats + 1)), CABINET)
        return toml("probe", SimulatedSettings(SIMULATED, channels=channels))
    return toml("probe", probe_settings(probe))


def _write(path: Path, text: str) -> None:
    """A new file; raises `Unusable`."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise Unusable(f"{path} can't be written: {error.strerror}; choose another place with --folder") from error


def _next(path: Path, simulated: bool) -> str:
    """What to type now."""
    real = "once a real probe stands in it: simulated ones only practise" if simulated else "the real record"
    return f"""
What to type now:
  batch-recorder run --practice --config {path}   a record for practice; type or say "batch start"
  batch-recorder phrases --config {path}          what can be said, for the wall
  batch-recorder run --config {path}              {real}
Put your kitchen's own numbers into {path.parent / PROCEDURE} first: those in it are an example."""
