"""The command line `batch-recorder`: one file in `recorder/commands/` for each room."""

import typer

from recorder.commands import (
    bridge,
    configure,
    demo,
    page,
    probe,
    probe_check,
    probes,
    records,
    report,
    setup,
    station,
    upkeep,
    voice,
    voice_tune,
)
from recorder.commands.shared import Group

app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
    help="Records what a fry station cooks: spoken commands and probe readings in, records and alerts out."
    " A recorder, not a safety device.",
)
for room in (
    station,
    configure,
    demo,
    voice,
    voice_tune,
    probe,
    probes,
    probe_check,
    report,
    records,
    upkeep,
    bridge,
    page,
    setup,
):
    app.add_typer(room.app)

if __name__ == "__main__":
    app()
