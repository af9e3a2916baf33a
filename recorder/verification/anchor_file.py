"""What a subscriber kept, as a person hands it in: a file of anchors, and the key that signed them."""

from pathlib import Path

from recorder.errors import RecorderError, why
from recorder.journal import seal
from recorder.journal.anchors import Anchor, Genuine, picked


class AnchorFileError(RecorderError):
    """The file or the key can't be used; the text says why and what to do."""


def read_anchors(file: Path) -> list[Anchor]:
    """The anchors in `file`, among whatever else it holds; raises `AnchorFileError` where there are none."""
    try:
        with file.open(encoding="utf-8", errors="replace") as lines:
            found = list(picked(lines))
    except OSError as error:
        raise AnchorFileError(
            f"{file} can't be read: {why(error)}; name a subscriber's copy of the messages"
        ) from error
    if not found:
        raise AnchorFileError(
            f"{file} holds no anchor; on another machine, keep what mosquitto_sub -t 'kitchen/STATION/#' -v prints"
        )
    return found


def genuine_by(key: str) -> Genuine:
    """Checks signatures by the public `key`, or by what stands in the file of that name.

    Raises `AnchorFileError`, and `DriverUnavailable` where it is no key or the library is missing.
    """
    file = Path(key)
    try:
        public = file.read_text("ascii").strip() if file.is_file() else key
    except (OSError, ValueError) as error:
        raise AnchorFileError(f"{key} is no public key; write the 64 digits that device-key printed") from error
    seal.genuine(public, b"", "")
    return lambda text, signature: seal.genuine(public, text, signature)
