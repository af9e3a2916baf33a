"""Whether a database of records is as it was written: its entries replayed through the station, its snapshot too."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from recorder import snapshot
from recorder.journal.finding import Finding
from recorder.journal.reader import Reader
from recorder.journal.verify import verify
from recorder.verification.replay import Replay, Watch


def examine(
    database: Path,
    seen: Callable[[int], None] = lambda seq: None,
    watch: Watch = lambda entry, event, effects: None,
    opened: Reader | None = None,
) -> Finding:
    """What `verify` finds, replaying through the station. Raises `JournalError`.

    `opened` reads the database already and stays open: then it is verified as it stands for that reader.
    `seen` is given the number of each entry, `watch` those that can be replayed: none after a fault.
    """
    replay = Replay(snapshot.read(snapshot.beside(database)), seen, watch)
    finding = verify(database, replay, opened)
    return finding if finding.faults else replace(finding, faults=tuple(replay.snapshot_faults))
