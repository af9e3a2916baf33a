"""Commands about records: `verify`."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from recorder.core.effects import Effect
from recorder.core.events import Event, Started
from recorder.core.station import State, step
from recorder.journal.chain import Entry
from recorder.journal.journal import JournalError, Message
from recorder.journal.verify import Finding, verify
from recorder.notices.outbox import Messages

app = typer.Typer()


@app.command("verify")
def verify_command(
    database: Annotated[Path, typer.Argument(help="The database of records.")],
) -> None:
    """Check the chain, replay the journal, compare every row; exit 1 and name the row if one was changed."""
    try:
        finding = examine(database)
    except JournalError as error:
        typer.echo(f"error: {error}", err=True)
        raise typer.Exit(2) from error
    report(finding, Console(highlight=False, soft_wrap=True))
    if finding.faults:
        raise typer.Exit(1)


def examine(database: Path) -> Finding:
    """What `verify` finds, replaying through the station; raises `JournalError`."""
    replay = _Replay()
    return verify(database, replay.effects, replay.messages)


def report(finding: Finding, console: Console) -> None:
    """Say it to a person."""
    for fault in finding.faults:
        row = "" if fault.row is None else f", row {fault.row}"
        console.print(f"CHANGED  {fault.table}{row}: {fault.what}", style="bold red", markup=False)
    if finding.faults:
        console.print(f"{len(finding.faults)} faults; {finding.entries} entries read.", style="bold red")
    else:
        console.print(
            f"Clean: {finding.entries} entries in one chain, {finding.rows} rows as the journal explains them.",
            style="bold green",
        )
    console.print(f"Chain head: {finding.head}")


class _Replay:
    """The station that lives through the journal again."""

    def __init__(self) -> None:
        self._state = State()
        self._first: Entry | None = None
        self._messages: Messages | None = None

    def effects(self, event: Event) -> tuple[Effect, ...]:
        self._state, effects = step(self._state, event)
        return effects

    def messages(self, entry: Entry, event: Event, effects: Sequence[Effect]) -> list[tuple[Message, bool]]:
        self._first = self._first or entry
        if isinstance(event, Started):  # the station may have a new name
            self._messages = Messages("", event.station, "all")
            self._messages.begin(self._first)
        return list(self._messages.possible(entry, event, effects)) if self._messages else []
