"""Brokers for the demo and the tests, on ports of this machine: a small one inside this process, and mosquitto.

The only door to amqtt. A station uses a real broker.
"""

import asyncio
import gc
import logging
import os
import shutil
import socket
import subprocess
import tempfile
import threading
import time
import warnings
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from typing import Any

from recorder import private
from recorder.notices.answers import ACKNOWLEDGE, SEEN, SIGN
from recorder.notices.passwords import hashed

WATCHED = '"$0" -c "$1" & read -r _; kill $!; wait'
"""A program that ends when its input does: however the demo ends, nothing of it stays on the network."""

HERE = "127.0.0.1"
PHONE = "phone"
"""The name with which a phone logs in."""

ELSEWHERE = "192.0.2.1"
"""An address of no machine (RFC 5737): the way there begins at this machine's address on its network."""


def network_address() -> str:
    """This machine's address on its network, as far as the way out tells; nothing is sent. Raises `OSError`."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        way.connect((ELSEWHERE, 9))
        address = str(way.getsockname()[0])
    if address.startswith("127."):
        raise OSError("this machine is on no network")
    return address


class LocalBroker:
    """Runs in a thread of its own; can be stopped and started again on the same port."""

    def __init__(self, port: int) -> None:
        self.port = port
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._broker: Any = None

    def start(self) -> None:
        """Listen on 127.0.0.1; returns when it does. Raises `OSError` when the port is taken."""
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="broker", daemon=True)
        self._thread.start()
        try:
            asyncio.run_coroutine_threadsafe(self._begin(), self._loop).result(10)
        except Exception as error:
            self._end()
            raise OSError(f"port {self.port} of this machine can't be used: {error}") from error

    def stop(self) -> None:
        """Close every connection and stop listening."""
        if self._loop is None or self._thread is None:
            return
        asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(10)
        self._end()

    async def _close(self) -> None:
        """Shut amqtt down, which waits for readers that it has cancelled.

        They wait in `asyncio.wait_for`, which in Python 3.11 loses a cancellation that comes together with a packet. So
        they are cancelled again.
        """
        shutdown = asyncio.create_task(self._broker.shutdown())
        while not (await asyncio.wait([shutdown], timeout=0.2))[0]:
            for task in asyncio.all_tasks():
                if task.cancelling():
                    task.cancel()
        shutdown.result()

    def _end(self) -> None:
        assert self._loop and self._thread
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()
        self._loop = self._thread = self._broker = None
        with warnings.catch_warnings():  # amqtt leaves the sockets of clients that vanished to the garbage collector
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()

    async def _begin(self) -> None:
        from amqtt.broker import Broker

        self._broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        await self._broker.start()


class PageBroker:
    """mosquitto as its own program, which serves the phone page beside; can be stopped and started again.

    The page stands on this machine alone, or with a password at the machine's network address. The recorder's own
    listener is on 127.0.0.1 in both cases.
    """

    def __init__(self, port: int, web_port: int, station: str, address: str = HERE, password: str = "") -> None:
        """`address` is where the page stands; any other than `HERE` needs a `password`, which is that of `PHONE`.

        Raises `ValueError` where it lacks one.
        """
        if not password and address != HERE:
            raise ValueError(f"the page at {address} needs a password: others can reach it there")
        self.port = port
        self.url = f"http://{address}:{web_port}/?station={station}"
        self._web = f"{web_port} {address}"
        self._station = station
        self._password = password
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._program: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Listen; returns when it does. Raises `OSError` where mosquitto is missing or does not start."""
        program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
        if program is None:
            raise OSError("mosquitto is missing; apt install mosquitto, or leave --page out")
        self._folder = tempfile.TemporaryDirectory(prefix="batch-recorder-broker-")
        folder = Path(self._folder.name)
        config = folder / "mosquitto.conf"
        config.write_text(
            f"per_listener_settings true\nset_tcp_nodelay true\nlistener {self.port} {HERE}\nallow_anonymous true\n"
            f"listener {self._web}\nprotocol websockets\nhttp_dir {files('recorder').joinpath('share/page')}\n"
            f"{self._access(folder)}\n"
        )
        self._program = subprocess.Popen(
            ["/bin/sh", "-c", WATCHED, program, str(config)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for the demo, which ends this in its turn
        )
        end_s = time.monotonic() + 10
        while True:
            try:
                return socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError as error:
                if time.monotonic() > end_s or self._program.poll() is not None:
                    raise OSError(f"mosquitto does not start on port {self.port}") from error
                time.sleep(0.02)

    def _access(self, folder: Path) -> str:
        """Lines for the page's listener: who may come in, and what they may say."""
        if not self._password:
            return "allow_anonymous true"
        here = f"topic %s kitchen/{self._station}/%s\n"
        answers = "".join(here % ("write", what) for what in (ACKNOWLEDGE, SEEN, SIGN))
        users, rights = folder / "users", folder / "rights"
        for file, content in (
            (users, f"{PHONE}:{hashed(self._password)}\n"),
            (rights, f"user {PHONE}\n{here % ('read', '#')}{answers}"),
        ):
            with private.writing(file) as out:
                out.write(content)
        if os.geteuid() == 0:  # mosquitto gives up root's rights, and reads them after that
            with suppress(LookupError):
                for each in (folder, users, rights):
                    shutil.chown(each, "mosquitto")
        return f"allow_anonymous false\npassword_file {users}\nacl_file {rights}"

    def stop(self) -> None:
        """End it; every connection ends with it."""
        if self._program:
            self._program.communicate(timeout=10)  # closes its input
            self._program = None
        if self._folder:
            self._folder.cleanup()
            self._folder = None
