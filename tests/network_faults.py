"""Outboxes in front of brokers and wires that fail."""

import time
from itertools import pairwise
from pathlib import Path

from recorder.core.events import Tick
from recorder.demo.subscriber import Subscriber
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.outbox import IN_FLIGHT, Outbox
from recorder.notices.settings import MqttSettings
from tests.appended import append
from tests.brokers import STAMP, event, message, waiting
from tests.faulty import (
    Behaviour,
    Proxy,
    ScriptedBroker,
)
from tests.waiting import wait_for


def quick(publisher: MqttPublisher) -> None:
    """Waits shorter than a kitchen's, so that a test lasts seconds."""
    publisher._client.reconnect_delay_set(0.02, 0.05)


def ordeal(folder: Path, script: list[Behaviour], protocol: str, messages: int, seconds: float) -> ScriptedBroker:
    """`messages` wait while a broker goes through `script`; all of them arrive, and what must hold is looked at."""
    broker = ScriptedBroker(script)
    publisher = MqttPublisher(MqttSettings("line-1", port=broker.port, protocol=protocol), patience_s=0.3)
    quick(publisher)
    journal = waiting(folder, messages)
    box = Outbox(journal.outbox, publisher)
    publisher.start()
    end_s, unsent = time.monotonic() + seconds, set(range(1, messages + 1))
    try:
        while unsent or broker.visits <= len(script):
            if not unsent:  # so that the rest of the script has something to do its worst to
                messages += 1
                append(journal, STAMP, Tick(messages), (), message)
                unsent = {messages}
            box.step(round(time.monotonic() * 1000))
            publisher.latest("health", {"at_ms": time.monotonic_ns()})
            left = {row.id for row in journal.outbox.unsent(0, messages)}
            assert left <= unsent
            assert all(event(id) in broker.acknowledged for id in unsent - left), "sent means acknowledged"
            unsent = left
            assert len(publisher._client._out_messages) <= IN_FLIGHT + 10, "memory is bounded"
            assert time.monotonic() < end_s, f"waited in vain: {len(unsent)} unsent, connection {broker.visits}"
            time.sleep(0.002)
        assert {event(id) for id in range(1, messages + 1)} <= broker.acknowledged
    finally:
        publisher.close()
        broker.stop()
        journal.close()
    return broker


def broken_wire(folder: Path, port: int, messages: int, cuts: int) -> dict[str, int]:
    """`messages` over a wire that is cut so often, evenly spread: how many arrived, doubles, and any out of order."""
    wire, order = Proxy(port), list[str]()
    phone = Subscriber("127.0.0.1", port, "kitchen/#", "5", seen=lambda value: order.append(value["id"]))
    publisher = MqttPublisher(MqttSettings("line-1", port=wire.port))
    quick(publisher)
    publisher.start()
    journal = waiting(folder, messages)
    box, done = Outbox(journal.outbox, publisher), 0
    wait_for(lambda: phone.ready(0))
    end_s = time.monotonic() + 30 + cuts
    while not box.empty() or len(order) < messages:
        box.step(0)
        if done < cuts and box.sent >= messages * (done + 0.5) / cuts and publisher.connection():
            wire.cut()
            done += 1
            wait_for(lambda: publisher.acknowledged() is not None and not publisher.connected())
        assert time.monotonic() < end_s
        time.sleep(0.0005)
    found = {"cuts": done, "arrived": len(order), "doubles": phone.doubles}
    publisher.close()
    phone.close()
    wire.stop()
    journal.close()
    return found | {"disorder": sum(int(b) < int(a) for a, b in pairwise(order))}
