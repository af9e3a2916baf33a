"""The phone page in a real Chromium, on a real mosquitto's WebSockets listener; a paho client stands for the device."""

import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from recorder.app import App, open_journal
from recorder.clock import SystemClock
from recorder.config import load
from recorder.core.events import ProbeLost
from recorder.verification.examine import examine
from tests.conftest import Performance
from tests.phone_page import HOSTILE, Kitchen, Phone, alert, check, chromium, kitchen, now_ms, phone, size
from tests.system import needs
from tests.waiting import wait_for

__all__ = ["chromium", "kitchen", "phone"]

pytestmark = [needs("chromium", "chromium"), needs("chromedriver", "chromium-driver"), needs("mosquitto", "mosquitto")]
AXE = Path("tests/axe/axe.min.js")
"""npm's axe-core 4.14.1, as it was published."""


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

    def live() -> bool:
        kitchen.sign("lost")
        return "Live" in phone.text("#link")

    wait_for(live)
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
        address = next(line for line in program.stdout if line.startswith("The phone page: "))
        try:
            phone.driver.get(address.removeprefix("The phone page: ").strip())
            seen = set()
            for line in program.stdout:
                seen.add(phone.text("header"))
                if "The shift is over." in line:
                    break
            assert any("Live" in text and "Demo: a shift in fast motion" in text for text in seen)
            assert not [text for text in seen if "apart" in text], "its clock is no fault"
            phone.shows("#link", "Live")
            phone.shows("header", "Demo: a shift in fast motion")
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
