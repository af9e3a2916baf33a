"""The demo as a person sees it, and what its record says."""

import re
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from functools import partial
from io import StringIO
from pathlib import Path
from urllib.request import urlopen

import numpy as np
import paho.mqtt.client as paho
import pytest
import zxingcpp
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode
from rich.console import Console
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.core import alerts
from recorder.core.effects import Notice
from recorder.core.station import State, step
from recorder.demo import qr, story
from recorder.demo.broker import HERE, PHONE, PageBroker, network_address
from recorder.demo.show import Show
from recorder.journal.reader import Reader
from recorder.verification.examine import examine
from tests.conftest import Performance
from tests.phone_page import free_ports
from tests.system import needs
from tests.tampering import unguarded
from tests.waiting import listens, wait_for

STORY = {
    alerts.RECORDER_STARTED: 1,
    alerts.CHECK_BELOW_TARGET: 2,
    alerts.HOLD_NEAR_LIMIT: 2,
    alerts.HOLD_PAST_LIMIT: 3,
    alerts.PROBE_LOST: 2,
    alerts.OIL_OUTSIDE_BAND: 2,
    alerts.DRIFT: 2,
}
"""Kind of alert of today -> messages about it: that it began, again, is over, or is in somebody's hand."""
YESTERDAY = 1
"""Messages from yesterday, which wait in the records until today: that the recorder started."""


def test_it_ends_well(performance: Performance) -> None:
    assert "Clean:" in performance.output
    assert str(performance.database) in performance.output
    assert "<h2>Deviations</h2>" in performance.database.with_name("report.html").read_text("utf-8")


def test_the_shift_is_about_ninety_minutes(performance: Performance) -> None:
    journal = Reader.open(performance.database)
    times = [event.at_ms for _, event in journal.entries() if event.at_ms >= story.START_MS]
    journal.close()
    assert 80 < (times[-1] - times[0]) / 60_000 < 100


def test_each_alert_of_the_story_reached_the_phone_once(performance: Performance) -> None:
    journal = Reader.open(performance.database)
    rows = [row for row in journal.table("alerts") if row["began_ms"] >= story.START_MS]
    journal.close()
    assert {row["kind"] for row in rows} == STORY.keys() and len(rows) == len(STORY)
    assert performance.output.count("Recorder at canteen-line-2 started") == 1, "yesterday's is not told today"
    lines = performance.output.splitlines()
    assert "…" not in performance.output and max(map(len, lines)) <= 80, "its tables fit 80 columns"
    assert any(line.split()[:1] == ["1"] and line.split()[-1:] == ["discarded"] for line in lines)
    shown = performance.output[performance.output.index("Alerts") :]
    counts = [int(line.split()[-1]) for line in shown.splitlines() if line[:1].isdigit() and line.split()[-1].isdigit()]
    assert Counter(counts) == Counter(STORY.values())


def test_the_story_holds(performance: Performance) -> None:
    journal = Reader.open(performance.database)
    before = len(story.YESTERDAY)
    batches = journal.table("batches")[before:]
    told = journal.table("alerts")
    loads, checks, commands = journal.table("loads"), journal.table("checks"), journal.table("commands")
    corrections, (_, probe_check) = journal.table("corrections"), journal.table("probe_checks")
    journal.close()
    assert [(row["number"], row["outcome"], row["discarded_pieces"]) for row in batches] == [
        (1, "discarded", 36),
        (2, "sold", None),
        (3, "sold", None),
    ]
    assert [row["part"] for row in loads if row["struck"]] == ["wing"]
    assert Counter(row["verdict"] for row in checks[before * 4 :]) == {"passed": 13, "below target": 1}
    surely = [(row["settle_seconds"], row["uncertainty_c"]) for row in checks[before * 4 :]]
    assert all(settle_s < 26 and half_c < 3.6 for settle_s, half_c in surely), (
        "a needle that lags as one of 1.6 mm does"
    )
    assert (probe_check["how"], probe_check["verdict"]) == ("ice point", "passed")
    assert {row["probe_was"] for row in checks} == {"passed"}
    (drift,) = [row for row in told if row["kind"] == alerts.DRIFT]
    assert "batch 1 183." in drift["text"] and drift["acknowledged_by"] == "MK"
    assert len(corrections) == 1
    assert [row["outcome"] for row in commands].count("not understood") == 1
    assert "refused" not in {row["outcome"] for row in commands}


def test_replay_gives_the_same_rows_and_alerts(performance: Performance) -> None:
    assert examine(performance.database).faults == ()
    journal = Reader.open(performance.database)
    state, told = State(), []
    for _, event in journal.entries():
        state, effects = step(state, event)
        told += [f"alert.{effect.change}" for effect in effects if isinstance(effect, Notice)]
    sent = list(journal.rows("SELECT body FROM outbox WHERE sent_ms IS NOT NULL ORDER BY id"))
    journal.close()
    assert len(told) == len(sent) == sum(STORY.values()) + YESTERDAY


def test_one_changed_byte_is_found(performance: Performance, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(performance.database, copy)
    with unguarded(copy) as connection:
        connection.execute(
            "UPDATE journal SET body = replace(body, 'hold start', 'hold staru') WHERE seq = 200 OR seq = 201"
        )
        (row,) = connection.execute("SELECT min(seq) FROM journal WHERE kind = 'heard'").fetchone()
        connection.execute("UPDATE journal SET body = replace(body, 'shift', 'shirt') WHERE seq = ?", (row,))
    finding = examine(copy)
    assert (finding.faults[0].table, finding.faults[0].row) == ("journal", row)


def test_it_says_first_how_long_it_takes_and_what_it_waits_for(performance: Performance) -> None:
    """Without a terminal as plain lines; the length of the shift is the record's own, to the minute."""
    first, second, *_ = performance.output.splitlines()
    journal = Reader.open(performance.database)
    times = [event.at_ms for _, event in journal.entries() if event.at_ms >= story.START_MS]
    journal.close()
    minutes = (times[-1] - times[0]) // 60_000
    assert first == f"{minutes} minutes of an invented shift, in fast motion: this takes about a minute."
    assert second == "Loading the recogniser's model ..." and "\x1b" not in performance.output


def test_on_a_terminal_a_bar_runs_while_it_waits() -> None:
    screen = StringIO()
    show = Show(Console(file=screen, force_terminal=True, width=80))
    with show.loading("Loading"):
        time.sleep(0.4)
    drawn = re.findall(r"Loading .*?\d:\d\d:\d\d", screen.getvalue())
    assert len(drawn) > 2 and len(set(drawn)) > 1, "it moves"
    assert screen.getvalue().endswith("\x1b[2K"), "and is wiped out"


def test_a_phone_reads_the_code_as_it_is_drawn() -> None:
    """By another reader of ISO/IEC 18004, ZXing, from the characters of the terminal: dark on light."""
    url = "http://192.168.178.201:65535/?station=canteen-line-2"
    rows = []
    for line in qr.lines(url):
        rows.append([each in "\N{UPPER HALF BLOCK}\N{FULL BLOCK}" for each in line])
        rows.append([each in "\N{LOWER HALF BLOCK}\N{FULL BLOCK}" for each in line])
    assert {len(row) for row in rows} == {len(rows[0])} and len(rows[0]) < 60 and len(rows) // 2 <= 20
    picture = np.kron(np.where(rows, 0, 255), np.ones((4, 4))).astype(np.uint8)
    assert [found.text for found in zxingcpp.read_barcodes(picture)] == [url]


def test_on_a_terminal_the_code_stands_beside_the_password() -> None:
    for is_terminal in (True, False):
        screen = StringIO()
        Show(Console(file=screen, force_terminal=is_terminal, width=80)).page("http://192.0.2.7:80/", "abcd-efgh")
        assert "abcd-efgh" in screen.getvalue() and ("\N{FULL BLOCK}" in screen.getvalue()) is is_terminal


def test_there_is_no_page_without_a_password_on_a_network() -> None:
    with pytest.raises(ValueError, match=r"the page at 192\.0\.2\.7 needs a password"):
        PageBroker(1, 2, "line-1", "192.0.2.7")


@needs("mosquitto", "mosquitto")
def test_only_who_has_the_password_gets_in_from_the_network(tmp_path: Path) -> None:
    """Reason 135 of MQTT 5 (3.4.2.1), "Not authorized"; and the recorder's own port does not answer there at all."""
    address, (port, web) = network_address(), free_ports(2)
    broker = PageBroker(port, web, "line-1", address, "abcd-efgh")
    broker.start()
    try:
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((address, port), 5)
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((HERE, web), 5)
        wait_for(lambda: "Fry station" in urlopen(f"http://{address}:{web}/", timeout=5).read().decode(), OSError)
        topics = [f"kitchen/line-1/{what}" for what in ("acknowledge", "seen", "open", "demo")]
        for user, word in ((None, ""), (PHONE, "guess"), ("canteen-line-2", "abcd-efgh")):
            assert answered(address, web, user, word, topics) == {"": "Not authorized"}
        answer = answered(address, web, PHONE, "abcd-efgh", topics)
        assert [topic for topic, why in answer.items() if why == "Not authorized"] == topics[2:]
    finally:
        broker.stop()


@needs("mosquitto", "mosquitto")
def test_the_broker_ends_with_the_demo_however_that_ends() -> None:
    port, web = free_ports(2)
    code = (
        f"import time; from recorder.demo.broker import PageBroker as P; P({port}, {web}, 'a').start(); time.sleep(99)"
    )
    with subprocess.Popen([sys.executable, "-c", code]) as program:
        wait_for(partial(listens, port), OSError)
        program.kill()
    with pytest.raises(OSError, match="refused"):
        wait_for(lambda: not listens(port))


def answered(address: str, port: int, user: str | None, word: str, topics: list[str]) -> dict[str, str]:
    """What the broker answers to a connection by websocket, and to a message on each topic."""
    found: dict[str, str] = {}
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, transport="websockets")
    client.ws_set_options("/mqtt")
    names: dict[int, str] = {}
    ready = threading.Event()

    def connected(client: paho.Client, userdata: object, flags: object, reason: ReasonCode, more: object) -> None:
        if reason.is_failure:
            found[""] = str(reason)
        ready.set()

    client.on_connect = connected
    client.on_publish = lambda client, userdata, mid, reason, more: found.update({names[mid]: str(reason)})
    if user:
        client.username_pw_set(user, word)
    client.connect(address, port)
    client.loop_start()
    try:
        assert ready.wait(10)
        for topic in [] if found else topics:
            names[client.publish(topic, "{}", 1).mid] = topic
        wait_for(lambda: len(found) == len(topics) or "" in found)
    finally:
        client.disconnect()
        client.loop_stop()
    return found


def test_a_folder_that_cannot_be_made_is_named() -> None:
    done = CliRunner().invoke(app, ["demo", "--out", "/proc/demo"])
    assert (done.exit_code, "/proc/demo can't be created" in done.output) == (2, True), done.output


def test_a_probe_that_the_demo_has_not_is_refused() -> None:
    done = CliRunner().invoke(app, ["demo", "--probe", "magic"])
    assert done.exit_code == 2
    assert "use one of serial, ble-sim, modbus-sim, micropython" in done.output
