"""Why a broker is not reached, in words that name the remedy. Knows no message and no journal.

An MQTT client alone can't tell: a port that speaks TLS, or HTTP, or nothing at all ends in the same "connection lost".
So the port is asked what it speaks, once, by sockets of our own.
"""

import re
import socket
import ssl
from dataclasses import dataclass

from recorder.notices.settings import PLAIN_PORT, TLS_PORT, MqttSettings

WAIT_S = 2.0
"""How long each question to the port may take; there are three at most."""

REFUSALS = {
    "Bad user name or password": "correct username and password_file in [mqtt]",
    "Not authorized": "it does not know this user or password; correct username and password_file in [mqtt]",
    "Unsupported protocol version": 'the broker speaks the other MQTT; change protocol in [mqtt] ("5" or "3.1.1")',
    "Client identifier not valid": "the broker takes no such client id; see its configuration",
    "Banned": "the broker has banned this client; see its configuration",
}
"""Names of MQTT's reason codes (MQTT 5, 3.2.2.2; paho uses them for 3.1.1 too) -> what to do."""

HELLO = (
    b"GET /mqtt HTTP/1.1\r\nHost: broker\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Key: YSBxdWVzdGlvbiBvbmx5IQ==\r\nSec-WebSocket-Protocol: mqtt\r\nSec-WebSocket-Version: 13\r\n\r\n"
)
"""How a WebSocket begins (RFC 6455, 1.3); any web server answers it in HTTP."""


@dataclass(frozen=True, slots=True)
class Port:
    """What a port was found to speak."""

    reached: bool
    speaks: str
    """ "TLS", "HTTP", or "" for neither; where it is not reached, why."""


def refused(reason: str, settings: MqttSettings) -> str:
    """In words: the broker answered, with the reason code that is called `reason`."""
    remedy = REFUSALS.get(reason)
    return f"the broker at {where(settings)} refuses the connection: {reason}" + (f"; {remedy}" if remedy else "")


def explained(reason: str, settings: MqttSettings) -> str:
    """Why no broker answers there, in words; `reason` is what the client saw. Takes up to three times `WAIT_S`."""
    port = look(settings.host, settings.port)
    at = where(settings)
    if not port.reached:
        return port.speaks
    if port.speaks == "HTTP":
        return f"{at} is a web or WebSockets port, not MQTT's; write port = {TLS_PORT if settings.tls else PLAIN_PORT}"
    if port.speaks == "TLS" and not settings.tls:
        return f"{at} speaks TLS; write tls = true in [mqtt], and ca_file where its certificate is the kitchen's own"
    if settings.tls and port.speaks != "TLS":
        return f"{at} does not speak TLS; write tls = false in [mqtt] only for a broker on a network that you trust"
    if settings.tls and "Hostname mismatch" in reason:
        return f"the certificate of {at} is another machine's; write host in [mqtt] as it names it"
    if settings.tls and (found := re.search(r"certificate verify failed: (.+?) \(", reason)):
        return f"the certificate of {at} is not trusted ({found[1]}); name its authority as ca_file in [mqtt]"
    own = "; if it wants this device's certificate, name cert_file and key_file" if settings.tls else ""
    return f"{at} does not answer as an MQTT broker ({reason}){own}"


def look(host: str, port: int) -> Port:
    """Ask the port what it speaks."""
    try:
        socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):  # the second of a name that can be none, such as a..b
        return Port(
            False, f"no machine is called {host!r}; correct host in [mqtt], or is the network's name server away?"
        )
    try:
        with socket.create_connection((host, port), WAIT_S) as plain:
            return Port(True, _spoken(plain, (host, port)))
    except ConnectionRefusedError:
        return Port(False, f"nothing listens at {host}:{port}; does the broker run there, is port right?")
    except TimeoutError:
        return Port(
            False, f"{host}:{port} does not answer; is that machine on, in this network, and its firewall open?"
        )
    except OSError as error:
        return Port(False, f"{host}:{port} is not reached: {error.strerror or error}")


def where(settings: MqttSettings) -> str:
    """Host and port, as a person writes them."""
    return f"{settings.host}:{settings.port}"


def _spoken(plain: socket.socket, address: tuple[str, int]) -> str:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    try:
        with context.wrap_socket(plain):
            return "TLS"
    except ssl.SSLError as error:
        if "ALERT" in str(error.reason):  # it wants a certificate of ours, say: an alert is TLS too
            return "TLS"
    except OSError:
        pass
    try:
        with socket.create_connection(address, WAIT_S) as web:
            web.sendall(HELLO)
            return "HTTP" if web.recv(16).startswith(b"HTTP/") else ""
    except OSError:
        return ""
