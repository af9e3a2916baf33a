"""What a command may write over: a file that it made itself from the same records. Any other stays, but for --force."""

import json
import re
from pathlib import Path
from typing import Annotated, Any

import typer

from recorder.card.page import MAKER
from recorder.commands.shared import Unusable

HEAD_BYTES = 4096
"""So near its beginning a report says which it is."""

Force = Annotated[bool, typer.Option("--force", help="Write over whatever is there.")]


def refuse_report(file: Path, station: str) -> None:
    """Raise `Unusable` where `file` is there and is no report of this station."""
    title = re.escape(f"<title>{station}, ") + r"\d{4}-\d\d-\d\d</title>"
    _refuse(file, f"no report of {station}", bool(re.search(title.encode(), _bytes(file)[:HEAD_BYTES])))


def refuse_card(file: Path) -> None:
    """Raise `Unusable` where `file` is there and is no card of this program."""
    _refuse(file, "no card of this program", MAKER.encode() in _bytes(file))


def refuse_export(folder: Path, names: list[str], records: dict[str, Any]) -> None:
    """Raise `Unusable` where one of the files `names` is in `folder`, and not from an export of these `records`.

    `records` is what its manifest says of them.
    """
    found = next((folder / name for name in names if (folder / name).exists()), None)
    if found is None:
        return
    try:
        manifest = json.loads((folder / "manifest.json").read_bytes())
    except (OSError, ValueError):
        manifest = None
    same = isinstance(manifest, dict) and all(manifest.get(key, value) == value for key, value in records.items())
    _refuse(found, "from no export of these records", same and "database" in (manifest or ()))


def _refuse(file: Path, what: str, ours: bool) -> None:
    if file.is_file() and not ours:
        raise Unusable(f"{file} is there already and {what}; name another with --out, or write over it with --force")


def _bytes(file: Path) -> bytes:
    """Its bytes; none where it is no file or can't be read."""
    try:
        return file.read_bytes() if file.is_file() else b""
    except OSError:
        return b""
