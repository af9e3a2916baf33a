"""The phone page in a real Chromium, on a real mosquitto's WebSockets listener; a paho client stands for the device."""

import json
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from recorder.app import App, open_journal
from recorder.clock import SystemClock
from recorder.commands.records import examine
from recorder.config import load
from recorder.core.events import ProbeLost
from tests.conftest import Performance
from tests.system import needs
from tests.test_mqtt import wait_for

pytestmark = [needs("chromium", "chromium"), needs("chromedriver", "chromium-driver"), needs("mosquitto", "mosquitto")]
AXE = Path("tests/axe/axe.min.js")
"""npm's axe-core 4.14.1, as it was published."""
HOSTILE = "<img src=x onerror=\"document.title='owned'\"><b>Batch 9</b>"


def free_ports(count: int) -> list[int]:
    probes = [socket.socket() for _ in range(count)]
    for probe in probes:
        probe.bind(("127.0.0.1", 0))
    ports = [int(probe.getsockname()[1]) for probe in probes]
    for probe in probes:
        probe.close()
    return ports


class Kitchen:
    """A broker that serves the page, and a device that speaks the contract's topics and hears what the phone says."""

    def __init__(self, folder: Path) -> None:
        self.port, self.web = free_ports(2)
        self._config = folder / "mosquitto.conf"
        page = files("recorder").joinpath("share/page")
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nlistener {self.web} 127.0.0.1\nprotocol websockets\nhttp_dir {page}\n"
            "allow_anonymous true\nlog_type none\nuser root\n"
        )
        self.heard: list[tuple[str, Any]] = []
        self.start()

    def start(self) -> None:
        from paho.mqtt import client as paho

        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self._broker = subprocess.Popen([program, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        for port in (self.port, self.web):
            wait_for(lambda port=port: socket.create_connection(("127.0.0.1", port), 1).close() is None, OSError)
        self._device = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._device.on_message = lambda client, userdata, message: self.heard.append(
            (message.topic, json.loads(message.payload))
        )
        ready: list[int] = []
        self._device.on_subscribe = lambda *_: ready.append(1)
        self._device.connect("127.0.0.1", self.port)
        self._device.loop_start()
        self._device.subscribe([("kitchen/+/acknowledge", 1), ("kitchen/+/seen", 1)])
        wait_for(lambda: bool(ready))

    def kill(self) -> None:
        self._device.loop_stop()
        self._device._sock_close()
        self._broker.send_signal(signal.SIGKILL)
        self._broker.wait(10)

    def close(self) -> None:
        self._device.disconnect()
        self._device.loop_stop()
        self._broker.terminate()
        self._broker.wait(10)

    def tell(self, station: str, topic: str, value: object) -> None:
        self._device.publish(f"kitchen/{station}/{topic}", json.dumps(value), 1, True).wait_for_publish(5)

    def sign(self, station: str, at_ms: int | None = None, **newest: int) -> None:
        """One sign of life, as the station sends it."""
        value = {"at_ms": now_ms() if at_ms is None else at_ms, "newest": newest}
        self._device.publish(f"kitchen/{station}/alive", json.dumps(value), 0).wait_for_publish(5)

    @contextmanager
    def living(self, station: str, ahead_ms: int = 0) -> Iterator[None]:
        """A station that sends signs of life, more often than a real one; its clock is ahead by so much."""
        end = threading.Event()

        def beat() -> None:
            while not end.wait(0.3):
                self.sign(station, now_ms() + ahead_ms)

        heart = threading.Thread(target=beat)
        heart.start()
        try:
            yield
        finally:
            end.set()
            heart.join()

    def said(self, station: str, topic: str) -> list[Any]:
        return [value for at, value in self.heard if at == f"kitchen/{station}/{topic}"]

    def tell_all(self, station: str, now: int) -> None:
        """An invented station in the middle of its work."""
        self.tell(station, "state", {"online": True})
        minute = 60_000
        batches = [
            batch(4, "holding", now, hold_started_ms=now - 75 * minute, hold_limit_ms=now + 15 * minute),
            batch(3, "holding", now, hold_started_ms=now - 92 * minute, hold_limit_ms=now - 2 * minute),
            batch(6, "cooking", now, cook_started_ms=now - 9 * minute, cook_due_ms=now + 3 * minute + 5_000),
            batch(7, "loading", now),
        ]
        self.tell(station, "batches", {"at_ms": now, "open": batches})
        spots = [("thigh", t) for t in (186, 183, 187, 178, 188)] + [("breast", t) for t in (171, 168, 163, 172)]
        self.tell(station, "checks", {"at_ms": now, "checks": [check(p, t, now) for p, t in spots]})
        probes = {"needle": "ok", "cabinet": "no frame for 12 s"}
        health = {"version": "0.1.0", "probes": probes, "hearing": "well", "clock_known": True, "unsent": 2}
        health |= {"charges": {"needle": 12, "vat1": 85}}
        self.tell(station, "health", {"at_ms": now, **health, "free_mb": 2400})
        self.tell(station, "reading/needle", {"at_ms": now, "temp_c": 71.4, "settled": True})


def batch(number: int, stage: str, now: int, **moments: int) -> dict[str, Any]:
    keys = ("cook_started_ms", "cook_due_ms", "hold_started_ms", "hold_limit_ms")
    checks = {"checks_passed": 4 if stage == "holding" else 0, "checks_needed": 4, "proven": stage == "holding"}
    return {"number": number, "vat": 1, "stage": stage, "pieces": 48, **checks, **{k: moments.get(k) for k in keys}}


def check(part: str, temperature: float, now: int) -> dict[str, Any]:
    target = 180 if part == "thigh" else 170
    verdict = "passed" if temperature >= target else "below target" if temperature >= 165 else "below critical limit"
    limits = {"unit": "F", "target": target, "critical_limit": 165, "probe_was": "passed"}
    return {"batch": 4, "part": part, "temperature": temperature, **limits, "verdict": verdict, "at_ms": now - 240_000}


def alert(id: str, level: str, text: str, now: int, **more: object) -> dict[str, Any]:
    plain = {"id": id, "kind": "hold past limit", "level": level, "text": text, "batch": 3, "began_ms": now - 125_000}
    return {**plain, "repeats": 0, "acknowledged_ms": None, "acknowledged_by": None, **more}


def now_ms() -> int:
    return time.time_ns() // 1_000_000


@pytest.fixture(scope="module")
def kitchen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kitchen]:
    kitchen = Kitchen(tmp_path_factory.mktemp("broker"))
    yield kitchen
    kitchen.close()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or "chromium"
    for flag in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options, Service(shutil.which("chromedriver") or "chromedriver"))
    yield driver
    driver.quit()


class Phone:
    """The page of one station, as it is seen and pressed."""

    def __init__(self, driver: Any, web: int) -> None:
        self.driver, self._web = driver, web

    def open(self, station: str = "", dark: bool = False) -> None:
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size(360))
        scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})
        self.driver.get(f"http://127.0.0.1:{self._web}/" + (f"?station={station}" if station else ""))

    def text(self, selector: str) -> str:
        return str(self.js("return document.querySelector(arguments[0])?.innerText ?? ''", selector))

    def press(self, selector: str) -> None:
        self.driver.find_element("css selector", selector).click()

    def js(self, script: str, *arguments: object) -> Any:
        return self.driver.execute_script(script, *arguments)

    def shows(self, selector: str, words: str) -> None:
        try:
            wait_for(lambda: words in self.text(selector))
        except AssertionError:
            raise AssertionError(f"{words!r} is not in {selector}: {self.text(selector)!r}") from None


def size(width: int, height: int = 740) -> dict[str, Any]:
    return {"width": width, "height": height, "deviceScaleFactor": 2, "mobile": True}


@pytest.fixture
def phone(kitchen: Kitchen, chromium: Any) -> Iterator[Phone]:
    phone = Phone(chromium, kitchen.web)
    phone.open()
    phone.js("localStorage.clear()")
    chromium.get_log("browser")
    yield phone
    said = [entry["message"] for entry in chromium.get_log("browser")]
    assert [m for m in said if "favicon" not in m and "WebSocket" not in m and "ERR_CONNECTION" not in m] == []


def test_an_alert_appears_and_is_acknowledged_with_initials_that_are_asked_once(kitchen: Kitchen, phone: Phone) -> None:
    now = now_ms()
    phone.open("answer")
    phone.shows("#none-open", "Not known")
    kitchen.tell("answer", "state", {"online": True})
    kitchen.tell("answer", "open", {"at_ms": now, "alerts": []})
    phone.shows("#none-open", "No open alerts then; not known now")
    kitchen.sign("answer")
    wait_for(lambda: phone.text("#none-open") == "No open alerts")
    first, second = alert("41-x", "warning", "Batch 2: short", now), alert("42-y", "critical", "Batch 3: past", now)
    kitchen.tell("answer", "open", {"at_ms": now, "alerts": [first, second]})
    phone.shows("#alerts li:first-child", "CRITICAL")
    phone.shows("#alerts li:first-child", "Batch 3: past")
    phone.shows("#alerts li:last-child", "WARNING")
    phone.shows("#link", "Live")
    assert "Batch 3: past" in phone.text("#say-alert")
    label = phone.js("return document.querySelector('#alerts button').getAttribute('aria-label')")
    assert label == "Acknowledge: Batch 3: past"
    phone.press("#alerts li:first-child button")
    phone.driver.find_element("id", "initials").send_keys("mk")
    phone.press("#ask-form [type=submit]")
    wait_for(lambda: kitchen.said("answer", "acknowledge") == [{"alert": "42-y", "by": "MK"}])
    phone.shows("#alerts li:first-child button", "Sent")
    phone.press("#alerts li:last-child button")
    wait_for(lambda: len(kitchen.said("answer", "acknowledge")) == 2)
    assert kitchen.said("answer", "acknowledge")[1] == {"alert": "41-x", "by": "MK"}
    second.update(acknowledged_ms=now, acknowledged_by="MK")
    kitchen.tell("answer", "open", {"at_ms": now, "alerts": [first, second]})
    phone.shows("#alerts li:last-child", "Acknowledged by MK")
    assert phone.js("return document.querySelector('#alerts li:last-child button').hidden")


def test_each_alert_is_seen_once_even_when_it_is_told_again_or_the_page_is_loaded_again(
    kitchen: Kitchen, phone: Phone
) -> None:
    now = now_ms()
    alerts = [alert("1-a", "warning", "one", now), alert("2-b", "info", "two", now)]
    kitchen.tell("seen", "open", {"at_ms": now, "alerts": alerts[:1]})
    phone.open("seen")
    wait_for(lambda: len(kitchen.said("seen", "seen")) == 1)
    kitchen.tell("seen", "open", {"at_ms": now, "alerts": [{**each, "repeats": 1} for each in alerts]})
    wait_for(lambda: len(kitchen.said("seen", "seen")) == 2)
    wait_for(lambda: "2-b" in (phone.js("return localStorage['seen kitchen/seen']") or ""))
    phone.open("seen")
    phone.shows("#alerts", "two")
    time.sleep(1.2)  # a tick of the page and a way to the broker
    assert kitchen.said("seen", "seen") == [{"alert": "1-a", "by": "phone"}, {"alert": "2-b", "by": "phone"}]


def test_what_comes_from_the_wire_stays_text(kitchen: Kitchen, phone: Phone) -> None:
    now = now_ms()
    kitchen.tell_all("hostile", now)
    kitchen.tell("hostile", "open", {"at_ms": now, "alerts": [alert("9-h", "critical", HOSTILE, now)]})
    kitchen.tell(
        "hostile", "health", {"at_ms": now, "version": HOSTILE, "probes": {HOSTILE: HOSTILE}, "hearing": HOSTILE}
    )
    kitchen.tell("hostile", "checks", {"at_ms": now, "checks": [{**check("thigh", 185, now), "part": HOSTILE}]})
    phone.open("hostile")
    phone.shows("#alerts .text", HOSTILE)
    phone.shows("#health", HOSTILE)
    phone.shows("#checks h3", HOSTILE)
    assert phone.js("return document.querySelectorAll('img, main b').length") == 0
    assert "owned" not in phone.driver.title


def test_counts_down_draws_checks_and_fits_a_phone_of_360_px(kitchen: Kitchen, phone: Phone) -> None:
    now = now_ms()
    kitchen.tell_all("work", now)
    kitchen.tell("work", "state", {"online": True})
    long = alert("5-l", "critical", "Batch 3: holding " + "unbreakable" * 9, now)
    kitchen.tell("work", "open", {"at_ms": now, "alerts": [long]})
    phone.open("work")
    phone.shows("#cooking .clock", "was left")
    kitchen.sign("work")
    kitchen.tell("work", "reading/needle", {"at_ms": now_ms(), "temp_c": 71.4, "settled": True})
    phone.shows("#link", "Live")
    phone.shows("#holding li:first-child", "past its limit")
    phone.shows("#cooking li:first-child", "left")
    before = phone.text("#cooking .clock span")
    wait_for(lambda: phone.text("#cooking .clock span") != before)
    assert before.startswith(("3:0", "2:5"))
    phone.shows("#health", "Trouble: Probe cabinet: no frame for 12 s")
    phone.shows("#health", "160.5 °F")
    phone.shows("#health", "2.4 GB")
    phone.shows("#health", "Trouble: Battery of needle: 12 %, charge it or change it")
    phone.shows("#health", "Battery of vat1: 85 %")
    marks = "return ['ok', 'low', 'unsafe'].map((c) => document.querySelectorAll(`#checks .${c}`).length)"
    assert phone.js(marks) == [6, 2, 1]
    assert phone.js("return document.documentElement.scrollWidth") == 360
    outside = (
        "return [...document.querySelectorAll('body *')].filter((n) => n.getBoundingClientRect().right > 361).length"
    )
    assert phone.js(outside) == 0
    small = "return [...document.querySelectorAll('button, a, input')].filter((n) => n.offsetParent"
    assert phone.js(f"{small} && n.getBoundingClientRect().height < 48).length") == 0
    phone.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size(820, 1180))
    widest = "return Math.max(...[...document.querySelectorAll('#checks svg')].map((n) => n.clientWidth))"
    assert 200 < phone.js(widest) < 480, "a tablet shows no giant charts"
    kitchen.tell("work", "checks", {"at_ms": now, "checks": [check("wing", 164.96, now), check("leg", 170.0, now)]})
    phone.shows("#checks .chart:first-child", "170.0 °F, passed")
    phone.shows("#checks .chart:last-child", "164.9 °F, below critical limit")


def test_says_that_the_link_is_lost_marks_what_is_old_and_recovers(kitchen: Kitchen, phone: Phone) -> None:
    now = now_ms()
    kitchen.tell_all("lost", now)
    kitchen.tell("lost", "open", {"at_ms": now, "alerts": [alert("7-l", "critical", "Batch 3: past", now)]})
    phone.open("lost")
    wait_for(lambda: phone.text("#link-word") == "Linked")
    kitchen.sign("lost")
    phone.shows("#link", "Live")
    phone.shows("#alerts button", "Acknowledge")
    kitchen.kill()
    phone.shows("#link", "LINK LOST")
    phone.shows("#alerts button", "No link")
    phone.shows("#age-holding", "OLD: as it was")
    phone.shows("#holding .clock", "was")
    assert "LINK LOST" in phone.text("#say-link")
    frozen = phone.text("#cooking .clock span")
    time.sleep(1.2)
    assert phone.text("#cooking .clock span") == frozen
    kitchen.start()  # it kept nothing
    wait_for(lambda: kitchen.sign("lost") or "Live" in phone.text("#link"))
    phone.shows("#age-holding", "OLD: as it was")  # the link is back, but nobody has said how the batches are now
    kitchen.tell_all("lost", now_ms())
    wait_for(lambda: phone.text("#age-holding") == "")
    assert phone.text("#age-holding") == ""


def test_without_a_station_those_that_were_heard_are_offered(kitchen: Kitchen, phone: Phone) -> None:
    kitchen.tell("line-1", "state", {"online": True})
    kitchen.tell("line-2", "state", {"online": False})
    phone.open()
    phone.shows("#stations", "line-1: waiting for its sign of life")
    phone.shows("#stations", "line-2: off")
    kitchen.sign("line-1")
    phone.shows("#stations", "line-1: on")
    phone.press("#stations a[href*='line-1']")
    phone.shows("#title", "line-1")


def test_a_press_on_the_phone_reaches_the_journal(kitchen: Kitchen, phone: Phone, tmp_path: Path) -> None:
    """The recorder itself at the broker's other side."""
    (tmp_path / "station.toml").write_text(f'station = "real-1"\n[mqtt]\nport = {kitchen.port}\n')
    settings = load(tmp_path / "station.toml")
    app = App(settings, open_journal(settings), SystemClock(None), lambda cue: None)
    app.open()
    app.loop.handle(ProbeLost(app.clock.now_ms(), "needle", "open circuit"))
    phone.open("real-1")

    def alerts() -> dict[str, Any]:
        app.turn(0.02)
        (row,) = [row for row in app.journal.table("alerts") if row["kind"] == "probe lost"]
        return row

    wait_for(lambda: alerts() and "Probe needle: open circuit" in phone.text("body"))
    wait_for(lambda: alerts()["seen_by"] is not None)
    phone.press("#alerts button[aria-label*='Probe needle']")
    if phone.driver.find_element("id", "initials").is_displayed():
        phone.driver.find_element("id", "initials").send_keys("mk")
        phone.press("#ask-form [type=submit]")
    wait_for(lambda: alerts()["acknowledged_by"] == "MK")
    wait_for(lambda: alerts() and "MK" in phone.text("#alerts"))
    app.close()
    assert examine(tmp_path / "records.db").faults == ()


def test_the_demo_shows_its_shift_on_the_page(phone: Phone, tmp_path: Path) -> None:
    command = [sys.executable, "-W", "error", "-m", "recorder", "demo", "--page", "--out", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout
        url = program.stdout.readline().removeprefix("The phone page: ").strip()
        try:
            for line in program.stdout:
                if "look at the phone page" in line:
                    break
            phone.driver.get(url)
            phone.shows("#link", "Live")
            phone.shows("#alerts", "batches run colder")
            phone.shows("#alerts", "Acknowledged by MK")
            phone.shows("body", "canteen-line-2")
        finally:
            program.send_signal(signal.SIGINT)
            rest = program.stdout.read()
    assert program.returncode == 0 and "Clean:" in rest


@pytest.mark.parametrize("dark", [False, True])
def test_axe_finds_no_fault(kitchen: Kitchen, phone: Phone, dark: bool) -> None:
    """Against the outside: the rules of axe-core 4.14.1 for WCAG 2.2 A and AA, contrast of 4.5:1 among them."""
    now = now_ms()
    kitchen.tell_all("axe", now)
    levels = ("critical", "warning", "info")
    alerts = [alert(f"{n}-a", level, f"Batch {n}: look", now) for n, level in enumerate(levels)]
    alerts.append(alert("9-z", "critical", "Batch 9: look", now, acknowledged_ms=now, acknowledged_by="MK"))
    kitchen.tell("axe", "open", {"at_ms": now, "alerts": alerts})
    kitchen._device.publish("kitchen/axe/checks", "[]", 1, True).wait_for_publish(5)
    phone.open("axe", dark)
    phone.shows("#alerts", "Batch 9")
    phone.shows("#health", "Version")
    kitchen.sign("axe")
    phone.shows("#link", "NOT ALL CAN BE SHOWN")
    phone.driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    phone.js(AXE.read_text("utf-8"))
    for dialog in ("", "denied = 'This broker asks for a name and a password.'; show(); askAccount()"):
        phone.js(dialog)
        found = phone.driver.execute_async_script("axe.run().then(arguments[0])")
        assert [(fault["id"], [node["html"] for node in fault["nodes"]]) for fault in found["violations"]] == []
        assert "color-contrast" in {rule["id"] for rule in found["passes"]}


def test_the_report_is_fit_for_a_phone_and_a_reader(phone: Phone, performance: Performance) -> None:
    report = performance.database.with_name("report.html")
    phone.driver.get(report.as_uri())
    phone.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size(390))
    assert phone.js("return document.documentElement.scrollWidth") == 390
    phone.js(AXE.read_text("utf-8"))
    found = phone.driver.execute_async_script("axe.run().then(arguments[0])")
    assert [(fault["id"], [node["html"] for node in fault["nodes"]]) for fault in found["violations"]] == []
