"""The sign of life, by a real mosquitto: sent on time, kept by nobody, and no proof that the broker answers."""

import json
import socket
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import load
from recorder.core.events import ProbeLost
from recorder.journal.messages import Message
from recorder.notices.alive import EVERY_MS
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.settings import MqttSettings
from tests.brokers import Mosquitto
from tests.contract import validator
from tests.system import needs
from tests.waiting import wait_for


class Ear:
    """Who subscribes to a station, and what came: topic, value, whether it was retained."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, Any, bool]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        ready = threading.Event()
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda client, userdata, message: self.heard.append(
            (message.topic.removeprefix("kitchen/line-1/"), json.loads(message.payload), message.retain)
        )
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("kitchen/line-1/#", 1)
        assert ready.wait(10)

    def signs(self) -> list[Any]:
        return [value for topic, value, retained in self.heard if topic == "alive" and not retained]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path, "allow_anonymous true")
    yield made
    made.stop()


@needs("mosquitto", "mosquitto")
def test_a_station_that_has_nothing_to_say_gives_a_sign_of_life_every_ten_seconds(
    tmp_path: Path, broker: Mosquitto
) -> None:
    """At once on a connection, again after a lost one, and with the stamps of the states that stand retained."""
    (tmp_path / "station.toml").write_text(f'station = "line-1"\n[mqtt]\nport = {broker.port}\n')
    settings, clock = load(tmp_path / "station.toml"), ManualClock(1_772_100_000_000)
    ear = Ear(broker.port)
    app = App(settings, open_journal(settings), clock, lambda cue: None)
    app.open()

    def signs(count: int) -> bool:
        app.turn(0.01)
        return len(ear.signs()) >= count

    wait_for(lambda: signs(1))
    app.loop.handle(ProbeLost(clock.now_ms(), "needle", "open circuit"))
    for number in range(2, 5):
        clock.advance(EVERY_MS - 1)
        for _ in range(20):
            app.turn(0.01)
        assert len(ear.signs()) == number - 1, "no more than one in ten seconds"
        clock.advance(1)
        wait_for(partial(signs, number))
    last = ear.signs()[-1]
    ear.close()
    late = Ear(broker.port)
    wait_for(lambda: len({topic for topic, _, _ in late.heard}) >= 5)
    kept = {topic: value["at_ms"] for topic, value, retained in late.heard if topic in last["newest"] and retained}
    assert last == {"at_ms": clock.at_ms, "newest": kept} and set(kept) == {"open", "batches", "checks", "health"}
    assert late.signs() == [] and "alive" not in {topic for topic, _, _ in late.heard}, "no broker keeps one"
    assert all(validator("alive").is_valid(each) for each in ear.signs())
    broker.stop()
    assert app.uplink
    publisher = app.uplink.publisher
    wait_for(lambda: not publisher.connected())
    broker.start()
    again = Ear(broker.port)

    def back() -> bool:
        app.turn(0.01)
        return len(again.signs()) == 1

    wait_for(back, seconds=30)
    assert again.signs()[0]["at_ms"] == clock.at_ms, "on a new connection it does not wait for its time"
    for each in (late, again):
        each.close()
    app.close()


def test_signs_of_life_do_not_hide_that_a_broker_acknowledges_nothing() -> None:
    """A peer that takes the connection and then says nothing more: it is not told as up, and is given up."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        taken: list[socket.socket] = []

        def serve() -> None:
            while True:
                try:
                    peer, _ = server.accept()
                except OSError:
                    return
                taken.append(peer)
                peer.recv(1_000)
                peer.sendall(b"\x20\x02\x00\x00")  # CONNACK, MQTT 3.1.1 section 3.2

        serving = threading.Thread(target=serve)
        serving.start()
        told: list[bool] = []
        publisher = MqttPublisher(
            MqttSettings("line-1", port=server.getsockname()[1], protocol="3.1.1"),
            lambda up, reason: told.append(up),
            patience_s=0.6,
        )
        publisher.start()
        wait_for(publisher.connected)
        publisher.acknowledged()
        assert publisher.publish(Message("kitchen/line-1/alerts", "{}")) is not None
        end_s = time.monotonic() + 30
        while len(taken) < 2 and time.monotonic() < end_s:
            publisher.passing("alive", {"at_ms": 1, "newest": {}})
            time.sleep(0.05)
            publisher.acknowledged()
        assert len(taken) >= 2, "the mute connection was kept"
        assert True not in told
        publisher.close()
        server.shutdown(socket.SHUT_RDWR)
        serving.join(30)
        for peer in taken:
            peer.close()
