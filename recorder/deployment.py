"""What a machine needs so that systemd runs the recorder, beside what it has.

The files are package data (`recorder/share/system/`, and the examples beside it). Nothing of the machine is started or
asked here; `write` puts files, and no more.
"""

import difflib
import os
import re
import tempfile
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path, PurePosixPath

from recorder.errors import RecorderError, why

UNIT = "etc/systemd/system/batch-recorder.service"

CONFIG = "etc/batch-recorder/station.toml"

OURS = {
    UNIT: "system/batch-recorder.service",
    "etc/systemd/system/batch-recorder-upkeep.service": "system/batch-recorder-upkeep.service",
    "etc/systemd/system/batch-recorder-upkeep.timer": "system/batch-recorder-upkeep.timer",
    "etc/udev/rules.d/60-batch-recorder.rules": "system/60-batch-recorder.rules",
    "etc/sysusers.d/batch-recorder.conf": "system/batch-recorder.sysusers",
    "etc/tmpfiles.d/batch-recorder.conf": "system/batch-recorder.tmpfiles",
}
"""Path below the root -> package data. These are replaced when they differ."""

YOURS = {CONFIG: "station.toml", "etc/batch-recorder/procedure.toml": "procedure.toml"}
"""The same for what belongs to the kitchen: put there once, and never replaced."""

HIDDEN = ("/home", "/root", "/run/user", "/tmp", "/var/tmp")
"""Folders that a service with this unit (ProtectHome=, PrivateTmp=) sees empty."""

_PROGRAM = re.compile(r"^ExecStart=\S+", re.MULTILINE)


class DeploymentError(RecorderError):
    """The machine can't be set up like this; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One file, as it should be and as it is."""

    path: Path
    """Where it goes, root and all."""
    wanted: str
    found: str | None
    """None where there is none."""
    ours: bool
    """Whether it is replaced when it differs."""

    @property
    def due(self) -> bool:
        """Whether `write` would put it."""
        return self.found is None or (self.ours and self.found != self.wanted)

    @property
    def state(self) -> str:
        """ "same", "new", "changed", or "kept" for one of the kitchen's own."""
        if self.found == self.wanted:
            return "same"
        if self.found is None:
            return "new"
        return "changed" if self.ours else "kept"

    def diff(self) -> list[str]:
        """What `write` would change, as a unified diff; nothing for what it leaves alone."""
        if not self.due:
            return []
        before = "/dev/null" if self.found is None else str(self.path)
        return list(
            difflib.unified_diff(
                (self.found or "").splitlines(), self.wanted.splitlines(), before, str(self.path), lineterm=""
            )
        )


def plan(root: Path, program: PurePosixPath) -> tuple[Piece, ...]:
    """Every file that the machine at `root` needs to run `program`; raises `DeploymentError`."""
    share = files("recorder").joinpath("share")
    pieces = []
    for ours, table in ((True, OURS), (False, YOURS)):
        for below, name in table.items():
            text = share.joinpath(name).read_text("utf-8")
            if below.endswith(".service"):
                text = _PROGRAM.sub(lambda _: f"ExecStart={program}", text)
            pieces.append(Piece(root / below, text, _found(root / below), ours))
    return tuple(pieces)


def fault(program: PurePosixPath) -> str:
    """Why a service can't run `program`, and the remedy; "" if it can."""
    remedy = "install it below /opt: python3 -m venv /opt/batch-recorder/.venv"
    if not re.fullmatch(r"/[\w./+-]+", str(program)):
        return f"{program} is no path that a unit can name (letters, digits and ./_+- only, from the root on); {remedy}"
    if any(program.is_relative_to(folder) for folder in HIDDEN):
        return f"{program} lies where a service may not look ({', '.join(HIDDEN)}); {remedy}"
    return ""


def write(pieces: tuple[Piece, ...]) -> None:
    """Put what is due, each file whole or not at all; raises `DeploymentError`."""
    for piece in pieces:
        if piece.due:
            try:
                piece.path.parent.mkdir(parents=True, exist_ok=True)
                _replace(piece.path, piece.wanted)
            except OSError as error:
                raise DeploymentError(f"{piece.path} can't be written: {error.strerror}; run it with sudo") from error


def _replace(path: Path, text: str) -> None:
    """Never through a link that lies there: the new file takes its place."""
    with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=path.parent, delete=False) as file:
        try:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
            Path(file.name).chmod(0o644)
            Path(file.name).replace(path)
        except BaseException:
            Path(file.name).unlink(missing_ok=True)
            raise


def _found(path: Path) -> str | None:
    try:
        return path.read_text("utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise DeploymentError(
            f"{path} can't be read: {why(error)}; run it with sudo, or move that file away"
        ) from error
