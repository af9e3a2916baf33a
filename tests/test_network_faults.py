"""A bad network and bad brokers: nothing is lost, nothing counts as sent that was not acknowledged, and it goes on."""

import logging
import time
from pathlib import Path

import pytest

from recorder.clock import Stamp
from recorder.core.events import Tick
from recorder.journal.journal import Journal, Message
from recorder.notices import mqtt
from recorder.notices.mqtt import MqttPublisher, Subscriber
from recorder.notices.outbox import IN_FLIGHT, Outbox
from recorder.notices.settings import MqttSettings
from tests.faulty import (
    FAULTS,
    NOT_AUTHORIZED,
    Behaviour,
    Proxy,
    ScriptedBroker,
    Visit,
    accept_and_drop,
    mute,
    unreadable,
)
from tests.test_mqtt import STAMP, Mosquitto, event, mosquitto, wait_for, waiting


def quick(publisher: MqttPublisher) -> None:
    """Waits shorter than a kitchen's, so that a test lasts seconds."""
    publisher._client.reconnect_delay_set(0.02, 0.05)


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "RECOVER_S", 0.02)


def ordeal(folder: Path, script: list[Behaviour], protocol: str, messages: int, seconds: float) -> ScriptedBroker:
    """`messages` wait while a broker goes through `script`; all of them arrive, and what must hold is looked at."""
    broker = ScriptedBroker(script)
    publisher = MqttPublisher(MqttSettings("line-1", port=broker.port, protocol=protocol), patience_s=0.3)
    quick(publisher)
    journal = waiting(folder, messages)
    box = Outbox(journal, publisher)
    publisher.start()
    end_s, unsent = time.monotonic() + seconds, set(range(1, messages + 1))
    try:
        while unsent or broker.visits <= len(script):
            box.step(round(time.monotonic() * 1000))
            publisher.latest("health", {"at_ms": time.monotonic_ns()})
            left = {row.id for row in journal.unsent(0, messages)}
            assert left <= unsent
            assert all(event(id) in broker.acknowledged for id in unsent - left), "sent means acknowledged"
            unsent = left
            assert len(publisher._client._out_messages) <= IN_FLIGHT + 10
            if not unsent:
                journal.append(STAMP, Tick(messages), ())
                messages += 1
                unsent = {messages}
            assert time.monotonic() < end_s, f"waited in vain, {len(unsent)} unsent after visit {broker.visits}"
            time.sleep(0.002)
            if broker.visits > len(script) and unsent <= {messages}:
                break
        wait_for(lambda: box.step(0) is not None and box.empty())
        assert {event(id) for id in range(1, messages + 1)} <= broker.acknowledged
    finally:
        publisher.close()
        broker.stop()
        journal.close()
    return broker


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_nothing_is_lost_at_a_broker_that_misbehaves(folder: Path, fault: Behaviour, protocol: str) -> None:
    """Three connections of each fault, then one without."""
    ordeal(folder, [fault] * 3, protocol, 60, 15)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path
