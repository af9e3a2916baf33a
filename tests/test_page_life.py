"""When the phone page says "Live", in a real Chromium: what arrives now counts, and no time stamp does.

Each of these stations looked alive to an earlier page: it believed stamps and what brokers keep.
"""

import os
import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.phone_page import Kitchen, Phone, alert, batch, check, chromium, kitchen, now_ms, phone
from tests.system import needs
from tests.waiting import wait_for

__all__ = ["chromium", "kitchen", "phone"]

pytestmark = [needs("chromium", "chromium"), needs("chromedriver", "chromium-driver"), needs("mosquitto", "mosquitto")]
DAY_MS = 86_400_000


def reading(kitchen: Kitchen, station: str, at_ms: int, retain: bool = False) -> None:
    body = f'{{"at_ms": {at_ms}, "temp_c": 71.0, "settled": true}}'
    kitchen._device.publish(f"kitchen/{station}/reading/needle", body, 1, retain).wait_for_publish(5)


def leap(phone: Phone, ms: int) -> None:
    """The phone's wall clock goes ahead of its steady one: how a sleep looks, or a clock that is set."""
    phone.js("const now = Date.now.bind(Date); Date.now = () => now() + arguments[0]", ms)


@pytest.mark.parametrize("ahead_ms", [3 * DAY_MS, -(60 * 365 * DAY_MS), 0], ids=["ahead", "1970", "right"])
def test_what_a_broker_keeps_of_a_dead_station_is_not_live(kitchen: Kitchen, phone: Phone, ahead_ms: int) -> None:
    """A retained reading that is dated ahead, or now; a retained flood; a sign of life that somebody retained."""
    at_ms, name = max(DAY_MS, now_ms() + ahead_ms), f"dead{ahead_ms}"
    kitchen.tell_all(name, at_ms)
    for channel in range(40):
        kitchen.tell(name, f"reading/vat{channel}", {"at_ms": at_ms, "temp_c": 180.0, "settled": False})
    kitchen.tell(name, "alive", {"at_ms": at_ms, "newest": {}})
    phone.open(name)
    phone.shows("#holding .clock", "was")
    phone.shows("#age-holding", "OLD: how old is not known; the recorder's clock said")
    assert phone.text("#link-word") == "Linked"
    phone.shows("#health", "was 160.5 °F")
    phone.js("life.sinceMs -= 26000")  # 26 s later: nobody has to wait for it
    phone.shows("#link", "RECORDER IS SILENT")


@pytest.mark.parametrize("ahead_ms", [3 * DAY_MS, -50 * 365 * DAY_MS], ids=["ahead", "1970"])
def test_a_station_with_a_wrong_clock_lives_counts_down_and_dies(kitchen: Kitchen, phone: Phone, ahead_ms: int) -> None:
    name = f"wrong{ahead_ms}"
    kitchen.tell_all(name, now_ms() + ahead_ms)
    phone.open(name)
    with kitchen.living(name, ahead_ms):
        phone.shows("#link", "Live")
        phone.shows("#link", "Its clock and this phone's are")
        before = phone.text("#cooking .clock span")
        assert before.startswith(("3:0", "2:5"))
        wait_for(lambda: phone.text("#cooking .clock span") != before)
    phone.js("life.signMs -= 36000; life.anchor.steadyMs -= 36000")  # 36 s of silence
    phone.shows("#link", "RECORDER IS SILENT")
    phone.shows("#cooking .clock", "was left")
    frozen = phone.text("#cooking .clock span")
    time.sleep(1.5)
    assert phone.text("#cooking .clock span") == frozen


def test_a_demo_says_so_instead_and_no_other_station_does(kitchen: Kitchen, phone: Phone) -> None:
    """A story's clock is an hour behind, and no fault; when the broker has forgotten the demo, a wrong clock is one."""
    kitchen.tell_all("story", now_ms() - 3_600_000)
    kitchen.tell("story", "demo", {"fast": True})
    phone.open("story")
    with kitchen.living("story", -3_600_000):
        phone.shows("#link", "Live")
        phone.shows("header", "Demo: a shift in fast motion")
        time.sleep(1.5)
        assert "apart" not in phone.text("#link")
        ahead_ms = now_ms() - 3_600_000 + 600_000
        kitchen.tell("story", "checks", {"at_ms": ahead_ms, "checks": [check("thigh", 186, ahead_ms + 240_000)]})
        phone.shows("#checks", "0 s ago")
        kitchen._device.publish("kitchen/story/demo", b"", 1, True).wait_for_publish(5)
        phone.shows("#link", "Its clock and this phone's are 1 h 0 min apart")
        assert "Demo" not in phone.text("header")


@pytest.mark.slow
def test_silence_is_measured_by_the_phone_itself(kitchen: Kitchen, phone: Phone) -> None:
    """Nothing is hurried here: 35 s without a sign."""
    kitchen.tell_all("quiet", now_ms())
    phone.open("quiet")
    phone.shows("#link", "Linked")
    kitchen.sign("quiet", now_ms() + 7 * DAY_MS)
    phone.shows("#link", "Live")
    time.sleep(30)
    assert "Live" in phone.text("#link"), "two signs may be late"
    wait_for(lambda: "RECORDER IS SILENT" in phone.text("#link"))
    said = re.search(r"(\d+) s\b", phone.text("#link"))
    assert said and int(said[1]) >= 35, phone.text("#link")


@pytest.mark.slow
def test_a_backlog_that_comes_in_a_burst_is_not_life(kitchen: Kitchen, phone: Phone) -> None:
    """What a bridge delivers after hours: messages that are not retained, and of a station that may be dead by now."""
    now = now_ms()
    phone.open("burst")
    phone.shows("#link", "Linked")
    end_s, number = time.monotonic() + 5, 0
    while time.monotonic() < end_s or number <= 20:
        reading(kitchen, "burst", now - 3 * 3_600_000 + number * 60_000)
        assert phone.text("#link-word") in ("Linked", "")
        number += 1
    assert phone.js("return life.age()") is None
    kitchen.sign("burst", now_ms())
    phone.shows("#link", "Live")


def test_a_station_without_signs_lives_by_messages_that_keep_pace(kitchen: Kitchen, phone: Phone) -> None:
    """An older recorder: its readings come as fast as the phone's time goes, whatever its clock says."""
    phone.open("older")
    phone.shows("#link", "Linked")
    reading(kitchen, "older", 5_000)
    began_ms = now_ms()
    assert phone.text("#link-word") == "Linked", "one may have waited for hours"
    time.sleep(3.3)
    reading(kitchen, "older", 5_000 + now_ms() - began_ms)
    phone.shows("#link", "Live")


def test_a_state_is_old_as_long_as_the_station_names_a_newer_one(kitchen: Kitchen, phone: Phone) -> None:
    """A sign of life overtakes what waits at a bridge. What is shown then is not how things stand."""
    now = now_ms()
    kitchen.tell_all("late", now - 3_600_000)
    phone.open("late")
    phone.shows("#link", "Linked")
    kitchen.sign("late", now, batches=now - 1_000, checks=now - 3_600_000, health=now - 3_600_000)
    phone.shows("#link", "Live")
    phone.shows("#age-holding", "OLD")
    phone.shows("#holding .clock", "was")
    assert phone.text("#age-checks") == ""
    kitchen.tell("late", "batches", {"at_ms": now - 500_000, "open": []})
    phone.shows("#none-holding", "not known now")
    kitchen.tell("late", "batches", {"at_ms": now - 1_000, "open": []})
    wait_for(lambda: phone.text("#none-holding") == "Nothing is holding")
    kitchen.tell("late", "batches", {"at_ms": now + 30 * DAY_MS, "open": [batch(9, "holding", now)]})
    kitchen.sign("late", now_ms(), batches=now - 1_000, checks=now - 3_600_000, health=now - 3_600_000)
    wait_for(lambda: "OLD" in phone.text("#age-holding"))  # one dated ahead is not the newest


def test_a_will_says_off_until_the_station_is_heard_again(kitchen: Kitchen, phone: Phone) -> None:
    kitchen.tell_all("will", now_ms())
    phone.open("will")
    phone.shows("#link", "Linked")
    kitchen.sign("will")
    phone.shows("#link", "Live")
    kitchen.tell("will", "state", {"online": False})
    phone.shows("#link", "RECORDER IS OFF")
    phone.shows("#age-cooking", "OLD")
    kitchen.tell("will", "state", {"online": True})
    wait_for(lambda: phone.text("#link-word") == "Linked")
    kitchen.sign("will")
    phone.shows("#link", "Live")


def test_a_sleep_makes_a_new_connection_and_nothing_of_before_counts(kitchen: Kitchen, phone: Phone) -> None:
    now = now_ms()
    kitchen.tell_all("sleep", now)
    phone.open("sleep")
    phone.shows("#link", "Linked")
    kitchen.sign("sleep")
    phone.shows("#link", "Live")
    leap(phone, 2 * 3_600_000)
    wait_for(lambda: "Live" not in phone.text("#link"))
    phone.shows("#age-holding", "OLD: as it was about 2 h 0 min ago")
    wait_for(lambda: phone.text("#link-word") == "Linked")
    kitchen.sign("sleep")
    phone.shows("#link", "Live")


def descendants(pid: int) -> Iterator[int]:
    for thread in Path(f"/proc/{pid}/task").iterdir():
        for child in (thread / "children").read_text().split():
            yield int(child)
            yield from descendants(int(child))


@pytest.mark.slow
def test_signs_that_piled_up_while_the_phone_slept_are_not_life(kitchen: Kitchen, phone: Phone) -> None:
    """The browser's processes stand still for 27 s while the station goes on, and the station dies before they wake."""
    kitchen.tell_all("pile", now_ms())
    phone.open("pile")
    phone.shows("#link", "Linked")
    with kitchen.living("pile"):
        phone.shows("#link", "Live")
        asleep = [pid for pid in descendants(phone.driver.service.process.pid) if running(pid)]
        for pid in asleep:
            os.kill(pid, signal.SIGSTOP)
        time.sleep(27)
    for pid in asleep:
        os.kill(pid, signal.SIGCONT)
    seen = []
    end_s = time.monotonic() + 6
    while time.monotonic() < end_s:
        seen.append(phone.text("#link-word"))
        time.sleep(0.05)
    woken = next(index for index, word in enumerate(seen) if "Live" not in word)
    assert woken <= 2 and not any("Live" in word for word in seen[woken:]), seen
    kitchen.sign("pile")
    phone.shows("#link", "Live")


def running(pid: int) -> bool:
    return "chromedriver" not in Path(f"/proc/{pid}/cmdline").read_text()


def test_a_time_that_is_not_proven_is_not_counted_down(kitchen: Kitchen, phone: Phone) -> None:
    now, minute = now_ms(), 60_000
    held: dict[str, Any] = batch(1, "holding", now, hold_started_ms=now - 40 * minute, hold_limit_ms=now + 50 * minute)
    cooked: dict[str, Any] = batch(2, "cooking", now, cook_started_ms=now - 3 * minute, cook_due_ms=now + 9 * minute)
    over: dict[str, Any] = batch(3, "holding", now, hold_started_ms=now - 95 * minute, hold_limit_ms=now - 5 * minute)
    later: dict[str, Any] = batch(4, "holding", now, hold_started_ms=now + 30 * minute, hold_limit_ms=now + 90 * minute)
    short = {**batch(5, "checking", now), "missing": "thigh and 1 more not checked", "time_proven": False}
    told = [{**each, "time_proven": False} for each in (held, cooked, over)]
    told[0]["pieces_left"] = 17
    kitchen.tell("proof", "batches", {"at_ms": now, "open": [*told, later, short]})
    late = alert("1-x", "warning", "from tomorrow", now + DAY_MS + 125_000)
    kitchen.tell("proof", "open", {"at_ms": now, "alerts": [late]})
    phone.open("proof")
    with kitchen.living("proof"):
        phone.shows("#link", "Live")
        phone.shows("#cooking", "time not known, at least 3 min")
        phone.shows("#holding", "holding: time not known, at least 40 min")
        phone.shows("#holding", "past its limit, holding: time not known, at least 95 min")
        phone.shows("#holding", "17 of 48 pieces left")
        phone.shows("#alerts .note", "Since a time that is not known")
        times = "return [...document.querySelectorAll('.clock')].map((node) => node.innerText).join(' ')"
        before = phone.js(times)
        assert ":" not in before and "left" not in before, before
        time.sleep(1.5)
        assert phone.js(times) == before
        assert "proven" not in phone.text("main").lower()
        phone.shows("#holding", "✓ checks complete")
        phone.shows("#cooking", "✕ checks NOT complete: thigh and 1 more not checked")
        assert phone.js("return [...document.querySelectorAll('.bar')].every((bar) => bar.hidden)")
