"""The daemon under the unit's own filters: nothing that it needs is forbidden, and it listens nowhere."""

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from recorder.demo.broker import LocalBroker
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware
from recorder.demo.subscriber import Subscriber
from recorder.journal.journal import Journal
from tests.system import needs

UNIT = "recorder/share/system/batch-recorder.service"

CAGE = [sys.executable, "-m", "tests.caged", UNIT]

ASK_CLOCK = "import ctypes; print(ctypes.CDLL(None).ntp_gettime(ctypes.create_string_buffer(256)))"

TRY = """
import os, socket
for what in (lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW), lambda: os.chroot("/"), lambda: os.nice(1)):
    try: what()
    except PermissionError: print("refused")
"""


def said(command: list[str]) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=30).stdout


def listening(pid: int) -> set[str]:
    """The TCP and UDP sockets by which the process could be reached, as /proc/net shows them (proc(5))."""
    inodes = set()
    for fd in Path(f"/proc/{pid}/fd").iterdir():
        if (target := str(fd.readlink())).startswith("socket:["):
            inodes.add(target[8:-1])
    found = set()
    for table, open_state in (("tcp", "0A"), ("tcp6", "0A"), ("udp", "07"), ("udp6", "07")):
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == open_state and fields[9] in inodes:
                found.add(f"{table} {fields[1]}")
    return found


@needs("systemd-analyze", "systemd")
def test_the_cage_refuses_and_lets_the_clock_be_asked() -> None:
    """What asks whether the clock is set is adjtimex, which ProtectClock= would refuse: then no time was ever known."""
    assert said([*CAGE, sys.executable, "-c", TRY]).split() == ["refused"] * 3
    ask = [sys.executable, "-c", ASK_CLOCK]
    assert said([*CAGE, *ask]) == said(ask)


@needs("systemd-analyze", "systemd")
def test_the_daemon_lives_in_the_cage_and_nobody_can_call_it(tmp_path: Path) -> None:
    spoken = tmp_path / "spoken"
    for name, body in (
        ("arecord", "while head -c 3200 /dev/zero; do sleep 0.1; done"),
        ("aplay", f"wc -c >> {spoken}"),
    ):
        (tmp_path / name).write_text(f"#!/bin/sh\n{body}\n")
        (tmp_path / name).chmod(0o755)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    broker = LocalBroker(port)
    broker.start()
    phone = Subscriber("127.0.0.1", port, "kitchen/#")
    assert phone.ready(10)
    board = SimulatedFirmware(Kitchen())
    (tmp_path / "station.toml").write_text(
        f'station = "line-1"\n[[probe]]\ndriver = "serial"\nport = "{board.port}"\n[voice]\n[speaker]\n'
        f'[mqtt]\nport = {port}\nprotocol = "3.1.1"\n'
    )
    command = [*CAGE, sys.executable, "-m", "recorder", "run", "--config", str(tmp_path / "station.toml")]
    environment = {**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"}
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as daemon:
        end_s = time.monotonic() + 30
        while "probe lost" not in str(phone.messages) or not spoken.exists():
            assert time.monotonic() < end_s and daemon.poll() is None
            if "kitchen/line-1/reading/needle" in phone.retained:
                board.kitchen.pull_connector()
            board.advance(1000)
            time.sleep(0.05)
        reachable = listening(daemon.pid)
        daemon.send_signal(signal.SIGTERM)
        _, complaints = daemon.communicate(timeout=60)
    board.close()
    phone.close()
    broker.stop()
    assert daemon.returncode == 0, complaints
    assert "ermi" not in complaints and "failed" not in complaints, complaints
    assert reachable == set()
    journal = Journal.read(tmp_path / "records.db")
    kinds = {entry.kind for entry, _ in journal.entries()}
    newest = journal.newest()
    assert newest and newest.kind == "stopped"
    journal.close()
    assert (tmp_path / "records.db").stat().st_mode & 0o007 == 0
    assert kinds >= {"started", "ear back", "reading", "probe lost", "link up"}
