"""What several commands share: their arguments, and how they fail."""

from pathlib import Path
from typing import Annotated, NoReturn

import typer

from recorder.core.rules import in_unit

Config = Annotated[
    Path, typer.Option("--config", metavar="FILE", help="The station's configuration, such as station.toml.")
]

Database = Annotated[Path, typer.Argument(metavar="DB", help="The database of records.")]


def both(temp_c: float, digits: int = 1) -> str:
    """A temperature in both units."""
    return f"{temp_c:.{digits}f} °C ({in_unit(temp_c, 'F'):.{digits}f} °F)"


def printable(text: object) -> str:
    """`text` with nothing in it that a terminal would obey: control characters stand as escapes, such as \\x1b.

    For all that others wrote: files, names of devices, reasons of a broker, what was heard. Line ends stay.
    """
    return "".join(
        each if each.isprintable() or each in "\n\t" else each.encode("unicode_escape").decode() for each in str(text)
    )


def fail(error: object, code: int = 2) -> NoReturn:
    """End the program and say why."""
    typer.echo(f"error: {printable(error)}", err=True)
    raise typer.Exit(code)
