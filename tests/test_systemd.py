"""sd_notify(3): one datagram to NOTIFY_SOCKET, also an abstract one."""

import errno
import socket
from pathlib import Path

import pytest

from recorder import systemd


@pytest.mark.parametrize("abstract", [False, True])
def test_messages_reach_the_socket(abstract: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name = "@batch-recorder-test" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as server:
        server.bind("\0" + name[1:] if abstract else name)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        assert systemd.notify("READY=1")
        assert server.recv(100) == b"READY=1"


def test_it_is_told_and_never_raises_whatever_is_in_a_name_and_where_files_run_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is called while recording ends, and an error there would hide the one that ended it."""
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as server:
        server.bind(str(tmp_path / "notify"))
        assert systemd.notify("STATUS=a name of no text: \udcff")
        assert server.recv(100) == b"STATUS=a name of no text: ?"

        def none_left(*_: object) -> None:
            raise OSError(errno.EMFILE, "Too many open files")

        monkeypatch.setattr(socket, "socket", none_left)
        assert not systemd.notify("STATUS=x")


def test_without_systemd_nothing_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not systemd.notify("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not systemd.notify("READY=1")


@pytest.mark.parametrize(("usec", "every_s"), [("30000000", 15.0), ("0", None), ("", None), ("soon", None)])
def test_the_watchdog_is_fed_twice_as_often_as_asked(
    usec: str, every_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", usec)
    assert systemd.watchdog_s() == every_s
