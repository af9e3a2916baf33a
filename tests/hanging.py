"""Brokers, programs and a station that keep a stop waiting."""

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

HANGS_S = 60
"""How long what hangs does so."""


@contextmanager
def mute() -> Iterator[int]:
    """A broker that takes the connection and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@contextmanager
def full() -> Iterator[int]:
    """One that does not even take the connection: its queue is full, and the kernel lets us wait."""
    with ExitStack() as stack:
        server = stack.enter_context(socket.socket())
        server.bind(("127.0.0.1", 0))
        server.listen(0)
        for _ in range(4):
            caller = stack.enter_context(socket.socket())
            caller.setblocking(False)
            with suppress(BlockingIOError):
                caller.connect(server.getsockname())
        yield server.getsockname()[1]


@contextmanager
def thankless() -> Iterator[int]:
    """One that welcomes (MQTT 3.1.1, CONNACK, section 3.2) and then never acknowledges anything."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        taken: list[socket.socket] = []

        def welcome() -> None:
            with suppress(OSError):
                taken.append(server.accept()[0])
                taken[0].recv(1000)
                taken[0].sendall(b"\x20\x02\x00\x00")

        thread = threading.Thread(target=welcome)
        thread.start()
        yield server.getsockname()[1]
        thread.join()
        for each in taken:
            each.close()


def programs(folder: Path) -> dict[str, str]:
    """The environment with our programs first; each notes its process id in a file of its name."""
    hang = f"echo $$ > {folder}/$NAME.started; exec sleep {HANGS_S}"
    bodies = {
        "arecord": f"NAME=arecord; {hang}",
        "aplay": f'case "$*" in *raw*) exec cat >/dev/null;; esac; NAME=aplay; {hang}',
        "espeak-ng": "exec cat",
    }
    for name, body in bodies.items():
        (folder / name).write_text(f"#!/bin/sh\n{body}\n")
        (folder / name).chmod(0o755)
    return {**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"}


def station(folder: Path, port: int) -> Path:
    """A configuration with everything that can keep a stop waiting."""
    file = folder / "station.toml"
    file.write_text(
        f'station = "line-1"\n[[probe]]\ndriver = "serial"\nport = "{folder}/not-there"\n'
        f'[voice]\nengine = "sphinx"\n[speaker]\n[mqtt]\nport = {port}\nprotocol = "3.1.1"\n'
    )
    return file
