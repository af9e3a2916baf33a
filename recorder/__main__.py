"""The command line `batch-recorder`: one file in `recorder/commands/` for each room.

The module of a command is imported when the command is run. So `--help` and shell completion are quick.
"""

from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from recorder.commands.catalogue import GROUPS
from recorder.commands.shared import Group


class Commands(Group):
    """All commands, by their lines of help until one is run."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        for title, entries in GROUPS.items():
            for entry in entries:
                self.add_command(TyperCommand(entry.name, help=entry.purpose, rich_help_panel=title))

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """As of any group, but the command itself and not its line of help."""
        name, found, rest = super().resolve_command(ctx, args)
        return name, found and _imported(found.name), rest


def _imported(name: str | None) -> Any:
    (module,) = {entry.module for entries in GROUPS.values() for entry in entries if entry.name == name}
    room = typer.main.get_command(import_module(f"recorder.commands.{module}").app)
    return getattr(room, "commands", {}).get(name, room)


def _show_version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        typer.echo(f"batch-recorder {version('batch-recorder')}")
        raise typer.Exit


app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Records what a fry station cooks: spoken commands and probe readings in, records and alerts out."
    " A recorder, not a safety device.",
)


@app.callback()
def about(
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_show_version, help="Print the version and exit.")
    ] = False,
) -> None:
    """What holds for all commands."""


if __name__ == "__main__":
    app()
