"""What several commands share: their arguments, and how they fail."""

from pathlib import Path
from typing import Annotated, NoReturn

import typer

Config = Annotated[
    Path, typer.Option("--config", metavar="FILE", help="The station's configuration, such as station.toml.")
]

Database = Annotated[Path, typer.Argument(metavar="DB", help="The database of records.")]


def fail(error: object, code: int = 2) -> NoReturn:
    """End the program and say why."""
    typer.echo(f"error: {error}", err=True)
    raise typer.Exit(code)
