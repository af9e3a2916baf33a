"""A broker that is not reached is named by its cause: against the real mosquitto, and ports that are no broker's."""

import gc
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from recorder.notices.connection import reach
from recorder.notices.diagnosis import refused
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.settings import MqttSettings
from tests.brokers import Broker, mosquitto
from tests.waiting import wait_for

pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
"""paho drops a socket whose TLS failed."""


@dataclass(frozen=True, slots=True)
class Ports:
    """What one mosquitto listens at."""

    plain: int
    tls: int
    web: int
    certificate: Path


def _free(count: int) -> list[int]:
    taken = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    numbers = [each.getsockname()[1] for each in taken]
    for each in taken:
        each.close()
    return numbers


@pytest.fixture
def ports(tmp_path: Path) -> Iterator[Ports]:
    subject = ["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    files = ["-keyout", str(tmp_path / "key.pem"), "-out", str(tmp_path / "certificate.pem")]
    make = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *subject, *files]
    subprocess.run(make, check=True, capture_output=True)
    plain, tls, web = _free(3)
    (tmp_path / "words").write_text("line-1:good\n")
    (tmp_path / "words").chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", str(tmp_path / "words")], check=True, capture_output=True)
    config = tmp_path / "mosquitto.conf"
    config.write_text(
        "\n".join(
            (
                "user root",
                "per_listener_settings true",
                f"listener {plain} 127.0.0.1",
                f"password_file {tmp_path / 'words'}",
                f"listener {tls} 127.0.0.1",
                "allow_anonymous true",
                f"certfile {tmp_path / 'certificate.pem'}",
                f"keyfile {tmp_path / 'key.pem'}",
                f"listener {web} 127.0.0.1",
                "protocol websockets",
            )
        )
    )
    broker = Broker(config, plain)
    broker.start()
    yield Ports(plain, tls, web, tmp_path / "certificate.pem")
    broker.stop()
    gc.collect()


def _told(settings: MqttSettings) -> str:
    """What the station itself says of this broker, within the 10 s that a person waits."""
    links: list[tuple[bool, str]] = []
    publisher = MqttPublisher(settings, lambda up, reason: links.append((up, reason)))
    publisher.start()
    began_s = time.monotonic()
    wait_for(lambda: publisher.acknowledged() is not None and bool(links), seconds=10)
    assert time.monotonic() - began_s < 10
    publisher.close()
    return links[0][1]


@mosquitto
@pytest.mark.parametrize(
    ("which", "tls", "words"),
    [
        ("plain", True, "does not speak TLS; write tls = false"),
        ("tls", False, "speaks TLS; write tls = true"),
        ("tls", True, "is not trusted (self-signed certificate); name its authority as ca_file"),
        ("web", False, "is a web or WebSockets port, not MQTT's; write port = 1883"),
        ("web", True, "is a web or WebSockets port, not MQTT's; write port = 8883"),
    ],
)
def test_what_listens_there_is_named(ports: Ports, which: str, tls: bool, words: str) -> None:
    settings = MqttSettings("line-1", port=getattr(ports, which), tls=tls)
    assert words in reach(settings, 5)
    assert words in _told(settings)


@mosquitto
def test_a_broker_that_answers_is_reached_or_says_who_is_unknown(ports: Ports, tmp_path: Path) -> None:
    assert reach(MqttSettings("line-1", port=ports.tls, ca_file=ports.certificate), 5) == ""
    word = tmp_path / "word"
    word.write_text("bad\n")
    settings = MqttSettings("line-1", port=ports.plain, username="line-1", password_file=word)
    assert "it does not know this user or password; correct username and password_file" in reach(settings, 5)
    assert "it does not know this user or password; correct username and password_file" in _told(settings)
    word.write_text("good\n")
    assert reach(settings, 5) == ""


def test_a_port_that_says_nothing_is_no_broker() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as dumb:
        where = f"127.0.0.1:{dumb.getsockname()[1]}"
        said = _told(MqttSettings("line-1", port=dumb.getsockname()[1]))
    assert said.startswith(f"{where} does not answer as an MQTT broker")


def test_a_name_that_nobody_has_and_a_port_where_nothing_is() -> None:
    assert reach(MqttSettings("line-1", host="broker.invalid", tls=False), 5).startswith(
        "no machine is called 'broker.invalid'; correct host in [mqtt]"
    )
    [port] = _free(1)
    assert _told(MqttSettings("line-1", port=port)) == (
        f"nothing listens at 127.0.0.1:{port}; does the broker run there, is port right?"
    )


@pytest.mark.parametrize(
    ("code", "remedy"),
    [
        (0x84, "; the broker speaks the other MQTT; change protocol in [mqtt]"),
        (0x85, "; the broker takes no such client id"),
        (0x86, "; correct username and password_file in [mqtt]"),
        (0x87, "; it does not know this user or password; correct username and password_file in [mqtt]"),
        (0x8A, "; the broker has banned this client"),
        (0x88, ""),
    ],
)
def test_a_refusal_names_its_remedy_where_there_is_one(code: int, remedy: str) -> None:
    """MQTT 5.0, 3.2.2.2, in the client library's names: the last one is "Server unavailable"."""
    name = str(ReasonCode(PacketTypes.CONNACK, identifier=code))
    said = refused(name, MqttSettings("line-1", host="fryer", port=99))
    begins = f"the broker at fryer:99 refuses the connection: {name}"
    assert said.startswith(begins + remedy) and (said == begins) == (not remedy)
