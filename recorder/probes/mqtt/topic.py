"""A topic of a broker as a source of messages. The door to paho for what comes in; it publishes nothing."""

import queue
import ssl
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.mqtt.settings import MqttProbeSettings
from recorder.probes.mqtt.values import LARGEST, RETAINED
from recorder.probes.source import READ_S, Chunk

CONNECT_S = 5.0
"""Longest for the connection, and again for the broker's answers."""

KEEPALIVE_S = 10
"""A broker that has not been heard for one and a half times this is gone."""

MOST_WAITING = 1_000
"""Messages that wait to be read; of a flood the rest is lost."""


class Topic:
    """A source: the messages of one topic."""

    def __init__(self, settings: MqttProbeSettings) -> None:
        self._settings = settings

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        """As `Source` promises; lost for "broker unreachable", "broker refuses" or "broker gone"."""
        if stop.is_set():
            return
        came: queue.Queue[Chunk | DriverLost | None] = queue.Queue(MOST_WAITING)
        client = self._client(came)
        host, port = self._settings.endpoint
        try:
            client.connect(host, port, KEEPALIVE_S)
        except (OSError, ValueError) as error:
            raise DriverLost("broker unreachable", f"{host} port {port}: {error}") from error
        client.loop_start()
        try:
            yield from self._heard(came, stop)
        finally:
            client.on_disconnect = None
            client.disconnect()
            client.loop_stop()

    def _heard(self, came: "queue.Queue[Chunk | DriverLost | None]", stop: threading.Event) -> Iterator[Chunk | None]:
        """None first, once it is subscribed."""
        left, is_open = CONNECT_S / READ_S, False
        while not stop.is_set():
            try:
                each = came.get(timeout=READ_S)
            except queue.Empty:
                left -= 1
                if not is_open and left < 0:
                    raise DriverLost("broker unreachable", f"{self._settings.host} does not answer") from None
                if is_open:
                    yield None
                continue
            if isinstance(each, DriverLost):
                raise each
            is_open = True
            yield each

    def _client(self, came: "queue.Queue[Chunk | DriverLost | None]") -> Any:
        """A client that puts into `came` what happens; raises `DriverUnavailable`."""
        from paho.mqtt import client as paho
        from paho.mqtt.enums import CallbackAPIVersion

        settings = self._settings

        def put(what: Chunk | DriverLost | None) -> None:
            with suppress(queue.Full):
                came.put_nowait(what)

        def connected(client: Any, userdata: Any, flags: Any, reason: Any, properties: Any = None) -> None:
            if reason.is_failure:
                put(DriverLost("broker refuses", f"{settings.host}: {reason}; are username and password_file right?"))
            else:
                client.subscribe(settings.topic)

        def subscribed(client: Any, userdata: Any, mid: Any, reasons: Any, properties: Any = None) -> None:
            if any(reason.is_failure for reason in reasons):
                remedy = f"may this user read the topic {settings.topic}? The broker's access list says"
                put(DriverLost("broker refuses", f"{settings.host}: {reasons[0]}; {remedy}"))
            else:
                put(None)

        def heard(client: Any, userdata: Any, message: Any) -> None:
            put(Chunk(bytes(message.payload[: LARGEST + 1]), RETAINED if message.retain else ""))

        def gone(client: Any, userdata: Any, flags: Any, reason: Any, properties: Any = None) -> None:
            with suppress(queue.Empty):  # room for the last word, whatever the flood
                if came.full():
                    came.get_nowait()
            put(DriverLost("broker gone", f"{settings.host}: {reason}"))
            client.disconnect()

        version = paho.MQTTv5 if settings.protocol == "5" else paho.MQTTv311
        client: Any = paho.Client(CallbackAPIVersion.VERSION2, protocol=version, reconnect_on_failure=False)
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_S
        client.on_connect, client.on_subscribe = connected, subscribed
        client.on_message, client.on_disconnect = heard, gone
        try:
            if settings.username:
                client.username_pw_set(settings.username, _password(settings.password_file))
            if settings.secured:
                files = (settings.ca_file or None, settings.cert_file or None, settings.key_file or None)
                client.tls_set(*files, tls_version=ssl.PROTOCOL_TLS_CLIENT)
        except (OSError, ValueError) as error:
            raise DriverUnavailable(f"one of the files of {settings.title()} can't be used: {error}") from error
        return client


def _password(file: str) -> str | None:
    """The first line; raises `ValueError`, `OSError`."""
    if not file:
        return None
    lines = Path(file).read_text("utf-8").splitlines()
    if not lines or not lines[0]:
        raise ValueError(f"{file} is empty; write the password in its first line")
    return lines[0]
