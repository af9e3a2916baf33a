"""What a record gives when it is replayed: its rows, messages and cues, each as one SHA-256.

python -m tests.replayed     # prints what tests/replays/released.txt holds
"""

import hashlib
import lzma
import tempfile
from collections.abc import Sequence
from pathlib import Path

from recorder.core.effects import Cue, Effect, Record
from recorder.core.events import Event, Started
from recorder.journal.chain import Entry
from recorder.journal.codec import canonical, plain
from recorder.notices.outbox import Messages
from recorder.verification.examine import examine

FOLDER = Path(__file__).parent.parent / "fixtures/records"


class Digests:
    """Watches the replay of one record."""

    def __init__(self) -> None:
        self._sums = {name: hashlib.sha256() for name in ("rows", "messages", "cues")}
        self._messages: Messages | None = None

    def watch(self, entry: Entry, event: Event, effects: Sequence[Effect]) -> None:
        if self._messages is None:
            assert isinstance(event, Started)
            self._messages = Messages("kitchen", event.station, "all")
        for effect in effects:
            if isinstance(effect, (Record, Cue)):
                kind = "rows" if isinstance(effect, Record) else "cues"
                self._sums[kind].update(canonical([entry.seq, plain(effect)]) + b"\n")
        for message in self._messages(entry, event, effects):
            self._sums["messages"].update(canonical([entry.seq, plain(message)]) + b"\n")

    def line(self, name: str) -> str:
        return " ".join([name, *(f"{kind} {each.hexdigest()}" for kind, each in self._sums.items())])


def replayed(name: str, folder: Path) -> str:
    """The line of the record `name` of fixtures/records, which is unpacked into `folder`."""
    path, digests = folder / f"{name}.db", Digests()
    path.write_bytes(lzma.decompress((FOLDER / f"{name}.db.xz").read_bytes()))
    assert examine(path, watch=digests.watch).faults == ()
    return digests.line(name)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        for file in sorted(FOLDER.glob("*.db.xz")):
            print(replayed(file.name.removesuffix(".db.xz"), Path(folder)))


if __name__ == "__main__":
    main()
