"""A station with a driver that hangs for ever: it is on record, and starves the watchdog where a restart helps."""

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder import supervisor
from recorder.app import App, clock_after, open_journal
from recorder.config import load
from recorder.core.events import EarLost
from recorder.driver import Put
from recorder.journal.reader import Reader
from recorder.supervisor import Post, Supervisor


class Hung:
    """As a driver in a system call that does not return."""

    name = "hung"

    def __init__(self) -> None:
        self.let_go = threading.Event()

    def run(self, put: Put, stop: threading.Event) -> None:
        self.let_go.wait()


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as server:
        server.bind(str(tmp_path / "notify"))
        server.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "100000")
        yield server


@pytest.mark.parametrize("restart_s", [900.0, 0.0])
def test_a_driver_that_hangs_for_ever(
    restart_s: float, systemd: socket.socket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervisor, "HANGS_S", 0.5)
    monkeypatch.setattr(supervisor, "RESTART_S", restart_s)
    (tmp_path / "station.toml").write_text('station = "line-1"\n')
    stop, driver = threading.Event(), Hung()

    def live() -> None:
        settings = load(tmp_path / "station.toml")
        journal = open_journal(settings)
        app = App(settings, journal, clock_after(journal), lambda cue: None)
        post = Post(driver, hangs=lambda: (EarLost(0, "it hangs"),))
        app.run(Supervisor((post,), app.loop.inbox.put), stop)

    station = threading.Thread(target=live)
    station.start()
    assert systemd.recv(100).startswith(b"READY=1\n")
    began_s = time.monotonic()
    assert systemd.recv(100) == b"WATCHDOG=1", "it is fed until it hangs for too long"
    if restart_s:  # the others go on recording, and are not restarted for ever
        while time.monotonic() - began_s < 1.5:
            assert systemd.recv(100) == b"WATCHDOG=1"
    else:  # only a restart ends such a thread
        systemd.settimeout(1.5)
        with pytest.raises(TimeoutError):
            while time.monotonic() - began_s < 30:
                assert systemd.recv(100) == b"WATCHDOG=1"
    stop.set()
    station.join(30)
    driver.let_go.set()
    assert not station.is_alive()
    journal = Reader.open(tmp_path / "records.db")
    assert [event for _, event in journal.entries() if isinstance(event, EarLost)] == [EarLost(0, "it hangs")]
    journal.close()
