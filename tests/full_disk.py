"""A station whose disk fills up in mid-shift, with its lamp, loudspeaker and broker."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from recorder.demo.broker import LocalBroker
from recorder.demo.devices.serial_board import Kitchen as Story
from recorder.demo.devices.serial_board import SimulatedFirmware
from recorder.demo.subscriber import Subscriber
from recorder.journal.anchors import compare, picked
from recorder.journal.reader import Reader
from recorder.verification.examine import examine
from tests.contract import validator
from tests.disks import fill, notified, tiny_disk
from tests.waiting import until


def player(folder: Path) -> dict[str, str]:
    """The environment with a loudspeaker of ours first. It notes when it was given what, and never ends a greeting."""
    (folder / "aplay").write_text(
        f"""#!/bin/sh
case "$*" in
    *raw*) what="tone of $(wc -c)" ;;
    *) what=$(cat) ;;
esac
echo "$(date +%s.%N) $what" >> {folder}/played
case "$what" in "Recorder started."*) [ -e {folder}/greeted ] || exec sleep 60 ;; esac
"""
    )
    (folder / "espeak-ng").write_text("#!/bin/sh\nexec cat\n")
    for name in ("aplay", "espeak-ng"):
        (folder / name).chmod(0o755)
    return {**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"}


def played(folder: Path) -> str:
    """What the loudspeaker noted; "" before its first sound."""
    return (folder / "played").read_text() if (folder / "played").exists() else ""


def spoken(board: SimulatedFirmware, done: Callable[[], bool]) -> None:
    """The board goes on until it is so."""

    def step() -> bool:
        board.advance(1000)
        time.sleep(0.02)
        return done()

    until(step, "what the board says is heard", 20)


@contextmanager
def running(command: list[str], environment: dict[str, str]) -> Iterator["subprocess.Popen[str]"]:
    """It is ended with the test, whatever becomes of that."""
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as daemon:
        try:
            yield daemon
        finally:
            daemon.kill()


@contextmanager
def a_broker() -> Iterator[int]:
    """Its port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    broker = LocalBroker(port)
    broker.start()
    try:
        yield port
    finally:
        broker.stop()


def fills_up(folder: Path) -> None:
    """The real daemon, a real full disk, a loudspeaker in the middle of words, a lamp's folder, a broker."""
    lamp = folder / "lamp"
    lamp.mkdir()
    with a_broker() as port, tiny_disk(folder / "disk", "40m") as disk, notified(folder) as systemd:
        phone = Subscriber("127.0.0.1", port, "kitchen/#")
        assert phone.ready(10)
        board = SimulatedFirmware(Story())
        (folder / "station.toml").write_text(
            f'station = "line-1"\ndatabase = "disk/records.db"\nlamp = "lamp"\n[speaker]\n[mqtt]\nport = {port}\n'
            f'protocol = "3.1.1"\n[[probe]]\ndriver = "serial"\nport = "{board.port}"\n'
            'channels = ["needle", "vat", "cabinet"]\n'
        )
        command = [sys.executable, "-m", "recorder", "run", "--config", str(folder / "station.toml")]
        environment = {**player(folder), "NOTIFY_SOCKET": str(folder / "notify")}
        with running(command, environment) as daemon:
            spoken(board, lambda: "kitchen/line-1/reading/cabinet" in phone.retained)
            assert (lamp / "trigger").read_text() == "none"
            until(lambda: "Recorder started." in played(folder), "it greets", 20)
            filled = fill(disk)
            phone.say(
                "kitchen/line-1/sign",
                b'{"day": "%s", "by": "JD", "note": "one entry more"}' % str(date.today()).encode(),
            )
            spoken(board, lambda: "Nothing is recorded any more" in played(folder))
            _, complaints = daemon.communicate(timeout=30)
        blinked = (lamp / "trigger").read_text()
        told = systemd.recv(10_000) + systemd.recv(10_000)
        until(lambda: not json.loads(phone.retained["kitchen/line-1/state"])["online"], "it is off")
        phone.close()
        with Reader.open(disk / "records.db") as journal:
            newest = journal.newest()
        assert examine(disk / "records.db").faults == ()
        anchors = list(picked(json.dumps(message) for message in phone.messages.values()))
        assert compare(disk / "records.db", anchors).faults == ()
        assert systemd.recv(100) == b"STOPPING=1"
        (folder / "greeted").touch()
        with running(command, environment) as again:
            assert systemd.recv(100).startswith(b"READY=1\n") and (lamp / "trigger").read_text() == "none"
            again.send_signal(signal.SIGTERM)
            _, given_up = again.communicate(timeout=30)
        assert again.returncode == 0 and "the reserve of 8 MB is given up" in given_up
        assert filled.exists() and examine(disk / "records.db").faults == ()
        board.close()
    assert daemon.returncode == 3 and 'level=critical what=log text="nothing is recorded any more' in complaints
    assert blinked == "timer"
    assert b"READY=1" in told and b"STATUS=Nothing is recorded any more: " in told
    ((_, alert),) = [(key, each) for key, each in phone.messages.items() if each["id"].endswith("-unrecorded")]
    assert newest and (alert["type"], alert["data"]["kind"], alert["data"]["level"], alert["data"]["entry_hash"]) == (
        "alert.raised",
        "not recording",
        "critical",
        newest.hash,
    )
    opened = json.loads(phone.retained["kitchen/line-1/open"])
    assert opened["alerts"][-1]["id"] == alert["data"]["id"] == f"{newest.seq}-not-recording"
    assert "the disk is full; make room on it" in opened["alerts"][-1]["text"]
    assert not [*validator("alert").iter_errors(alert), *validator("open").iter_errors(opened)]
