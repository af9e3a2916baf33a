"""How long an alert takes to the far end of a bridge: `python -m tests.bench.alert_path [--alerts 200]`.

Two mosquitto brokers on this machine, the device's bridged to the remote one. Ours: from the event that raises an
alert, through the station, the commit with synchronous=FULL, the outbox and paho, to a subscriber at the remote broker.
Bare: from paho's `publish` of a message as long, to the same subscriber. One after the other, in turns.
"""

import argparse
import json
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median, quantiles

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import load
from recorder.core.events import ProbeLost, Reading
from recorder.demo.subscriber import Subscriber

STATION = 'station = "line-1"\n[mqtt]\nport = {port}\n'
BROKER = "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
BRIDGE = (
    "connection remote\naddress 127.0.0.1:{remote}\nremote_clientid line-1-bridge\ntopic # out 1\ntry_private false\n"
)
PATIENCE_S = 10.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def broker(folder: Path, name: str, text: str) -> "subprocess.Popen[bytes]":
    (folder / f"{name}.conf").write_text(text)
    return subprocess.Popen(["mosquitto", "-c", str(folder / f"{name}.conf")], stderr=subprocess.DEVNULL)


def until(done: Callable[[], bool], what: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not done():
        if time.monotonic() > end_s:
            raise SystemExit(f"waited {PATIENCE_S:.0f} s in vain until {what}")
        time.sleep(0.0002)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--alerts", type=int, default=200)
    args = options.parse_args()
    if shutil.which("mosquitto") is None:
        raise SystemExit("the bench needs mosquitto: apt install mosquitto")
    near, far = free_port(), free_port()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        brokers = [broker(folder, "far", BROKER.format(port=far))]
        time.sleep(0.3)
        brokers.append(broker(folder, "near", BROKER.format(port=near) + BRIDGE.format(remote=far)))
        try:
            measure(folder, near, far, args.alerts)
        finally:
            for each in brokers:
                each.terminate()
                each.wait()


def measure(folder: Path, near: int, far: int, alerts: int) -> None:
    (folder / "station.toml").write_text(STATION.format(port=near))
    settings = load(folder / "station.toml")
    clock, came = ManualClock(1_772_100_000_000), threading.Semaphore(0)
    app = App(settings, open_journal(settings), clock, lambda cue: None)
    phone = Subscriber("127.0.0.1", far, "kitchen/line-1/alerts", "5", seen=lambda message: came.release())
    bare = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    bare.connect("127.0.0.1", near)
    bare.loop_start()
    app.open()
    assert app.uplink
    publisher = app.uplink.publisher
    assert phone.ready(PATIENCE_S)
    until(publisher.connected, "the recorder reaches its broker")
    ours_ms, bare_ms = list[float](), list[float]()
    for number in range(alerts):
        clock.advance(60_000)
        begin = time.perf_counter()
        app.loop.handle(ProbeLost(clock.now_ms(), "needle", f"reason {number}"))
        arrived(app, came)
        ours_ms.append((time.perf_counter() - begin) * 1000)
        body = json.dumps({"specversion": "1.0", "source": "bare", "id": str(number), "data": "x" * 500})
        begin = time.perf_counter()
        bare.publish("kitchen/line-1/alerts", body, 1)
        arrived(None, came)
        bare_ms.append((time.perf_counter() - begin) * 1000)
        app.loop.handle(Reading(clock.now_ms(), "needle", 30.0))
        clock.advance(40_000)
        while app.turn(0):
            pass
        arrived(app, came)  # that it is over
    bare.loop_stop()
    app.close()
    phone.close()
    for label, times in (("ours", ours_ms), ("bare publish", bare_ms)):
        print(f"{label:14} median {median(times):6.2f} ms   p95 {quantiles(times, n=20)[-1]:6.2f} ms")
    ratio = quantiles(ours_ms, n=20)[-1] / quantiles(bare_ms, n=20)[-1]
    print(f"ratio of p95, {alerts} alerts: {ratio:.2f}")


def arrived(app: App | None, came: threading.Semaphore) -> None:
    """Wait for one message at the far end; the recorder turns meanwhile."""
    end_s = time.monotonic() + PATIENCE_S
    while not came.acquire(timeout=0 if app else PATIENCE_S):
        if time.monotonic() > end_s:
            raise SystemExit("a message did not come")
        if app:
            app.turn(0.0005)


if __name__ == "__main__":
    main()
