"""SIGTERM to the real daemon at bad moments: it ends, records its stop, and leaves no program behind.

It waits for none of what hangs, which would take a minute. How soon it ends is measured by `tests.bench.stops`.

Once for each kind of broker, always with a microphone that gives nothing, a loudspeaker in the middle of words and a
probe that is not there. Programs of ours on PATH stand in for arecord, aplay and espeak-ng.
"""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from recorder.journal.reader import Reader
from recorder.verification.examine import examine
from tests.hanging import HANGS_S, full, mute, programs, station, thankless

GUARD_S = HANGS_S / 2
"""Far more than a busy machine takes to stop, and less than what hangs."""


@pytest.mark.parametrize("broker", [mute, full, thankless])
def test_the_daemon_stops_whatever_hangs(broker: object, tmp_path: Path) -> None:
    environment = programs(tmp_path)
    with broker() as port:  # type: ignore[operator]
        command = [sys.executable, "-m", "recorder", "run", "--config", str(station(tmp_path, port))]
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as daemon:
            notes = [tmp_path / f"{name}.started" for name in ("arecord", "aplay")]
            end_s = time.monotonic() + 30
            while not all(note.exists() and note.read_text().strip() for note in notes):
                assert time.monotonic() < end_s and daemon.poll() is None
                time.sleep(0.01)
            daemon.send_signal(signal.SIGTERM)
            _, complaints = daemon.communicate(timeout=GUARD_S)
    assert daemon.returncode == 0, complaints
    assert not any(Path(f"/proc/{note.read_text().strip()}").exists() for note in notes)
    journal = Reader.open(tmp_path / "records.db")
    newest = journal.newest()
    assert newest and newest.kind == "stopped"
    journal.close()
    assert examine(tmp_path / "records.db").faults == ()
