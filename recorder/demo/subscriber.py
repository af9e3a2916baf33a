"""Stands for the manager's phone in the demo and the tests. Knows no station."""

import json
import threading
from collections.abc import Callable
from typing import Any

from recorder.notices.client import bare, end


class Subscriber:
    """Keeps what arrives on a topic, without doubles."""

    def __init__(
        self, host: str, port: int, topic: str, protocol: str = "3.1.1", seen: Callable[[Any], object] = id
    ) -> None:
        """`seen` gets each new CloudEvents message, from another thread."""
        self.messages: dict[tuple[str, str], dict[str, Any]] = {}
        self.doubles = 0
        self.retained: dict[str, str] = {}
        self._seen = seen
        self._topic = topic
        self._ready = threading.Event()
        self._client = bare(protocol)
        self._client.reconnect_delay_set(1, 2)
        self._client.on_connect = lambda client, *_: client.subscribe(self._topic, 1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_disconnect = lambda *_: self._ready.clear()
        self._client.on_message = self._arrived
        self._client.connect_async(host, port, 30)
        self._client.loop_start()

    def ready(self, timeout_s: float) -> bool:
        """Wait until it is subscribed; whether it is."""
        return self._ready.wait(timeout_s)

    def say(self, topic: str, payload: bytes) -> None:
        """Send something back, at least once."""
        self._client.publish(topic, payload, 1)

    def close(self) -> None:
        """Say goodbye, and end."""
        end(self._client)

    def _arrived(self, client: Any, userdata: Any, message: Any) -> None:
        value = json.loads(message.payload)
        if not isinstance(value, dict) or "specversion" not in value:
            self.retained[message.topic] = message.payload.decode()
            return
        key = (value["source"], value["id"])
        if key in self.messages:
            self.doubles += 1
            return
        self.messages[key] = value
        self._seen(value)
