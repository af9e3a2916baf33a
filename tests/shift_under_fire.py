"""A recorder that is killed and started again until a shift is over; run by test_kill.py.

    python -m tests.shift_under_fire STORY.db RECORDS.db CUES.log PORT PACE_S

It takes the next events of the story that are not in its own journal yet, and writes down every cue that it gives.
"""

import os
import sys
import time
from pathlib import Path

from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import Settings, load_phrases, load_procedure
from recorder.core.effects import Cue
from recorder.journal.codec import encode
from recorder.journal.journal import Journal
from recorder.notices.settings import MqttSettings

BESIDES = ("started", "procedure loaded", "link up", "link down", "stopped", "clock set")
"""Kinds that come from a recorder's own life and not from the shift."""


def main(story_path: str, records: str, cues: str, port: str, pace_s: str) -> None:
    story_journal = Journal.read(Path(story_path))
    story = [event for _, event in story_journal.entries() if encode(event)[0] not in BESIDES]
    story_journal.close()
    log = os.open(cues, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    settings = Settings(
        station="under-fire",
        vats=(1,),
        database=Path(records),
        procedure=load_procedure(None),
        phrases=load_phrases(None),
        probes=(),
        voice=None,
        speaker=None,
        mqtt=MqttSettings("under-fire", port=int(port), protocol="3.1.1"),
        publish="alerts",
    )
    journal = open_journal(settings)
    done = sum(entry.kind not in BESIDES for entry, _ in journal.entries())
    newest = journal.newest()
    clock = ManualClock(story[0].at_ms, boot_id="one boot")
    clock.at_ms = newest.stamp.at_ms if newest else clock.at_ms

    def give(cue: Cue) -> None:
        entry = journal.newest()
        assert entry
        os.write(log, f"{entry.seq} {entry.kind}\n".encode())

    app = App(settings, journal, clock, give)
    app.open()
    print(len(story) - done, flush=True)
    for event in story[done:]:
        clock.at_ms = max(clock.at_ms, event.at_ms)
        app.loop.handle(event)
        app.turn(0)
        time.sleep(float(pace_s))
    end_s = time.monotonic() + 20
    while not app.outbox.empty() and time.monotonic() < end_s:  # type: ignore[union-attr]
        app.turn(0.05)
    app.close()
    print("over", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
