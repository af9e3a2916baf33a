"""The command `upkeep`: for the night, by a timer."""

from pathlib import Path
from typing import Annotated

import typer

from recorder.commands.shared import fail
from recorder.journal.errors import JournalError
from recorder.journal.upkeep import keep
from recorder.verification.examine import examine

app = typer.Typer()


@app.command()
def upkeep(
    database: Annotated[
        Path, typer.Argument(metavar="DB", help="The database of records; the recorder may be running.")
    ],
    folder: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the copies, best on another disk.")],
    most: Annotated[int, typer.Option("--keep", min=1, metavar="N", help="How many copies to keep.")] = 7,
) -> None:
    """Check the records, copy them, verify the copy, and keep the newest copies. Exit 1 if a step failed."""
    try:
        copy = keep(database, folder, most, examine)
    except JournalError as error:
        fail(f"no copy was kept tonight: {error}", 1)
    typer.echo(f"{copy.file}: {copy.entries} entries, verified; {len(copy.dropped)} older copies deleted")
    typer.echo(f"Chain head: {copy.head}")
