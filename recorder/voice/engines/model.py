"""The small English model for the vosk engine: fetched from its publisher, or taken from a file, and checked first.

Nothing is unpacked before its SHA-256 is right. Needs no vosk.
"""

import hashlib
import shutil
import tempfile
import urllib.request
import zipfile
from pathlib import Path, PurePosixPath

from recorder.errors import RecorderError, why

NAME = "vosk-model-small-en-us-0.15"
URL = f"https://alphacephei.com/vosk/models/{NAME}.zip"
SIZE = 41_205_931
"""Bytes of the zip file."""

SHA256 = "30f26242c4eb449f948e42cb302dd7a686cb29a3423a8367f99ff41780942498"
"""Of the zip file; ten independent public pins agree on it."""

LARGEST_UNPACKED = 400_000_000
"""No honest copy unpacks to more bytes than this."""

AGAIN = f"download it again from {URL}"

PIECE = 1 << 20


class ModelError(RecorderError):
    """The model cannot be installed; the text says why and what to do."""


def install(to: Path, given: Path | None, size: int = SIZE, sha256: str = SHA256) -> Path:
    """Put the model's folder under `to` and return its path; from the zip file `given`, else from the publisher.

    Raises `ModelError`, and then leaves nothing behind.
    """
    target = to / NAME
    if target.exists():
        raise ModelError(f"{target} is there already; remove it to install it again")
    to.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=to, prefix=".model-") as work:
        archive = Path(work) / "model.zip"
        if given is None:
            _fetch(archive, size)
        else:
            _copy(given, archive, size)
        found = _digest(archive)
        if found != sha256:
            raise ModelError(f"SHA-256 is {found}, and should be {sha256}; do not use this file, {AGAIN}")
        unpacked = Path(work) / "unpacked"
        _unpack(archive, unpacked)
        inner = unpacked / NAME
        if not inner.is_dir():
            raise ModelError(f"the zip file holds no folder {NAME}; {AGAIN}")
        inner.rename(target)
    return target


def _fetch(archive: Path, size: int) -> None:
    try:
        with urllib.request.urlopen(URL, timeout=30) as answer, archive.open("wb") as file:
            while piece := answer.read(PIECE):
                file.write(piece)
                if file.tell() > size:
                    break
    except OSError as error:
        raise ModelError(
            f"cannot reach the publisher ({error}); on a machine with a network fetch {URL}, carry it here, and run "
            f"`batch-recorder voice-model install --from {NAME}.zip`"
        ) from error
    _check_size(archive, size)


def _copy(given: Path, archive: Path, size: int) -> None:
    try:
        _check_size(given, size)
        shutil.copyfile(given, archive)
    except OSError as error:
        raise ModelError(
            f"{given} can't be read ({why(error)}); give the zip file that was fetched from {URL}"
        ) from error


def _check_size(path: Path, size: int) -> None:
    if path.stat().st_size != size:
        raise ModelError(f"{path.name} has {path.stat().st_size} bytes, and should have {size}; {AGAIN}")


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _unpack(archive: Path, into: Path) -> None:
    """Unpack regular files and folders, none of them outside `into`."""
    try:
        with zipfile.ZipFile(archive) as packed:
            entries = packed.infolist()
            if sum(entry.file_size for entry in entries) > LARGEST_UNPACKED:
                raise ModelError(f"the zip file unpacks to more than {LARGEST_UNPACKED} bytes; {AGAIN}")
            for entry in entries:
                path = PurePosixPath(entry.filename)
                kind = entry.external_attr >> 28
                if path.is_absolute() or ".." in path.parts or "\\" in entry.filename or kind not in (0, 4, 8):
                    raise ModelError(f"the zip file holds {entry.filename!r}, which has no place in a model")
            packed.extractall(into)
    except zipfile.BadZipFile as error:
        raise ModelError(f"not a zip file ({error}); {AGAIN}") from error
