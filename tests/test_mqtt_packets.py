"""What goes over the wire, packet by packet, as MQTT 3.1.1 and MQTT 5.0 spell it: read here by those two standards."""

import json
import logging
import re
import shutil
import socket
import ssl
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

from recorder.clock import Stamp
from recorder.core.world import World
from recorder.demo.broker import LocalBroker, PageBroker
from recorder.demo.subscriber import Subscriber
from recorder.driver import DriverUnavailable
from recorder.journal.chain import Entry
from recorder.journal.messages import Message
from recorder.notices import client as door
from recorder.notices import diagnosis, final_alert, mqtt
from recorder.notices.connection import reach, send
from recorder.notices.diagnosis import refused
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.outbox import Messages
from recorder.notices.settings import MqttSettings
from tests.brokers import mosquitto
from tests.waiting import wait_for

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 4, 8, 12, 14
"""MQTT 5.0, 2.1.2."""

VERSIONS = {"3.1.1": 4, "5": 5}
"""MQTT 3.1.1, 3.1.2.2, and MQTT 5.0, 3.1.2.2."""


@dataclass(frozen=True, slots=True)
class Packet:
    kind: int
    flags: int
    body: bytes


@dataclass(slots=True)
class Reader:
    """Takes a packet's body apart: MQTT 5.0, 1.5."""

    rest: bytes

    def take(self, count: int) -> bytes:
        taken, self.rest = self.rest[:count], self.rest[count:]
        return taken

    def number(self, count: int) -> int:
        return int.from_bytes(self.take(count), "big")

    def text(self) -> str:
        return self.take(self.number(2)).decode()

    def properties(self) -> bytes:
        return self.take(self.number(1))


@dataclass(slots=True)
class Said:
    """A CONNECT packet (3.1)."""

    version: int
    clean: bool
    keepalive_s: int
    properties: bytes
    client: str
    will: tuple[str, str, int, bool] | None
    """Topic, payload, QoS, retain."""
    user: str | None
    word: str | None


def connect(packet: Packet, version: int) -> Said:
    part = Reader(packet.body)
    assert (packet.kind, packet.flags, part.text()) == (CONNECT, 0, "MQTT")
    level, flags, keepalive_s = part.number(1), part.number(1), part.number(2)
    about = part.properties() if version == 5 else b""
    name, will = part.text(), None
    if flags & 4:
        if version == 5:
            part.properties()
        will = (part.text(), part.text(), flags >> 3 & 3, bool(flags & 32))
    user = part.text() if flags & 128 else None
    word = part.text() if flags & 64 else None
    assert part.rest == b""
    return Said(level, bool(flags & 2), keepalive_s, about, name, will, user, word)


@dataclass(slots=True)
class Ear:
    """Listens as a broker does, keeps each packet, and answers: 3.2, 3.4, 3.9."""

    version: int
    refuses: int = 0
    """The reason in CONNACK."""
    acknowledges: bool = True
    reasons: dict[str, int] = field(default_factory=dict)
    """Topic -> the reason in its PUBACK, by MQTT 5."""
    connections: list[list[Packet]] = field(default_factory=list)
    server: socket.socket = field(default_factory=lambda: socket.create_server(("127.0.0.1", 0)))
    open: list[socket.socket] = field(default_factory=list)

    @property
    def port(self) -> int:
        return int(self.server.getsockname()[1])

    def run(self) -> None:
        with suppress(OSError):
            while True:
                sock, _ = self.server.accept()
                self.open.append(sock)
                packets: list[Packet] = []
                self.connections.append(packets)
                threading.Thread(target=self._serve, args=(sock, packets), daemon=True).start()

    def _serve(self, sock: socket.socket, packets: list[Packet]) -> None:
        with suppress(OSError), sock, sock.makefile("rb") as file:
            while first := file.read(1):
                length, shift = 0, 0
                while True:
                    (byte,) = file.read(1)
                    length |= (byte & 127) << shift
                    shift += 7
                    if byte < 128:
                        break
                packet = Packet(first[0] >> 4, first[0] & 15, file.read(length))
                packets.append(packet)
                if answer := self._answer(packet):
                    sock.sendall(answer)

    def _answer(self, packet: Packet) -> bytes:
        five = self.version == 5
        if packet.kind == CONNECT:
            return b"\x20\x03\x00" + bytes([self.refuses, 0]) if five else b"\x20\x02\x00" + bytes([self.refuses])
        if packet.kind == SUBSCRIBE:
            return (
                b"\x90" + (b"\x06" + packet.body[:2] + b"\0" if five else b"\x05" + packet.body[:2]) + b"\x01\x01\x01"
            )
        if packet.kind == PINGREQ:
            return b"\xd0\x00"
        if packet.kind == PUBLISH and packet.flags & 6 and self.acknowledges:
            part = Reader(packet.body)
            topic = part.text()
            reason = self.reasons.get(topic, 0)
            return (b"\x40\x04" + part.take(2) + bytes([reason, 0])) if five else b"\x40\x02" + part.take(2)
        return b""

    def told(self, at: int = -1) -> list[tuple[str, str, int, bool]]:
        """Topic, payload, QoS, retain of all that was published on one connection."""
        found = []
        for packet in [each for each in self.connections[at] if each.kind == PUBLISH]:
            part, qos = Reader(packet.body), packet.flags >> 1 & 3
            topic = part.text()
            if qos:
                part.take(2)
            if self.version == 5:
                part.properties()
            found.append((topic, part.rest.decode(), qos, bool(packet.flags & 1)))
        return found

    def say(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """PUBLISH at QoS 0: 3.3."""
        body = struct.pack(">H", len(topic)) + topic.encode() + (b"\0" if self.version == 5 else b"") + payload
        self.open[-1].sendall(bytes([0x30 | retain, len(body)]) + body)

    def hang_up(self) -> None:
        for sock in self.open:
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        with suppress(OSError):
            self.server.shutdown(socket.SHUT_RDWR)
        self.server.close()
        self.hang_up()


@pytest.fixture(params=["5", "3.1.1"])
def ear(request: pytest.FixtureRequest) -> Iterator[Ear]:
    ear = Ear(VERSIONS[request.param])
    threading.Thread(target=ear.run, daemon=True).start()
    yield ear
    ear.close()


@pytest.fixture
def five() -> Iterator[Ear]:
    ear = Ear(5)
    threading.Thread(target=ear.run, daemon=True).start()
    yield ear
    ear.close()


def settings(ear: Ear, **said: Any) -> MqttSettings:
    return MqttSettings("line-1", port=ear.port, protocol="5" if ear.version == 5 else "3.1.1", **said)


def soon(publisher: MqttPublisher | Subscriber) -> None:
    """It comes back at once."""
    publisher._client.reconnect_delay_set(0.05, 0.05)


def turned(publisher: MqttPublisher, done: Callable[[], bool]) -> list[tuple[int, bool]]:
    """All that was acknowledged until `done`."""
    found: list[tuple[int, bool]] = []

    def turn() -> bool:
        found.extend(publisher.acknowledged())
        return done()

    wait_for(turn, IndexError, KeyError)
    return found


def test_a_station_introduces_itself(ear: Ear, tmp_path: Path) -> None:
    """3.1: a session of its own name that the broker may forget, a will, a password; by MQTT 5 the largest packet that
    it takes is 16,384 bytes (property 0x27, four bytes)."""
    (tmp_path / "word").write_text("first line\nsecond line\n")
    publisher = MqttPublisher(settings(ear, username="fry", password_file=tmp_path / "word", keepalive_s=17))
    publisher.start()
    publisher.start()
    turned(publisher, lambda: publisher.connection() == 1 and publisher.settled() and len(ear.connections[0]) == 3)
    assert len(ear.connections) == 1, "however often it is started"
    said = connect(ear.connections[0][0], ear.version)
    assert said == Said(
        version=ear.version,
        clean=True,
        keepalive_s=17,
        properties=b"\x27\x00\x00\x40\x00" if ear.version == 5 else b"",
        client="kitchen-line-1",
        will=("kitchen/line-1/state", '{"online": false}', 1, True),
        user="fry",
        word="first line",
    )
    (topics,) = [packet for packet in ear.connections[0] if packet.kind == SUBSCRIBE]
    part = Reader(topics.body)
    part.take(2)
    if ear.version == 5:
        part.properties()
    wanted = []
    while part.rest:
        wanted.append((part.text(), part.number(1) & 3))
    assert wanted == [(f"kitchen/line-1/{what}", 1) for what in ("acknowledge", "seen", "sign")]
    assert ear.told() == [("kitchen/line-1/state", '{"online": true}', 1, True)]
    sock = publisher._client.socket()
    assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
    publisher.close()
    wait_for(lambda: ear.connections[0][-1].kind == DISCONNECT)
    assert ear.told()[1:] == [("kitchen/line-1/state", '{"online": false}', 1, True)]
    assert len(ear.connections) == 1


def test_messages_states_and_signs_each_in_their_own_way(ear: Ear) -> None:
    """3.3: QoS 1 but for signs; a state is retained and an event is not; by MQTT 5 an event names its type (0x03)."""
    publisher = MqttPublisher(settings(ear, root="site/kitchen"))
    here = "site/kitchen/line-1"
    assert publisher.publish(Message(f"{here}/alerts", "early")) is None, "nothing is kept for later by this one"
    publisher.passing("alive", {"at_ms": 0})
    publisher.latest("open", {"alerts": ["älter"]})
    publisher.latest("open", {"alerts": ["bräunlich"]})
    assert not publisher.settled() and publisher.connection() == 0
    publisher.start()
    turned(publisher, lambda: len(ear.told()) == 2)
    assert ear.told()[1] == (f"{here}/open", '{"alerts": ["bräunlich"]}', 1, True), "the newest alone"
    turned(publisher, publisher.settled)
    tokens = [publisher.publish(Message(f"{here}/alerts", "{}", retain)) for retain in (False, True)]
    assert None not in tokens and tokens[0] != tokens[1] and not publisher.settled()
    publisher.passing("alive", {"at_ms": 5, "ä": 1})
    landed = turned(publisher, lambda: publisher.settled() and len(ear.told()) == 5)
    assert landed == [(token, True) for token in tokens], "a sign is acknowledged by nobody"
    assert sorted(ear.told()[2:]) == sorted(
        [
            (f"{here}/alerts", "{}", 1, False),
            (f"{here}/alerts", "{}", 1, True),
            (f"{here}/alive", '{"at_ms": 5, "ä": 1}', 0, False),
        ]
    )
    kinds = {packet.body.partition(b"alerts")[2][2:] for packet in ear.connections[0] if b"/alerts" in packet.body}
    mime = b"application/cloudevents+json"
    about = bytes([len(mime) + 3, 3, 0, len(mime)]) + mime
    assert kinds == {(about if ear.version == 5 else b"") + b"{}"}
    publisher.close()


def test_one_value_of_a_state_is_on_its_way_at_a_time_and_the_newest_goes_next(five: Ear) -> None:
    publisher = MqttPublisher(settings(five))
    soon(publisher)
    publisher.start()
    turned(publisher, publisher.settled)
    five.acknowledges = False
    for value in range(4):
        publisher.latest("open", {"value": value})
        publisher.latest("batches", {"value": value})
    wait_for(lambda: len(five.told()) == 3)
    publisher.acknowledged()
    assert not publisher.settled() and len(five.told()) == 3
    values = [(topic.rpartition("/")[2], json.loads(body)["value"]) for topic, body, _, _ in five.told()[1:]]
    assert sorted(values) == [("batches", 0), ("open", 0)]
    five.acknowledges = True
    five.hang_up()
    turned(publisher, lambda: len(five.connections) == 2 and publisher.settled())
    values = [(topic.rpartition("/")[2], json.loads(body)["value"]) for topic, body, _, _ in five.told()[1:]]
    assert sorted(values) == [("batches", 3), ("open", 3)], "to a new connection all states go, each as it is now"
    publisher.close()


def test_what_is_owed_goes_out_before_the_goodbye(five: Ear) -> None:
    publisher = MqttPublisher(settings(five))
    publisher.start()
    turned(publisher, publisher.settled)
    five.acknowledges = False
    publisher.latest("open", {"value": 1})
    publisher.latest("open", {"value": 2})
    five.acknowledges = True
    publisher.close()
    wait_for(lambda: five.connections[0][-1].kind == DISCONNECT)
    assert [body for _, body, _, _ in five.told()[1:]] == ['{"value": 1}', '{"value": 2}', '{"online": false}']


class Mute(Ear):
    """Takes all, and answers nothing: no CONNACK, so the client was never let in."""

    def _answer(self, packet: Packet) -> bytes:
        return b""


def test_who_was_never_let_in_says_no_goodbye(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a client sends before CONNACK a server may drop, and a refused one is heard by nobody: MQTT 5.0, 3.1.4."""
    monkeypatch.setattr(diagnosis, "WAIT_S", 0.1)
    ear = Mute(5)
    threading.Thread(target=ear.run, daemon=True).start()
    publisher = MqttPublisher(settings(ear))
    publisher.latest("open", {"value": 1})
    publisher.start()
    wait_for(lambda: ear.connections[0][0].kind == CONNECT, IndexError)
    publisher.close()
    wait_for(lambda: ear.connections[0][-1].kind == DISCONNECT)
    assert [packet.kind for packet in ear.connections[0]] == [CONNECT, DISCONNECT]
    ear.close()


def test_the_link_is_told_once_something_was_acknowledged_and_by_its_first_reason(ear: Ear) -> None:
    told: list[tuple[bool, str]] = []
    ear.acknowledges = False
    publisher = MqttPublisher(settings(ear), lambda up, reason: told.append((up, reason)))
    soon(publisher)
    publisher.start()
    turned(publisher, lambda: publisher.connection() == 1 and len(ear.told()) == 1)
    assert told == [] and publisher.connected(), "a broker that only takes connections is none"
    ear.acknowledges = True
    token = publisher.publish(Message("kitchen/line-1/alerts", "{}"))
    assert turned(publisher, lambda: bool(told)) == [(token, True)]
    assert told == [(True, "")]
    ear.hang_up()
    turned(publisher, lambda: len(told) == 2)
    assert told[1][0] is False and told[1][1].startswith("the connection ended: ")
    turned(publisher, lambda: publisher.connection() == 2)
    publisher.close()


@pytest.mark.parametrize(
    ("version", "reason", "words"), [("5", 0x87, "Not authorized"), ("3.1.1", 5, "Not authorized")]
)
def test_a_refusal_is_told_in_the_standards_words(version: str, reason: int, words: str) -> None:
    """MQTT 5.0, 3.2.2.2: 0x87; MQTT 3.1.1, 3.2.2.3: 5."""
    ear = Ear(VERSIONS[version], refuses=reason)
    threading.Thread(target=ear.run, daemon=True).start()
    told: list[tuple[bool, str]] = []
    publisher = MqttPublisher(settings(ear), lambda up, reason: told.append((up, reason)))
    publisher.start()
    turned(publisher, lambda: bool(told))
    assert told == [(False, refused(words, settings(ear)))]
    assert publisher.connection() == 0 and not publisher.connected()
    assert publisher.publish(Message("kitchen/line-1/alerts", "{}")) is None
    assert reach(settings(ear), 5) == refused(words, settings(ear))
    publisher.close()
    ear.close()


def test_a_refused_state_is_told_and_a_refused_message_given_back(five: Ear, caplog: pytest.LogCaptureFixture) -> None:
    """MQTT 5.0, 3.4.2.1: 0x87."""
    five.reasons = {"kitchen/line-1/open": 0x87, "kitchen/line-1/alerts": 0x87}
    publisher = MqttPublisher(settings(five))
    publisher.start()
    turned(publisher, publisher.settled)
    token = publisher.publish(Message("kitchen/line-1/alerts", "{}"))
    came = turned(publisher, publisher.settled)
    assert [each for each in came if each[0] == token] == [(token, False)], "beside it the state that paho sent itself"
    assert caplog.records == []
    publisher.latest("open", {})
    turned(publisher, publisher.settled)
    publisher.latest("batches", {})
    turned(publisher, publisher.settled)
    assert [each.message for each in caplog.records] == ["the broker refuses kitchen/line-1/open; see its access list"]
    publisher.close()


def test_a_connection_on_which_nothing_is_acknowledged_is_given_up(five: Ear, caplog: pytest.LogCaptureFixture) -> None:
    five.acknowledges = False
    publisher = MqttPublisher(settings(five), patience_s=0.4)
    soon(publisher)
    publisher.start()
    turned(publisher, lambda: publisher.connection() == 1)
    began_s = time.monotonic()
    while time.monotonic() - began_s < 0.8:
        publisher.acknowledged()
    assert len(five.connections) == 1, "nothing waits that counts"
    publisher.publish(Message("kitchen/line-1/alerts", "{}"))
    began_s = time.monotonic()
    turned(publisher, lambda: len(five.connections) == 2)
    assert time.monotonic() - began_s > 0.4
    assert [each.message for each in caplog.records] == ["the broker has acknowledged nothing for 0 s; reconnecting"]
    turned(publisher, lambda: publisher.connection() == 2 and publisher.settled())
    publisher.close()


def test_while_it_is_down_nobody_is_blamed_for_silence(five: Ear, caplog: pytest.LogCaptureFixture) -> None:
    five.acknowledges = False
    publisher = MqttPublisher(settings(five), patience_s=0.1)
    publisher.start()
    turned(publisher, lambda: publisher.connection() == 1)
    publisher.publish(Message("kitchen/line-1/alerts", "{}"))
    five.refuses = 0x88
    five.hang_up()
    wait_for(lambda: not publisher.connected())
    end_s = time.monotonic() + 0.3
    while time.monotonic() < end_s:
        publisher.acknowledged()
    assert caplog.records == []
    publisher.close()


def test_a_connection_that_flaps_is_told_six_times_in_ten_minutes(five: Ear) -> None:
    told: list[bool] = []
    publisher = MqttPublisher(settings(five), lambda up, reason: told.append(up))
    soon(publisher)
    publisher.start()
    for number in range(1, 9):
        turned(publisher, lambda number=number: publisher.connection() == number)  # type: ignore[misc]
        publisher.latest("open", {"value": number})
        turned(publisher, publisher.settled)
        publisher.acknowledged()
        five.refuses = 0x88  # the server is not available: 3.2.2.2
        five.hang_up()
        turned(publisher, lambda: not publisher.connected())
        five.refuses = 0
    assert told == [True, False] * 6
    publisher.close()


def test_answers_come_from_their_topics_and_none_that_was_kept(ear: Ear) -> None:
    heard: list[tuple[str, bytes]] = []
    publisher = MqttPublisher(settings(ear), on_answer=lambda what, payload: heard.append((what, payload)))
    publisher.start()
    turned(publisher, publisher.settled)
    ear.say("kitchen/line-1/seen", b"old", retain=True)
    ear.say("kitchen/line-1/seen", b"1")
    ear.say("kitchen/line-1/acknowledge", b"2")
    wait_for(lambda: len(heard) == 2)
    assert heard == [("seen", b"1"), ("acknowledge", b"2")]
    publisher.close()


def test_without_tls_only_another_machine_is_warned_of(caplog: pytest.LogCaptureFixture) -> None:
    plain = MqttPublisher(MqttSettings("line-1", host="0.0.0.0", port=1, tls=False))
    plain.start()
    plain.close()
    near = MqttPublisher(MqttSettings("line-1", port=1))
    near.start()
    near.close()
    assert [each.message for each in caplog.records if each.levelno == logging.WARNING] == [
        "no TLS: what goes to 0.0.0.0 can be read and changed on its way"
    ]


def test_what_is_sent_once_goes_under_another_name_and_leaves_the_station_alone(ear: Ear) -> None:
    assert reach(settings(ear), 10) == ""
    wait_for(lambda: ear.connections[0][-1].kind == DISCONNECT)
    said = connect(ear.connections[0][0], ear.version)
    assert (said.client, said.will, said.clean) == ("kitchen-line-1-check", None, True)
    assert ear.told() == []
    send(settings(ear), "sign", '{"day": 1}', 10)
    wait_for(lambda: ear.connections[1][-1].kind == DISCONNECT)
    said = connect(ear.connections[1][0], ear.version)
    assert (said.client, said.will, said.user) == ("kitchen-line-1-sign", None, None)
    assert ear.told() == [("kitchen/line-1/sign", '{"day": 1}', 1, False)]
    ear.acknowledges = False
    with pytest.raises(DriverUnavailable, match=rf"the broker at 127\.0\.0\.1:{ear.port} does not take the message"):
        send(settings(ear), "sign", "{}", 0.5)


def test_a_second_is_the_shortest_sign_of_a_connection() -> None:
    assert MqttSettings("line-1", keepalive_s=1).keepalive_s == 1
    with pytest.raises(ValueError, match="keepalive_s is 0; write 1 or more"):
        MqttSettings("line-1", keepalive_s=0)


def test_who_answers_nothing_is_no_broker() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as dumb:
        where = MqttSettings("line-1", port=dumb.getsockname()[1])
        began_s = time.monotonic()
        assert reach(where, 0.3) == f"127.0.0.1:{where.port} does not answer as an MQTT broker (it says nothing)"
        assert time.monotonic() - began_s < 15
        with pytest.raises(DriverUnavailable, match=r"is not reached|does not take"):
            send(where, "sign", "{}", 0.2)
    nobody = reach(where, 10)
    assert nobody == f"nothing listens at 127.0.0.1:{where.port}; does the broker run there, is port right?"


def test_after_an_error_that_the_library_does_not_know_it_goes_on(
    five: Ear, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A host name with an empty label can be none (RFC 1035, 2.3.1): Python's codec raises no `OSError`."""
    monkeypatch.setattr(door, "RECOVER_S", 0.3)
    wrong = MqttSettings("line-1", host="a..b", tls=False, port=five.port)
    told: list[tuple[bool, str]] = []
    publisher = MqttPublisher(wrong, lambda up, reason: told.append((up, reason)))
    began_s = time.monotonic()
    publisher.start()
    turned(publisher, lambda: bool(told))
    assert told[0][0] is False and told[0][1].startswith("the connection failed: UnicodeError: ")
    assert any(each.message == told[0][1] for each in caplog.records)
    object.__setattr__(wrong, "host", "127.0.0.1")
    turned(publisher, lambda: publisher.connection() == 1)
    assert time.monotonic() - began_s >= 0.3
    publisher.close()


@pytest.mark.parametrize(
    ("content", "complaint"),
    [(None, "can't be read"), (b"", "is empty"), (b"\nword\n", "is empty"), (b"\xff\xfe", "can't be read")],
)
def test_a_password_is_the_first_line_of_its_file(content: bytes | None, complaint: str, tmp_path: Path) -> None:
    file = tmp_path / "word"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(
        DriverUnavailable, match=f"the password file .*word {complaint}.*; write the password in its fi"
    ):
        door.password(file)
    file.write_bytes("wört \r\nmore\n".encode())
    assert door.password(file) == "wört "


def test_the_figures_that_were_chosen() -> None:
    assert (mqtt.FLAPS, mqtt.CONTENT_TYPE) == (6, "application/cloudevents+json")
    publisher = MqttPublisher(MqttSettings("line-1"))
    assert (publisher._client.max_inflight_messages, publisher._patience_s) == (20, 60)
    assert (publisher._client._reconnect_min_delay, publisher._client._reconnect_max_delay) == (1, 60)
    for protocol, number in VERSIONS.items():
        assert door.bare(protocol)._protocol == number and door.bare(protocol).suppress_exceptions is True
    assert publisher._client.suppress_exceptions is True


def test_a_phone_keeps_each_message_once_and_each_state_as_it_is_now(ear: Ear) -> None:
    """A receiver drops doubles by `source` and `id`: CloudEvents 1.0, Required Attributes."""
    seen: list[str] = []
    phone = Subscriber(
        "127.0.0.1", ear.port, "kitchen/#", "5" if ear.version == 5 else "3.1.1", lambda v: seen.append(v["n"])
    )
    soon(phone)
    assert phone.ready(10) and connect(ear.connections[0][0], ear.version).keepalive_s == 30
    (wanted,) = [packet for packet in ear.connections[0] if packet.kind == SUBSCRIBE]
    assert wanted.body[2:].lstrip(b"\0").endswith(b"kitchen/#\x01")
    events = [("/a", "1", "x"), ("/a", "2", "y"), ("/a", "1", "again"), ("/b", "1", "z"), ("/b", "1", "again")]
    for source, id, n in events:
        ear.say("kitchen/a", json.dumps({"specversion": "1.0", "source": source, "id": id, "n": n}).encode())
    for topic, value in [("kitchen/s", {"at_ms": 1}), ("kitchen/s", {"at_ms": 2}), ("kitchen/t", ["specversion"])]:
        ear.say(topic, json.dumps(value).encode(), retain=True)
    wait_for(lambda: len(phone.retained) == 2 and phone.retained["kitchen/s"] == '{"at_ms": 2}')
    assert seen == ["x", "y", "z"] and phone.doubles == 2
    assert {key: value["n"] for key, value in phone.messages.items()} == {
        ("/a", "1"): "x",
        ("/a", "2"): "y",
        ("/b", "1"): "z",
    }
    phone.say("kitchen/line-1/seen", b"{}")
    wait_for(lambda: ear.told() == [("kitchen/line-1/seen", "{}", 1, False)])
    ear.hang_up()
    wait_for(lambda: not phone.ready(0))
    wait_for(lambda: len(ear.connections) == 2 and phone.ready(0.1))
    phone.close()
    wait_for(lambda: ear.connections[1][-1].kind == DISCONNECT)


def test_what_is_of_this_moment_waits_for_nobody(ear: Ear) -> None:
    """A connection that no turn has seen yet is none: what was given to it would not be known of."""
    publisher = MqttPublisher(settings(ear))
    publisher.start()
    wait_for(publisher.connected)
    publisher.passing("alive", {"at_ms": 1})
    publisher.latest("open", {"value": 1})
    assert publisher.connection() == 0 and not publisher.settled()
    wait_for(lambda: len(ear.told()) == 1)
    turned(publisher, publisher.settled)
    assert [topic.rpartition("/")[2] for topic, _, _, _ in ear.told()] == ["state", "open"]
    publisher.close()


ENDS = tuple(
    Entry(seq, Stamp(seq, "b", seq, 1_772_100_000_000, True), "tick", "{}", "0" * 64, "ab" * 32) for seq in (1, 7)
)


@pytest.mark.parametrize("ends", [ENDS, None])
def test_the_last_word_is_said_to_each_connection_until_the_broker_has_it(
    ear: Ear, ends: tuple[Entry, Entry] | None
) -> None:
    now = Stamp(9_000, "b", 9_000, 1_772_100_009_000, True)
    publisher = MqttPublisher(settings(ear))
    messages = Messages("kitchen", "line-1", "alerts")
    began_s = time.monotonic()
    assert not final_alert.send(publisher, messages, ends, World(), "disk\x1b[2J full", now, 0.2), "nobody is there"
    assert 0.2 <= time.monotonic() - began_s < 3
    publisher.start()
    assert final_alert.send(publisher, messages, ends, World(), "disk\x1b[2J full", now, 10) is True
    said = {topic.rpartition("/")[2]: (body, retain) for topic, body, _, retain in ear.told()}
    shown = json.loads(said["open"][0])
    assert shown["at_ms"] == 9_000 and said["open"][1]
    (alert,) = shown["alerts"]
    assert alert["id"] == f"{7 if ends else 0}-not-recording" and "disk?[2J full" in alert["text"]
    assert ("alerts" in said) is bool(ends)
    if ends:
        event = json.loads(said["alerts"][0])
        assert (event["id"], event["source"]) == ("7-unrecorded", "/stations/line-1/journals/abababababab")
        assert (event["type"], event["data"]["kind"]) == ("alert.raised", "not recording")
        assert event["time"] == "2026-02-26T10:00:09.000+00:00" and event["data"]["ended_by"] == "said"
    publisher.close()


def test_the_last_word_goes_to_a_new_connection_again(five: Ear) -> None:
    now = Stamp(9_000, "b", 9_000, 1_772_100_009_000, True)
    five.acknowledges = False
    publisher = MqttPublisher(settings(five))
    soon(publisher)
    publisher.start()
    turned(publisher, lambda: publisher.connection() == 1)
    said: list[bool] = []
    words = (publisher, Messages("kitchen", "line-1", "alerts"), (ENDS[0], ENDS[1]), World(), "full", now, 10)
    telling = threading.Thread(target=lambda: said.append(final_alert.send(*words)))
    telling.start()
    wait_for(lambda: len(five.told()) == 3)
    five.acknowledges = True
    five.hang_up()
    telling.join(10)
    assert said == [True]
    for at in (0, 1):
        assert [topic.rpartition("/")[2] for topic, _, _, _ in five.told(at)].count("alerts") == 1
    publisher.close()


def certificate(folder: Path) -> tuple[Path, Path, Path]:
    """A certificate, its key, and both in one file."""
    from datetime import UTC, datetime, timedelta

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key, name = ec.generate_private_key(ec.SECP256R1()), x509.Name([])
    now = datetime.now(UTC)
    made = x509.CertificateBuilder(name, name, key.public_key(), 1, now, now + timedelta(days=1))
    text = made.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)
    word = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    files = folder / "cert.pem", folder / "key.pem", folder / "both.pem"
    for file, content in zip(files, (text, word, text + word), strict=True):
        file.write_bytes(content)
    return files


def test_each_file_of_tls_may_stand_alone(tmp_path: Path) -> None:
    cert, key, both = certificate(tmp_path)
    remote = partial(MqttSettings, "line-1", "mqtt.example.org")
    for made in (remote(ca_file=cert), remote(cert_file=both), remote(cert_file=cert, key_file=key), remote()):
        client = door.make(made, "")
        context = client._ssl_context
        assert context.verify_mode == ssl.CERT_REQUIRED and context.check_hostname
        assert context.cert_store_stats()["x509"] or not made.ca_file
    assert door.make(MqttSettings("line-1"), "")._ssl_context is None
    none = tmp_path / "none.pem"
    for wrong, named in (
        (remote(ca_file=key), [key]),
        (remote(cert_file=cert), [cert]),
        (remote(ca_file=cert, cert_file=cert, key_file=none), [cert, cert, none]),
    ):
        names = re.escape(", ".join(map(str, named)))
        with pytest.raises(DriverUnavailable, match=f"one of the broker's files {names} can't be used: "):
            door.make(wrong, "")


def free_ports(count: int) -> list[int]:
    with ExitStack() as held:
        sockets = [held.enter_context(socket.create_server(("127.0.0.1", 0))) for _ in range(count)]
        return [each.getsockname()[1] for each in sockets]


@mosquitto
def test_the_demos_broker_serves_the_page_and_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    port, web = free_ports(2)
    broker = PageBroker(port, web, "line-1")
    assert broker.url == f"http://127.0.0.1:{web}/?station=line-1"
    broker.stop()
    for _ in range(2):
        broker.start()
        assert reach(MqttSettings("line-1", port=port), 10) == ""
        wait_for(lambda: b"<title>" in urlopen(broker.url, timeout=5).read(), OSError)
        broker.stop()
        with pytest.raises(OSError):
            socket.create_connection(("127.0.0.1", port), 1)
    monkeypatch.setattr(shutil, "which", lambda program, path: "/bin/false")
    with pytest.raises(OSError, match=f"mosquitto does not start on port {port}"):
        broker.start()
    broker.stop()
    monkeypatch.setattr(shutil, "which", lambda program, path: None)
    with pytest.raises(OSError, match="mosquitto is missing; apt install mosquitto"):
        broker.start()


def test_the_small_broker_can_be_asked_to_stop_before_it_runs() -> None:
    (port,) = free_ports(1)
    small = LocalBroker(port)
    small.stop()
    small.start()
    assert reach(MqttSettings("line-1", port=port, protocol="3.1.1"), 10) == ""
    small.stop()
    small.stop()
    assert not [each for each in threading.enumerate() if each.name == "broker"]
    with socket.create_server(("127.0.0.1", port)), pytest.raises(OSError, match=f"port {port} of this machine can't"):
        small.start()


def test_a_number_that_a_sign_had_may_be_a_messages_later(five: Ear) -> None:
    """Packet identifiers are 16 bits, and come again: 2.2.1."""
    publisher = MqttPublisher(settings(five))
    publisher.start()
    turned(publisher, publisher.settled)
    publisher.passing("alive", {"at_ms": 1})
    wait_for(lambda: len(five.told()) == 2)
    number = publisher._client._last_mid
    time.sleep(0.1)
    publisher.acknowledged()
    publisher._client._last_mid = number - 1
    token = publisher.publish(Message("kitchen/line-1/alerts", "{}"))
    assert token == number and turned(publisher, publisher.settled) == [(token, True)]
    publisher.close()
