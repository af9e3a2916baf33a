"""A shift on a disk that fails or crawls."""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import pairwise
from pathlib import Path

from recorder.core.events import Heard
from recorder.journal.reader import Reader
from recorder.verification.examine import examine
from tests.disks import Shim, notified


@contextmanager
def shift(folder: Path, shim: Shim, every_s: float = 0.02) -> Iterator["subprocess.Popen[str]"]:
    (folder / "station.toml").write_text('station = "line-1"\n')
    command = [sys.executable, "-m", "tests.disk_shift", str(folder / "station.toml"), str(every_s)]
    environment = {**shim.environment, "NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "2000000"}
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, text=True, env=environment) as child:
        try:
            yield child
        finally:
            child.kill()


def lines(output: str) -> list[tuple[float, str, str]]:
    """Time, word and the rest of what the shift printed."""
    split = [line.split(" ", 2) for line in output.splitlines()]
    return [(float(at_s), word, rest[0] if rest else "") for at_s, word, *rest in split]


def fail(folder: Path, fault: str, after: int) -> None:
    """EIO from pwrite64 ("write") or fdatasync ("sync") in mid-shift, after so many lines."""
    shim = Shim(folder)
    shim.does("")
    with notified(folder), shift(folder, shim) as child:
        assert child.stdout
        first = [child.stdout.readline() for _ in range(after)]
        shim.does(fault)
        output, complaints = child.communicate(timeout=60)
    told = lines("".join(first) + output)
    assert child.returncode == 1 and "JournalError" in complaints, complaints
    (cry,) = [rest for _, word, rest in told if word == "cry"]
    assert "the disk fails; copy the records off it and replace it" in cry
    cues = [rest for _, word, rest in told if word == "cue"]
    assert cues and [word for _, word, _ in told].index("cry") > max(
        place for place, (_, word, _) in enumerate(told) if word == "cue"
    )
    shim.does("")
    assert examine(folder / "records.db").faults == ()
    with Reader.open(folder / "records.db") as journal:
        heard = [event for _, event in journal.entries() if isinstance(event, Heard)]
    assert len(heard) >= sum("Recorder started" not in cue for cue in cues)


def crawl(folder: Path, sync_s: float, lasts_s: float) -> tuple[float, float]:
    """Each sync takes so long for a while, and words come every 0.02 s. How late cues were, how seldom it was fed.

    How seldom is for the bench to judge: here the watchdog is only fed while the disk crawls.
    """
    shim = Shim(folder)
    shim.does("")
    with notified(folder) as systemd, shift(folder, shim) as child:
        assert child.stdout
        fed_s: list[float] = []
        first = [child.stdout.readline() for _ in range(6)]
        shim.does(f"{sync_s}")
        slow_s = time.monotonic()
        systemd.settimeout(0.1)
        while time.monotonic() < slow_s + lasts_s or not fed_s:
            with suppress(TimeoutError):
                if systemd.recv(100) == b"WATCHDOG=1":
                    fed_s.append(time.monotonic())
        shim.does("")
        end_s = time.monotonic()
        time.sleep(0.1)
        output, complaints = child.communicate("", timeout=60)
    told = lines("".join(first) + output)
    assert child.returncode == 0, complaints
    given = [(at_s, rest) for at_s, word, rest in told if word == "given"]
    cues = [(at_s, rest) for at_s, word, rest in told if word == "cue" and "Recorder started" not in rest]
    with Reader.open(folder / "records.db") as journal:
        heard = [event.text for _, event in journal.entries() if isinstance(event, Heard)]
    assert heard == [number for _, number in given] and len(cues) == len(heard) > 20, "all in order, none lost"
    assert all(cue_s >= given_s for (given_s, _), (cue_s, _) in zip(given, cues, strict=True))
    late_s = max(cue_s - given_s for (given_s, _), (cue_s, _) in zip(given, cues, strict=True))
    slow = [second - first for (first, _), (second, _) in pairwise(cues) if slow_s + sync_s < first < end_s - sync_s]
    fed = [second - first for first, second in pairwise([slow_s, *fed_s, end_s])]
    assert slow and min(slow) > 0.9 * sync_s, "no cue before its commit"
    assert examine(folder / "records.db").faults == ()
    return late_s, max(fed)
