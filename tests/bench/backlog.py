"""A week without the broker, and its return: `python -m tests.bench.backlog [--messages 200000]`.

Messages wait on disk as the outbox leaves them. A station's own parts then meet a mosquitto and send them all, by their
turns alone. Bare: a plain paho loop gives the same bodies to the same broker. A child process listens to both: it
counts, drops doubles by source and id, and looks at the order in each topic. Figures: rates, their ratio, memory.
"""

import argparse
import json
import multiprocessing
import shutil
import tempfile
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from recorder.app import App, open_journal
from recorder.clock import ManualClock, Stamp
from recorder.config import load
from recorder.core.events import Tick
from recorder.demo.subscriber import Subscriber
from recorder.journal.chain import Entry
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.journal.reader import Reader
from tests.appended import append
from tests.bench.alert_path import broker, free_port

WEEK_MS = 7 * 24 * 3_600_000
BEGIN_MS = 1_772_100_000_000
PER_ENTRY = 20
"""Messages of one commit, so that making them takes a minute and not an hour."""

TOPICS = ("alerts", "records", "journal")
CONFIG = "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 0\nlog_type none\n"
PATIENCE_S = 1800.0


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--messages", type=int, default=200_000)
    args = options.parse_args()
    if shutil.which("mosquitto") is None:
        raise SystemExit("the bench needs mosquitto: apt install mosquitto")
    with tempfile.TemporaryDirectory() as name:
        worst = measure(Path(name), args.messages)
    if worst:
        raise SystemExit(worst)


def measure(folder: Path, messages: int) -> str:
    """What does not hold, or ""."""
    port = free_port()
    config = folder / "station.toml"
    config.write_text(f'station = "line-1"\n[mqtt]\nport = {port}\npublish = "all"\n')
    settings = load(config)
    fill(settings.database, messages)
    clock = ManualClock(BEGIN_MS + WEEK_MS)
    journal = open_journal(settings)
    app = App(settings, journal, clock, lambda cue: None)
    app.open()
    before_kb = resident_kb()
    for _ in range(200):  # the broker is still away
        clock.advance(60_000)
        app.turn(0.001)
    away_kb, waiting = resident_kb(), journal.outbox.count_unsent()
    program = broker(folder, "broker", CONFIG.format(port=port))
    try:
        with listening(port, "kitchen/+/+") as ear:
            took_s, peak_kb = drain(app, waiting)
            ours = ear.heard(waiting)
        app.close()
        with listening(port, "bare/+/+") as ear:
            bare_s = plain(settings.database, port, waiting)
            bare = ear.heard(waiting)
    finally:
        program.terminate()
        program.wait()
    print(f"waiting on disk {waiting}, database {settings.database.stat().st_size / 1e6:.0f} MB")
    print(f"memory: {before_kb / 1024:.1f} MB before, {away_kb / 1024:.1f} away, {peak_kb / 1024:.1f} in the drain")
    for label, seconds, heard in (("ours", took_s, ours), ("plain paho", bare_s, bare)):
        print(f"{label:11} {waiting / seconds:8.0f} /s in {seconds:6.1f} s; arrived {heard}")
    print(f"a plain loop is {took_s / bare_s:.2f} times as fast")
    wrong = [
        what
        for what, true in (
            ("some did not arrive", ours["new"] < waiting),
            ("some came out of order", ours["disorder"] != 0),
            ("slower than a third of a plain loop", took_s > 3 * bare_s),
            ("memory grew by more than 20 MB", peak_kb - before_kb > 20_480),
        )
        if true
    ]
    return "; ".join(wrong)


def fill(database: Path, messages: int) -> None:
    """A journal with so many messages, `PER_ENTRY` in each entry, over a week."""

    def post(entry: Entry, *_: object) -> list[Message]:
        return [message(entry.seq, place) for place in range(PER_ENTRY)]

    journal = Journal.open(database)
    entries = messages // PER_ENTRY
    for number in range(entries):
        at_ms = BEGIN_MS + WEEK_MS * number // entries
        append(journal, Stamp(at_ms, "boot", at_ms - BEGIN_MS, at_ms, True), Tick(at_ms), (), post)
    journal.close()


def message(seq: int, place: int) -> Message:
    """As long as an alert, numbered so that order can be seen."""
    data = {"station": "line-1", "number": seq * 1000 + place, "text": "x" * 350}
    body = {
        "specversion": "1.0",
        "id": f"{seq}-{place}",
        "source": "/stations/line-1/journals/backlog",
        "type": "t",
        "time": "2026-02-26T10:00:00.000+00:00",
        "datacontenttype": "application/json",
        "data": data,
    }
    return Message(f"kitchen/line-1/{TOPICS[place % len(TOPICS)]}", json.dumps(body, separators=(",", ":")))


def drain(app: App, waiting: int) -> tuple[float, int]:
    """Seconds from the first connection until nothing waits, and the most memory that was seen, in kB."""
    assert app.uplink
    end_s = time.monotonic() + PATIENCE_S
    while not app.uplink.publisher.connected():
        app.turn(0.01)
        patient(end_s)
    begin_s, peak_kb, looked_s = time.monotonic(), resident_kb(), 0.0
    while app.uplink.outbox.sent < waiting:
        app.turn()
        if time.monotonic() - looked_s > 0.5:
            looked_s = time.monotonic()
            peak_kb = max(peak_kb, resident_kb())
            patient(end_s)
    return time.monotonic() - begin_s, max(peak_kb, resident_kb())


def plain(database: Path, port: int, most: int) -> float:
    """Seconds in which paho alone gives the same bodies to the broker, and has them acknowledged."""
    journal = Reader.open(database)
    bodies = [
        (topic.replace("kitchen", "bare"), body)
        for topic, body in journal.rows("SELECT topic, body FROM outbox ORDER BY id LIMIT ?", most)
    ]
    journal.close()
    client, done, came = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5), threading.Event(), [0]

    room = threading.Semaphore(10_000)  # paho silently drops what comes while 65,535 are not acknowledged

    def published(*_: object) -> None:
        came[0] += 1
        room.release()
        if came[0] == len(bodies):
            done.set()

    client.on_publish = published
    client.connect("127.0.0.1", port)
    client.loop_start()
    begin_s = time.monotonic()
    for topic, body in bodies:
        room.acquire()
        client.publish(topic, body, 1)
    if not done.wait(PATIENCE_S):
        raise SystemExit("the plain loop did not end")
    seconds = time.monotonic() - begin_s
    client.disconnect()
    client.loop_stop()
    return seconds


class listening:
    """A child process that subscribes, so that it takes no time from the one that is measured."""

    def __init__(self, port: int, topic: str) -> None:
        self._pipe, far = multiprocessing.get_context("spawn").Pipe()
        self._child = multiprocessing.get_context("spawn").Process(target=listen, args=(far, port, topic), daemon=True)
        self._child.start()
        if not self._pipe.poll(30) or self._pipe.recv() != "ready":
            raise SystemExit("the listener does not reach the broker")

    def __enter__(self) -> "listening":
        return self

    def __exit__(self, *_: object) -> None:
        self._pipe.send("stop")
        self._child.join(10)

    def heard(self, wanted: int) -> dict[str, int]:
        """What arrived: new ones, doubles, and those before an earlier number of their topic."""
        end_s, last = time.monotonic() + 60, {"new": 0}
        while last["new"] < wanted and time.monotonic() < end_s:
            self._pipe.send("count")
            last = self._pipe.recv()
            time.sleep(0.1)
        return last


def listen(pipe: Connection, port: int, topic: str) -> None:
    newest: dict[tuple[str, str], int] = {}
    disorder = 0

    def seen(value: dict[str, object]) -> None:
        nonlocal disorder
        seq, place = str(value["id"]).split("-")
        if not place.isdigit():
            return
        key, number = (str(value["source"]), str(int(place) % len(TOPICS))), int(seq) * 1000 + int(place)
        disorder += number < newest.get(key, 0)
        newest[key] = max(number, newest.get(key, 0))

    phone = Subscriber("127.0.0.1", port, topic, "5", seen)
    if phone.ready(20):
        pipe.send("ready")
    while pipe.recv() == "count":
        pipe.send({"new": len(phone.messages), "doubles": phone.doubles, "disorder": disorder})
    phone.close()


def patient(end_s: float) -> None:
    if time.monotonic() > end_s:
        raise SystemExit(f"waited {PATIENCE_S:.0f} s in vain")


def resident_kb() -> int:
    """What this process holds of the machine's memory now."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))


if __name__ == "__main__":
    main()
