"""Brokers for the tests: mosquitto on a free port, and what is sent to it."""

import json
import shutil
import signal
import socket
import subprocess
from functools import partial
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from recorder.clock import Stamp
from recorder.core.events import Tick
from recorder.journal.chain import Entry
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.notices.outbox import Outbox
from tests.appended import append
from tests.system import needs
from tests.waiting import listens, wait_for

STAMP = Stamp(1_772_100_000_000, "boot", 7, 1_772_100_000_000, True)


mosquitto = needs("mosquitto", "mosquitto")


class Mosquitto:
    """A broker of its own on a free port."""

    def __init__(self, folder: Path, *lines: str) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self._config = folder / "mosquitto.conf"
        self._config.write_text("\n".join((f"listener {self.port} 127.0.0.1", "user root", *lines)))
        self.start()

    def start(self) -> None:
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self._child = subprocess.Popen([program, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        wait_for(partial(listens, self.port), OSError)

    def stop(self, how: int = signal.SIGTERM) -> None:
        self._child.send_signal(how)
        self._child.wait(10)


def stepped(box: Outbox) -> bool:
    box.step(0)
    return True


def event(number: int) -> str:
    return json.dumps({"specversion": "1.0", "id": str(number), "source": "/test", "type": "t", "data": {}})


def waiting(folder: Path, count: int) -> Journal:
    journal = Journal.open(folder / "r.db")
    for number in range(count):
        append(journal, STAMP, Tick(number), (), message)
    return journal


def message(entry: Entry, *_: object) -> list[Message]:
    """The message of each entry."""
    return [Message("kitchen/line-1/alerts", event(entry.seq))]


class Broker:
    """mosquitto with a configuration file, on 127.0.0.1."""

    def __init__(self, config: Path, port: int) -> None:
        self.config, self.port = config, port

    def start(self) -> None:
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        with self.config.with_suffix(".log").open("a") as log:
            self._child = subprocess.Popen([program, "-c", str(self.config)], stderr=log)
        wait_for(partial(listens, self.port), OSError)

    def stop(self, how: int = signal.SIGTERM) -> None:
        self._child.send_signal(how)
        self._child.wait(10)


def answers(broker: Broker, user: str | None, word: str, topics: list[str]) -> dict[str, str]:
    """What the broker says, by MQTT 5, to one who publishes on each of these topics."""
    said, tokens = dict[int, str](), dict[str, int]()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_publish = lambda client, userdata, mid, reason, properties: said.update({mid: str(reason)})
    client.on_connect = lambda client, userdata, flags, reason, properties: said.update({0: str(reason)})
    if user:
        client.username_pw_set(user, word)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    wait_for(lambda: 0 in said)
    if said[0] == "Success":
        tokens = {topic: client.publish(topic, b"{}", 1).mid for topic in topics}
        wait_for(lambda: len(said) > len(topics))
    client.disconnect()
    client.loop_stop()
    return {topic: said[token] for topic, token in tokens.items()} if tokens else {"": said[0]}


def refused(found: dict[str, str]) -> list[str]:
    assert set(found.values()) <= {"Success", "No matching subscribers", "Not authorized"}
    return [topic for topic, said in found.items() if said == "Not authorized"]
