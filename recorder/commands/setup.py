"""Command `setup`: makes a machine ready to run the recorder as a service, after it has shown what that changes."""

import sysconfig
from pathlib import Path, PurePosixPath
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from recorder import deployment
from recorder.commands.shared import terminal
from recorder.deployment import DeploymentError, Piece

app = typer.Typer()

COLOURS = {"+": "green", "-": "red", "@": "cyan"}

NEXT = (
    ("make the user and the folders", "systemd-sysusers && systemd-tmpfiles --create batch-recorder.conf"),
    ("name the ports", "udevadm control --reload && udevadm trigger --subsystem-match=tty"),
    ("put in your kitchen's own devices and numbers", "nano /etc/batch-recorder/station.toml"),
    ("try it", "sudo -u batch-recorder {program} check --config /etc/batch-recorder/station.toml"),
    (
        "start it, now and whenever the board starts",
        "systemctl daemon-reload && systemctl enable --now batch-recorder batch-recorder-upkeep.timer",
    ),
    ("see what it says", "journalctl -u batch-recorder"),
)


@app.command()
def setup(
    write: Annotated[bool, typer.Option("--write", help="Write the files (as root), instead of only showing them.")] = (
        False
    ),
    root: Annotated[Path, typer.Option("--root", metavar="DIR", help="Use this folder as the machine's root.")] = Path(
        "/"
    ),
    program: Annotated[
        str | None,
        typer.Option("--program", metavar="PATH", help="The program that the unit starts; default: this one."),
    ] = None,
) -> None:
    """Show the systemd unit, udev rule, user, folders and examples, and how they differ from this machine's."""
    console = terminal(soft_wrap=True)
    own = f"{sysconfig.get_path('scripts')}/batch-recorder"
    started = PurePosixPath(program or own)
    pieces = deployment.plan(root, started)
    for piece in pieces:
        _show(piece, console)
    if why := deployment.fault(started):
        raise DeploymentError(why)
    if write:
        deployment.write(pieces)
    due = sum(piece.due for piece in pieces)
    if not write and due:
        options = f" --root {root}" * (root != Path("/")) + f" --program {started}" * (program is not None)
        console.print(f"Nothing was written. To write {due} file{'s' * (due > 1)}: sudo {own} setup --write{options}")
        return
    console.print(f"{due} file{'s' * (due != 1)} written." if due else "Nothing to do.")
    if due:
        console.print("What is next, as root:")
        for number, (why, command) in enumerate(NEXT, 1):
            console.print(f"{number}. {why}:\n   {command.format(program=started)}")


def _show(piece: Piece, console: Console) -> None:
    kept = ": it is your own and stays as it is" if piece.state == "kept" else ""
    console.print(f"{piece.state:8}{piece.path}{kept}", markup=False)
    for line in piece.diff():
        console.print(Text(line, COLOURS.get(line[:1], "")))
