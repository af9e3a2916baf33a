"""A bad network and bad brokers: nothing is lost, nothing counts as sent that was not acknowledged, and it goes on."""

import logging
import threading
import time
from pathlib import Path

import pytest

from recorder.demo.subscriber import Subscriber
from recorder.notices import client, mqtt
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.outbox import Outbox
from recorder.notices.settings import MqttSettings
from tests.brokers import Mosquitto, mosquitto, stepped, waiting
from tests.faulty import (
    FAULTS,
    NOT_AUTHORIZED,
    Behaviour,
    Proxy,
    ScriptedBroker,
    Visit,
    accept_and_drop,
    mute,
)
from tests.network_faults import broken_wire, ordeal, quick
from tests.waiting import wait_for


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(client, "RECOVER_S", 0.02)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_nothing_is_lost_at_a_broker_that_misbehaves(tmp_path: Path, fault: Behaviour, protocol: str) -> None:
    """Three connections of each fault, then one without."""
    ordeal(tmp_path, [fault] * 3, protocol, 60, 15)


def test_the_network_thread_outlives_what_paho_does_not_expect(caplog: pytest.LogCaptureFixture) -> None:
    """Field bug of 2026-11-26: a host name that can be none ended paho's thread, and nothing was ever told."""
    links: list[tuple[bool, str]] = []
    with caplog.at_level(logging.WARNING):
        publisher = MqttPublisher(MqttSettings("line-1", host="a..b"), lambda up, reason: links.append((up, reason)))
        publisher.start()
        thread = next(each for each in threading.enumerate() if each.name == "paho-mqtt-client-kitchen-line-1")
        wait_for(lambda: publisher.acknowledged() == [] and bool(links))
        time.sleep(0.2)
        assert thread.is_alive() and publisher.acknowledged() == []
        publisher.close()
    assert links == [(False, links[0][1])] and "UnicodeError" in links[0][1]
    assert caplog.text.count("the connection failed") == 1, "said once"


def test_a_flapping_broker_fills_neither_log_nor_journal(caplog: pytest.LogCaptureFixture) -> None:
    """Connections that end before anything was acknowledged are told as one loss; those that flap, a few times."""
    links: list[bool] = []

    def brief(visit: Visit) -> None:
        visit.hello()
        for token, _, body in visit.publishes():
            visit.acknowledge(token, body)
            time.sleep(0.03)
            return

    broker = ScriptedBroker([*[accept_and_drop] * 10, *[brief] * 15, *[accept_and_drop] * 100])
    publisher = MqttPublisher(MqttSettings("line-1", port=broker.port), lambda up, reason: links.append(up))
    quick(publisher)
    with caplog.at_level(logging.INFO):
        publisher.start()
        wait_for(lambda: publisher.acknowledged() is not None and broker.visits > 10)
        assert links[:1] == [False] and len(links) <= 2, "ten losses, of connections that were none, are told as one"
        wait_for(lambda: publisher.acknowledged() is not None and broker.visits > 30)
        publisher.close()
        broker.stop()
    assert links == [False, *[True, False] * mqtt.FLAPS]
    assert caplog.text == ""


def test_a_mute_broker_is_told_once_and_left(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO):
        broker = ordeal(tmp_path, [mute] * 4, "5", 5, 15)
    assert broker.visits == 5 and caplog.text.count("acknowledged nothing for") == 1


def test_what_an_access_list_refuses_is_told_once_over_connections(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """MQTT 5, reason 135. In 3.1.1 an acknowledgement has no reason: a broker that drops looks like one that takes."""

    def refuse(visit: Visit) -> None:
        visit.hello()
        for number, (token, topic, body) in enumerate(visit.publishes()):
            visit.acknowledge(token, body, NOT_AUTHORIZED if topic.endswith("alerts") else 0)
            if number > 30:
                return

    with caplog.at_level(logging.WARNING):
        broker = ordeal(tmp_path, [refuse] * 4, "5", 60, 15)
    assert broker.refused and broker.refused <= broker.acknowledged, "each was tried again until it was taken"
    assert caplog.text.count("refuses message") == 1


@mosquitto
def test_a_half_open_wire_is_found_and_nothing_is_lost(tmp_path: Path) -> None:
    """The other end is gone and TCP does not know: what was given into the void goes again."""
    broker = Mosquitto(tmp_path, "allow_anonymous true", "log_type none")
    wire, links, order = Proxy(broker.port), list[tuple[bool, str]](), list[str]()
    phone = Subscriber("127.0.0.1", broker.port, "kitchen/#", "5", seen=lambda value: order.append(value["id"]))
    publisher = MqttPublisher(
        MqttSettings("line-1", port=wire.port, keepalive_s=1), lambda up, reason: links.append((up, reason))
    )
    quick(publisher)
    publisher.start()
    wait_for(lambda: publisher.acknowledged() is not None and bool(links) and phone.ready(0))
    wire.freeze()
    journal = waiting(tmp_path, 300)
    box = Outbox(journal.outbox, publisher)
    box.step(0)
    assert journal.outbox.count_unsent() == 300
    wait_for(lambda: stepped(box) and box.empty() and len(order) == 300)
    assert order == [str(number) for number in range(1, 301)]
    assert [up for up, _ in links] == [True, False, True] and "Keep alive" in links[1][1]
    publisher.close()
    phone.close()
    wire.stop()
    broker.stop()
    journal.close()


@mosquitto
def test_a_subscriber_drops_the_doubles_of_a_wire_that_is_cut_again_and_again(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path, "allow_anonymous true", "log_type none")
    cuts = broken_wire(tmp_path, broker.port, 600, 8)
    broker.stop()
    assert cuts["cuts"] == 8 and cuts["arrived"] == 600 and cuts["disorder"] == 0 and cuts["doubles"] > 0
