"""The way to a real broker: mosquitto in both versions of the protocol, and the small one inside this process."""

import gc
import json
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app as command_line
from recorder.commands.check import _weak
from recorder.core.events import Tick
from recorder.demo.broker import LocalBroker
from recorder.demo.subscriber import Subscriber
from recorder.driver import DriverUnavailable
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.notices.connection import reach
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.outbox import Outbox
from recorder.notices.settings import MqttSettings
from tests.appended import append
from tests.brokers import STAMP, Mosquitto, event, mosquitto, stepped, waiting
from tests.system import needs
from tests.waiting import wait_for


@pytest.fixture
def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path


@mosquitto
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_waited_arrives_in_order_after_the_broker_was_away(folder: Path, protocol: str) -> None:
    broker = Mosquitto(folder, "allow_anonymous true", "log_type none")
    order: list[str] = []
    phone = Subscriber("127.0.0.1", broker.port, "kitchen/#", protocol, seen=lambda value: order.append(value["id"]))
    links: list[bool] = []
    publisher = MqttPublisher(
        MqttSettings("line-1", port=broker.port, protocol=protocol), lambda up, reason: links.append(up)
    )
    publisher.start()
    wait_for(lambda: publisher.acknowledged() is not None and bool(links) and phone.ready(0))
    journal = waiting(folder, 60)
    box = Outbox(journal.outbox, publisher)
    broker.stop(signal.SIGKILL)
    wait_for(lambda: not publisher.connected())
    box.step(0)
    assert len(journal.outbox.unsent(0, 100)) == 60
    broker.start()
    wait_for(lambda: publisher.connected() and phone.ready(0))
    wait_for(lambda: stepped(box) and box.empty())
    wait_for(lambda: len(order) == 60)
    assert publisher.acknowledged() == []
    assert order == [str(number) for number in range(1, 61)]
    assert links == [True, False, True]
    publisher.close()
    phone.close()
    journal.close()
    broker.stop()


@mosquitto
def test_the_state_is_retained_and_the_will_speaks_for_the_dead(folder: Path) -> None:
    broker = Mosquitto(folder, "allow_anonymous true", "log_type none")
    phone = Subscriber("127.0.0.1", broker.port, "kitchen/#")
    wait_for(lambda: phone.ready(0))
    publisher = MqttPublisher(MqttSettings("line-1", port=broker.port))
    publisher.latest("reading/needle", {"temp_c": 70.0})
    publisher.latest("reading/needle", {"temp_c": 71.0})
    publisher.start()
    wait_for(lambda: bool(publisher.acknowledged()))
    wait_for(lambda: json.loads(phone.retained["kitchen/line-1/reading/needle"]) == {"temp_c": 71.0}, KeyError)
    assert json.loads(phone.retained["kitchen/line-1/state"]) == {"online": True}
    publisher._client._sock_close()  # the wire is cut without a goodbye
    wait_for(lambda: json.loads(phone.retained["kitchen/line-1/state"]) == {"online": False})
    wait_for(lambda: json.loads(phone.retained["kitchen/line-1/state"]) == {"online": True})
    publisher.close()
    wait_for(lambda: json.loads(phone.retained["kitchen/line-1/state"]) == {"online": False})
    phone.close()
    broker.stop()


@mosquitto
@pytest.mark.parametrize(("word", "lets_in"), [("water", False), ("oil", True)])
def test_a_wrong_password_is_told_and_the_right_one_lets_in(folder: Path, word: str, lets_in: bool) -> None:
    users, secret = folder / "users", folder / "password"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "line-1", "oil"], check=True, capture_output=True)
    users.chmod(0o600)
    broker = Mosquitto(folder, f"password_file {users}", "log_type none")
    secret.write_text(f"{word}\n")
    links: list[tuple[bool, str]] = []
    publisher = MqttPublisher(
        MqttSettings("line-1", port=broker.port, username="line-1", password_file=secret),
        lambda up, reason: links.append((up, reason)),
    )
    publisher.start()
    wait_for(lambda: publisher.acknowledged() is not None and bool(links))
    publisher.close()
    broker.stop()
    assert links[0][0] is lets_in
    assert ("refuses the connection: Not authorized; " in links[0][1]) is not lets_in


@needs("openssl", "openssl")
@mosquitto
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho drops a socket whose TLS failed
def test_tls_is_verified(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The broker's certificate is believed only when the authority in `ca_file`, or one that the machine trusts, signed
    it for this host."""
    for name in ("right", "wrong"):
        subject = ["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
        files = ["-keyout", str(folder / f"{name}.key"), "-out", str(folder / f"{name}.pem")]
        make = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *subject, *files]
        subprocess.run(make, check=True, capture_output=True)
    (folder / "right.key").chmod(0o644)
    broker = Mosquitto(
        folder, "allow_anonymous true", f"certfile {folder / 'right.pem'}", f"keyfile {folder / 'right.key'}"
    )
    assert reach(MqttSettings("line-1", port=broker.port, ca_file=folder / "right.pem"), 5) == ""
    assert "is not trusted (self-signed certificate); name its authority as ca_file" in reach(
        MqttSettings("line-1", port=broker.port, ca_file=folder / "wrong.pem"), 5
    )
    other_name = MqttSettings("line-1", host="localhost", port=broker.port, ca_file=folder / "right.pem")
    assert "is another machine's; write host in [mqtt] as it names it" in reach(other_name, 5), "it is another host's"
    trusting = MqttSettings("line-1", port=broker.port, tls=True)
    assert "is not trusted (self-signed certificate); name its authority as ca_file" in reach(trusting, 5)
    monkeypatch.setenv("SSL_CERT_FILE", str(folder / "right.pem"))  # OpenSSL's own word for what the machine trusts
    assert reach(trusting, 5) == ""
    broker.stop()
    gc.collect()
    lines = [f"{key} {folder / name}" for key, name in (("cafile", "right.pem"), ("certfile", "right.pem"))]
    lines += [f"keyfile {folder / 'right.key'}", "require_certificate true", "allow_anonymous true", "log_type none"]
    broker = Mosquitto(folder, *lines)
    plain = MqttSettings("line-1", port=broker.port, ca_file=folder / "right.pem")
    assert "the connection ended" in reach(plain, 5), "this broker wants the device's own certificate"
    own = replace(plain, cert_file=folder / "right.pem", key_file=folder / "right.key")
    assert reach(own, 5) == ""
    broker.stop()
    gc.collect()


@mosquitto
def test_a_message_that_the_broker_refuses_is_kept_and_holds_up_no_other(folder: Path) -> None:
    """MQTT 5: a refusal by an access list comes as a reason code in the acknowledgement."""
    (folder / "acl").write_text("topic write kitchen/line-1/state\ntopic write kitchen/line-1/alerts\n")
    broker = Mosquitto(folder, "allow_anonymous true", f"acl_file {folder / 'acl'}", "log_type none")
    publisher = MqttPublisher(MqttSettings("line-1", port=broker.port))
    publisher.start()
    places = ["journal"] * 25 + ["alerts"] * 3
    journal = Journal.open(folder / "r.db")
    for number, place in enumerate(places):
        message = Message(f"kitchen/line-1/{place}", event(number + 1))
        append(journal, STAMP, Tick(number), (), lambda *_, message=message: [message])
    box = Outbox(journal.outbox, publisher)
    wait_for(lambda: stepped(box) and box.sent == 3)
    assert [row.id for row in journal.outbox.unsent(most=99)] == list(range(1, 26))
    publisher.close()
    journal.close()
    broker.stop()


@mosquitto
def test_a_try_leaves_a_station_at_work_alone(folder: Path) -> None:
    """Field bug of 2026-11-25: `check` took the running station's name, so the broker threw the station out."""
    broker = Mosquitto(folder, "allow_anonymous true", "log_type none")
    phone = Subscriber("127.0.0.1", broker.port, "kitchen/#")
    settings, links = MqttSettings("line-1", port=broker.port), list[bool]()
    wait_for(lambda: phone.ready(0))
    assert reach(settings, 5) == ""
    assert phone.retained == {}, "nothing is published in its name"
    publisher = MqttPublisher(settings, lambda up, reason: links.append(up))
    publisher.start()
    wait_for(lambda: publisher.acknowledged() is not None and bool(links))
    assert reach(settings, 5) == ""
    time.sleep(0.2)
    assert links == [True] and publisher.connected()
    publisher.close()
    phone.close()
    broker.stop()
    assert reach(settings, 5).startswith("nothing listens at")


def test_why_the_broker_is_not_reached_is_told(free_port: int) -> None:
    links: list[tuple[bool, str]] = []
    publisher = MqttPublisher(MqttSettings("line-1", port=free_port), lambda up, reason: links.append((up, reason)))
    publisher.start()
    wait_for(lambda: publisher.acknowledged() is not None and bool(links))
    publisher.close()
    assert links[0][0] is False and "nothing listens at" in links[0][1]


def test_something_that_is_no_broker_is_told(free_port: int) -> None:
    with socket.create_server(("127.0.0.1", free_port)):
        assert "does not answer" in reach(MqttSettings("line-1", port=free_port), 0.3)


@mosquitto
def test_a_goodbye_in_the_moment_that_the_broker_dies(folder: Path) -> None:
    broker = Mosquitto(folder, "allow_anonymous true", "log_type none")
    publisher = MqttPublisher(MqttSettings("line-1", port=broker.port))
    publisher.start()
    wait_for(publisher.connected)
    broker.stop(signal.SIGKILL)
    publisher.close()


@pytest.mark.parametrize(
    ("files", "complaint"),
    [
        ({"username": "line-1", "password_file": "empty"}, "empty; write the password in its first line"),
        ({"username": "line-1", "password_file": "none"}, "none can't be read"),
        ({"ca_file": "empty"}, "empty can't be used"),
    ],
)
def test_a_file_that_cannot_be_used_is_named(tmp_path: Path, files: dict[str, str], complaint: str) -> None:
    (tmp_path / "empty").write_text("")
    settings: dict[str, Any] = {key: tmp_path / name if key.endswith("_file") else name for key, name in files.items()}
    with pytest.raises(DriverUnavailable, match=complaint):
        MqttPublisher(MqttSettings("line-1", **settings))


def test_a_port_in_use_is_told_and_leaves_no_thread(free_port: int) -> None:
    with socket.create_server(("127.0.0.1", free_port)):
        broker = LocalBroker(free_port)
        with pytest.raises(OSError, match=f"port {free_port} of this machine can't be used"):
            broker.start()
    assert "broker" not in [thread.name for thread in threading.enumerate()]
    broker.start()
    broker.stop()


def test_the_small_broker_goes_and_comes_back(tmp_path: Path, free_port: int) -> None:
    port = free_port
    broker = LocalBroker(port)
    broker.start()
    phone = Subscriber("127.0.0.1", port, "kitchen/#")
    publisher = MqttPublisher(MqttSettings("line-1", port=port, protocol="3.1.1"))
    publisher.start()
    wait_for(lambda: publisher.connected() and phone.ready(0))
    broker.stop()
    broker.stop()
    wait_for(lambda: not publisher.connected())
    assert publisher.publish(Message("t", event(1))) is None, "nothing is given to a wire that is down"
    broker.start()
    wait_for(lambda: publisher.connected() and phone.ready(0))
    journal = waiting(tmp_path, 5)
    box = Outbox(journal.outbox, publisher)
    wait_for(lambda: stepped(box) and len(phone.messages) == 5)
    publisher.acknowledged()
    for message in (event(2), event(2)):
        publisher.publish(Message("kitchen/line-1/alerts", message))
    wait_for(lambda: phone.doubles == 2)
    publisher.close()
    phone.close()
    broker.stop()
    journal.close()


@pytest.mark.parametrize(
    "wrong",
    [
        {"protocol": "4"},
        {"root": "a/#"},
        {"root": "/a"},
        {"root": ""},
        {"host": ""},
        {"port": -1},
        {"port": 65_536},
        {"keepalive_s": 0},
        {"key_file": Path("k.pem")},
        {"password_file": Path("secret")},
        {"tls": False, "ca_file": Path("c.pem")},
        {"tls": False, "cert_file": Path("c.pem")},
    ],
    ids=lambda wrong: str(wrong),
)
def test_settings_that_cannot_be(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"write|name it|take that"):
        MqttSettings("line-1", **wrong)


@pytest.mark.parametrize(
    ("said", "tls", "port"),
    [
        ({}, False, 1883),
        ({"host": "localhost"}, False, 1883),
        ({"host": "127.0.0.2", "port": 1999}, False, 1999),
        ({"host": "::1"}, False, 1883),
        ({"host": "mqtt.example.org"}, True, 8883),
        ({"host": "192.0.2.7", "port": 1883}, True, 1883),
        ({"host": "127.example.org"}, True, 8883),
        ({"host": "mqtt.example.org", "tls": False}, False, 1883),
        ({"tls": True}, True, 8883),
        ({"ca_file": Path("ca.pem")}, True, 8883),
        ({"cert_file": Path("c.pem"), "key_file": Path("k.pem")}, True, 8883),
    ],
    ids=str,
)
def test_tls_is_spoken_to_any_other_machine(said: dict[str, Any], tls: bool, port: int) -> None:
    """Ports 1883 and 8883 are IANA's for mqtt and secure-mqtt, from memory."""
    settings = MqttSettings("line-1", **said)
    assert (settings.tls, settings.port) == (tls, port)


def test_what_goes_over_a_network_without_tls_is_told(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level("WARNING"):
        for host in ("192.0.2.1", "127.0.0.1"):  # the first is in no network: RFC 5737
            publisher = MqttPublisher(MqttSettings("line-1", host=host, tls=False))
            publisher._client.loop_start = lambda: None
            publisher.start()
    assert caplog.text.count("no TLS") == 1 and "192.0.2.1" in caplog.text


def test_check_bears_a_host_that_can_be_none(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "line-1"\n[mqtt]\nhost = "mqtt..example.org"\n')
    told = CliRunner().invoke(
        command_line, ["check", "--config", str(tmp_path / "station.toml")], env={"COLUMNS": "200"}
    )
    assert told.exit_code == 1 and "no machine is called" in told.output


def test_check_says_what_is_weak(tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("oil\n")
    secret.chmod(0o644)
    assert list(_weak(MqttSettings("line-1"))) == []
    far = MqttSettings("line-1", host="mqtt.example.org")
    assert [text.split(";")[0] for text in _weak(far)] == ["the broker does not know who this is"]
    weak = list(_weak(replace(far, tls=False, port=1883, username="a", password_file=secret, protocol="3.1.1")))
    assert [text.split(" ")[0] for text in weak] == ["without", "others", "MQTT"]
    secret.chmod(0o640)
    assert list(_weak(replace(far, username="a", password_file=secret))) == []
