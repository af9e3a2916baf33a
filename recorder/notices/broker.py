"""A small broker inside this process, for the demo and the tests: MQTT 3.1.1 on one port of this machine.

The only door to amqtt. A station uses a real broker.
"""

import asyncio
import gc
import logging
import threading
import warnings
from typing import Any


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
        asyncio.run_coroutine_threadsafe(self._broker.shutdown(), self._loop).result(10)
        self._end()

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
