"""Files that only their owner may read: what the kitchen did is nobody else's business, whatever the umask says.

SQLite gives its log and its shared memory the rights of the database, so these follow. A file that is there keeps the
rights that it has: a site may have given them.
"""

import os
from pathlib import Path
from typing import BinaryIO, TextIO

RIGHTS = 0o600


def make(path: Path) -> None:
    """An empty file at `path`, unless there is one; raises `OSError`."""
    appending(path).close()


def writing(path: Path) -> TextIO:
    """The file at `path`, emptied and open for UTF-8 text, whose line ends stay as written; raises `OSError`."""
    return open(path, "w", encoding="utf-8", newline="", opener=_opener)


def writing_bytes(path: Path) -> BinaryIO:
    """The same for bytes; raises `OSError`."""
    return open(path, "wb", opener=_opener)


def appending(path: Path) -> TextIO:
    """The file at `path`, open to write behind what is there; raises `OSError`."""
    return open(path, "a", encoding="utf-8", opener=_opener)


def _opener(path: str, flags: int) -> int:
    return os.open(path, flags, RIGHTS)
