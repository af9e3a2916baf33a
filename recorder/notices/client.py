"""A paho client that would speak as the settings say: the only door to paho. Knows no message.

paho calls back in a thread of its own; the words for what went wrong there are made here too.
"""

import socket
import ssl
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from recorder.driver import DriverUnavailable
from recorder.errors import why
from recorder.notices.settings import MqttSettings

RECOVER_S = 1.0
"""How long the connection rests after an error that paho does not know."""

LARGEST = 16_384
"""Bytes of a packet that the broker may send to us, by MQTT 5; it drops larger ones itself."""


def make(settings: MqttSettings, suffix: str, complain: Callable[[str], None] = lambda reason: None) -> Any:
    """A client that would speak as these settings say; raises `DriverUnavailable`.

    Its thread outlives every error: paho's own ends, and tells nobody, at one that is no `OSError`, such as a host name
    that can be none.
    """
    from paho.mqtt import client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    class Client(paho.Client):
        def loop_forever(self, timeout: float = 1.0, retry_first_connection: bool = False) -> Any:
            while True:
                try:
                    return super().loop_forever(timeout, retry_first_connection)
                except Exception as error:
                    complain(f"the connection failed: {type(error).__name__}: {str(error)!a}")
                    time.sleep(RECOVER_S)
                    _aim(self, settings)

    version = paho.MQTTv5 if settings.protocol == "5" else paho.MQTTv311
    name = f"{settings.root}-{settings.station}{suffix}"
    client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=version)
    client.suppress_exceptions = True
    client.reconnect_delay_set(1, 60)
    client.on_socket_open = at_once
    try:
        if settings.username is not None:
            word = password(settings.password_file) if settings.password_file else None
            client.username_pw_set(settings.username, word)
        if settings.tls:
            client.tls_set(
                str(settings.ca_file) if settings.ca_file else None,
                str(settings.cert_file) if settings.cert_file else None,
                str(settings.key_file) if settings.key_file else None,
                tls_version=ssl.PROTOCOL_TLS_CLIENT,
            )
    except (OSError, ValueError) as error:
        named = [str(file) for file in (settings.ca_file, settings.cert_file, settings.key_file) if file]
        raise DriverUnavailable(f"one of the broker's files {', '.join(named)} can't be used: {error}") from error
    return client


def bare(protocol: str) -> Any:
    """A client without settings, as a phone would be."""
    from paho.mqtt import client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    version = paho.MQTTv5 if protocol == "5" else paho.MQTTv311
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=version)
    client.suppress_exceptions = True
    return client


def at_once(client: Any, userdata: Any, sock: Any) -> None:
    """Small messages are not held back to be sent together: an alert behind a state would wait 40 ms."""
    with suppress(OSError):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def password(file: Path) -> str:
    """The first line of the file; raises `DriverUnavailable` where there is none."""
    remedy = "write the password in its first line"
    try:
        lines = file.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise DriverUnavailable(f"the password file {file} can't be read: {why(error)}; {remedy}") from error
    if not lines or not lines[0]:
        raise DriverUnavailable(f"the password file {file} is empty; {remedy}")
    return lines[0]


def ended(reason: Any) -> str:
    """In words: a connection ended, for `reason`."""
    return f"the connection ended: {reason}"


def unreached() -> str:
    """In paho's thread, while it holds the error that it tells nobody."""
    return str(sys.exc_info()[1] or "not reached")


def begin(client: Any, settings: MqttSettings) -> None:
    """Connect, for as long as it takes, in a thread of its own."""
    _aim(client, settings)
    client.loop_start()


def _aim(client: Any, settings: MqttSettings) -> None:
    """The next connection of its thread goes to this broker."""
    options: dict[str, Any] = {}
    if settings.protocol == "5":
        options = {"clean_start": True, "properties": properties("CONNECT", MaximumPacketSize=LARGEST)}
    client.connect_async(settings.host, settings.port, settings.keepalive_s, **options)


def properties(packet: str, **values: Any) -> Any:
    """MQTT 5's properties of a packet of this type."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    make: Any = Properties  # paho leaves it without types
    made = make(getattr(PacketTypes, packet))
    for name, value in values.items():
        setattr(made, name, value)
    return made


def end(client: Any) -> None:
    """Say goodbye, and end the thread."""
    client.disconnect()
    with suppress(AttributeError):  # paho's own race: its thread ended between its look and its join
        client.loop_stop()
