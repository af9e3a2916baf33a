"""The phone page in a real Chromium, on a real mosquitto, and the device that speaks to it."""

import json
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from tests.waiting import listens, wait_for

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
        from paho.mqtt.enums import CallbackAPIVersion

        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self._broker = subprocess.Popen([program, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        for port in (self.port, self.web):
            wait_for(partial(listens, port), OSError)
        self._device = paho.Client(CallbackAPIVersion.VERSION2)
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
