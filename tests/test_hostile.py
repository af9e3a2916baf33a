"""Somebody who may publish on the broker and means harm, against a whole station and a real mosquitto."""

import json
import logging
import random
from pathlib import Path

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import load
from recorder.core.events import ProbeLost, Reading
from recorder.notices.client import LARGEST
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.settings import MqttSettings
from tests.brokers import Mosquitto, mosquitto
from tests.waiting import wait_for


def flood(port: int, seed: int, alert: str, count: int) -> None:
    """Thousands of messages to the station and its neighbour: noise, all but right ones, and right ones."""
    chance = random.Random(seed)
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for number in range(count):
        station, what = chance.choice(("line-1", "line-2")), chance.choice(("acknowledge", "seen", "sign"))
        right = {
            "alert": chance.choice((f"{number}-cook-overdue", alert if station == "line-2" else "1-x")),
            "by": "EVE",
        }
        body = chance.choice(
            (
                chance.randbytes(chance.randrange(3_000)),
                json.dumps(right).encode(),
                json.dumps({"day": "2026-02-26", "by": "EVE", "note": f"all well {number}"}).encode(),
                b'{"day": "2026-02-26", "by": "EVE", "note": "\\ud800\\u001b[2J"}',
                b"[" * 1_000,
                b'{"alert": "1-x\\n\\u001b[31m", "by": "\\u202e"}',
                b'{"alert": "%s", "by": "EVE", "ended_ms": 1}' % alert.encode(),
            )
        )
        client.publish(f"kitchen/{station}/{what}", body, 1, retain=chance.random() < 0.1)
    client.publish("kitchen/line-1/sign", b"end", 1).wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


@mosquitto
def test_a_hostile_publisher_closes_nothing_and_fills_nothing(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    broker = Mosquitto(tmp_path, "allow_anonymous true", "log_type none", "max_queued_messages 0")
    (tmp_path / "station.toml").write_text(f'station = "line-1"\n[mqtt]\nport = {broker.port}\n')
    settings, clock = load(tmp_path / "station.toml"), ManualClock(1_772_100_000_000)
    app = App(settings, open_journal(settings), clock, lambda cue: None)
    app.open()
    app.loop.handle(Reading(clock.now_ms(), "needle", 30.0))
    app.loop.handle(ProbeLost(clock.now_ms(), "needle", "unplugged"))
    alert = next(each.id for each in app.loop.state.world.alerts if each.kind == "probe lost")
    wait_for(lambda: app.turn(0) is not None and app.uplink is not None and app.uplink.publisher.connection() > 0)
    while app.turn(0.1):
        pass
    newest = app.journal.newest()
    assert newest
    with caplog.at_level(logging.INFO):
        flood(broker.port, 1, alert, 3_000)
        wait_for(lambda: not app.turn(0.3))
    after = app.journal.newest()
    assert after and after.seq - newest.seq <= 10, "ten signatures in an hour, and nothing else"
    lost = next(each for each in app.loop.state.world.alerts if each.id == alert)
    assert (lost.ended_ms, lost.acknowledged_by, lost.seen_by) == (None, None, None)
    lines = [record.getMessage() for record in caplog.records if record.name.startswith("recorder")]
    assert 0 < len(lines) < 20 and all(line.isprintable() for line in lines)
    honest = paho.Client(CallbackAPIVersion.VERSION2)
    honest.connect("127.0.0.1", broker.port)
    honest.loop_start()
    honest.publish("kitchen/line-1/acknowledge", json.dumps({"alert": alert, "by": "JD"}), 1).wait_for_publish(5)

    def in_hand() -> bool:
        app.turn(0)
        return any(each.id == alert and each.acknowledged_by == "JD" for each in app.loop.state.world.alerts)

    wait_for(in_hand)
    honest.disconnect()
    honest.loop_stop()
    app.close()
    broker.stop()


@mosquitto
def test_by_mqtt_5_the_broker_is_told_to_keep_what_is_too_large(tmp_path: Path) -> None:
    """OASIS MQTT 5.0, 3.1.2.11.4: a packet beyond Maximum Packet Size is not sent, and the connection lives on."""
    broker, came = Mosquitto(tmp_path, "allow_anonymous true", "log_type none"), list[int]()
    publisher = MqttPublisher(
        MqttSettings("line-1", port=broker.port), on_answer=lambda what, payload: came.append(len(payload))
    )
    publisher.start()
    wait_for(lambda: bool(publisher.acknowledged()))
    other = paho.Client(CallbackAPIVersion.VERSION2)
    other.connect("127.0.0.1", broker.port)
    other.loop_start()
    for size in (100, LARGEST + 1, 1_000_000, 200):
        other.publish("kitchen/line-1/seen", bytes(size), 1).wait_for_publish(5)
    wait_for(lambda: len(came) >= 2)
    assert came == [100, 200] and publisher.acknowledged() == [] and publisher.connection() == 1
    other.disconnect()
    other.loop_stop()
    publisher.close()
    broker.stop()
