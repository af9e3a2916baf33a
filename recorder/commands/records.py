"""Commands about records: `verify`, `device-key`."""

from contextlib import nullcontext
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from recorder.commands.shared import Database, Unusable, terminal
from recorder.journal import seal
from recorder.journal.anchors import Compared, compare
from recorder.journal.reader import Reader
from recorder.journal.verify import Finding
from recorder.verification.anchor_file import genuine_by, read_anchors
from recorder.verification.examine import examine
from recorder.verification.replay import Watch

app = typer.Typer()

SHOWN_EVERY = 250
"""Entries between two looks of the progress bar."""


@app.command("verify")
def verify_command(
    database: Database,
    anchors: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="A subscriber's copy of the messages, as mosquitto_sub prints them."),
    ] = None,
    key: Annotated[
        str | None, typer.Option(metavar="PUB", help="The device's public key: 64 hex digits, or a file with them.")
    ] = None,
) -> None:
    """Check the hash chain, replay the journal and compare every row. If a row was changed, name it and exit 1."""
    console = terminal(soft_wrap=True)
    if key is not None and anchors is None:
        raise Unusable("--key needs --anchors FILE, since it is anchors that are signed")
    compared = None
    if anchors:
        compared = compare(database, read_anchors(anchors), None if key is None else genuine_by(key))
    finding = examined(database)
    report(finding, console)
    if compared:
        _report_anchors(compared, key is not None, console)
    if finding.faults or (compared and compared.faults):
        raise typer.Exit(1)


@app.command("device-key")
def device_key_command(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="The key's file; created if it is missing, readable only by its owner."),
    ],
) -> None:
    """Make the key that signs anchors, and print its public half for verify --key."""
    made = seal.load(file) if file.exists() else seal.make(file)
    typer.echo(made.public)


def _report_anchors(compared: Compared, signed: bool, console: Console) -> None:
    for fault in compared.faults:
        row = "" if fault.row is None else f", line {fault.row}"
        console.print(f"AGAINST  {fault.table}{row}: {fault.what}", style="bold red", markup=False)
    for source, last in compared.others.items():
        console.print(
            f"There are anchors of {source} too, up to entry {last}: ask for that file.", style="yellow", markup=False
        )
    kind = "signed anchor" if signed else "anchor"
    reach = f"the newest {kind} that agrees is of entry {compared.newest}" if compared.newest else f"no {kind} agrees"
    rest = "1 entry after it rests" if compared.uncovered == 1 else f"{compared.uncovered} entries after it rest"
    console.print(f"Anchors: {compared.own} of this database; {reach}, and {rest} on the chain alone.")


def examined(
    database: Path, watch: Watch = lambda entry, event, effects: None, opened: Reader | None = None
) -> Finding:
    """As `examine`, and on a terminal it shows how far it is; raises `JournalError`."""
    with nullcontext(opened) if opened else Reader.open(database) as journal:
        newest = journal.newest()
    console = terminal(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("Verifying", total=newest.seq if newest else 0)
        shown = partial(bar.update, task)
        return examine(database, lambda seq: shown(completed=seq) if seq % SHOWN_EVERY == 0 else None, watch, opened)


def report(finding: Finding, console: Console) -> None:
    """Say it to a person."""
    for fault in finding.faults:
        row = "" if fault.row is None else f", row {fault.row}"
        console.print(f"CHANGED  {fault.table}{row}: {fault.what}", style="bold red", markup=False)
    if finding.faults:
        console.print(
            f"{len(finding.faults)} fault{'s' * (len(finding.faults) > 1)}; {finding.entries} entries read.",
            style="bold red",
        )
    else:
        console.print(
            f"Clean: {finding.entries} entries in one chain, {finding.rows} rows as the journal explains them.",
            style="bold green",
        )
    console.print(f"Chain head: {finding.head}")
