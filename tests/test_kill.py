"""A demo shift, killed with SIGKILL at random moments and started again each time, until it is over."""

import json
import random
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from recorder.commands.records import examine
from recorder.notices.broker import LocalBroker
from recorder.notices.subscriber import Subscriber
from tests.conftest import Performance

KILLS = 50
PACE_S = 0.004
SEED = 20260226


# amqtt leaves the sockets of killed clients to the garbage collector, which may come by while the broker still runs.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_what_was_cued_is_on_disk_and_no_alert_is_lost(performance: Performance, tmp_path: Path) -> None:
    chance = random.Random(SEED)
    records, cues = tmp_path / "records.db", tmp_path / "cues.log"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    broker = LocalBroker(port)
    broker.start()
    phone = Subscriber("127.0.0.1", port, "kitchen/+/alerts")
    assert phone.ready(10)
    command = [
        *(sys.executable, "-m", "tests.shift_under_fire"),
        *map(str, (performance.database, records, cues, port, PACE_S)),
    ]
    try:
        kills = 0
        while True:
            with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
                assert child.stdout
                left = int(child.stdout.readline())
                if kills == KILLS:
                    assert child.stdout.readline() == "over\n"
                    assert child.wait(30) == 0
                    break
                share_s = left / (KILLS - kills + 2) * (PACE_S + 0.004)
                time.sleep(chance.uniform(0, 2 * share_s))
                assert child.poll() is None, "the shift was over before it was killed often enough"
                child.kill()
                child.wait()
            kills += 1
            if cues.exists():
                _all_cued_commands_are_there(cues, records)
        finding = examine(records)
        assert finding.faults == ()
        _all_alerts_arrived(records, phone)
    finally:
        phone.close()
        broker.stop()
    print(f"{kills} kills, {finding.entries} entries, {len(phone.messages)} messages, {phone.doubles} doubles")


def _all_cued_commands_are_there(cues: Path, records: Path) -> None:
    """Every cue's entry is in the journal, and every command among them has its row; the journal is whole."""
    cued = {int(line.split(" ", 1)[0]): line.split(" ", 1)[1] for line in cues.read_text().splitlines()}
    connection = sqlite3.connect(records)
    kinds = dict(connection.execute("SELECT seq, kind FROM journal").fetchall())
    rows = {row[0] for row in connection.execute("SELECT id FROM commands")}
    asked = {row[0] for row in connection.execute("SELECT seq FROM journal WHERE body LIKE '%\"status\"%'")}
    asked |= {row[0] for row in connection.execute("SELECT seq FROM journal WHERE body LIKE '%\"time left\"%'")}
    asked |= {row[0] for row in connection.execute("SELECT seq FROM journal WHERE body LIKE '%\"last reading\"%'")}
    connection.close()
    for seq, kind in cued.items():
        assert kinds.get(seq) == kind, f"entry {seq} was cued and is not there"
        assert kind != "heard" or seq in rows | asked, f"the command of entry {seq} has no row"
    assert examine(records).faults == ()


def _all_alerts_arrived(records: Path, phone: Subscriber) -> None:
    connection = sqlite3.connect(records)
    bodies = [json.loads(row[0]) for row in connection.execute("SELECT body FROM outbox")]
    unsent = connection.execute("SELECT count(*) FROM outbox WHERE sent_ms IS NULL").fetchone()[0]
    connection.close()
    end_s = time.monotonic() + 5
    wanted = {(body["source"], body["id"]) for body in bodies}
    while not wanted <= phone.messages.keys() and time.monotonic() < end_s:
        time.sleep(0.05)
    assert wanted == phone.messages.keys()
    assert unsent <= 1, "only the goodbye may be on its way"
    assert len(wanted) > KILLS, "every start is an alert"
