"""Who may speak to the phone page's broker: a real mosquitto, by the files as the command `page` writes them."""

import logging
import os
import pty
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.notices.passwords import GROUPS, LETTERS, LONG, hashed, made
from tests.brokers import Broker, answers, refused
from tests.phone_page import Phone, alert, chromium, free_ports, kitchen, now_ms, phone
from tests.system import needs
from tests.waiting import listens, wait_for

__all__ = ["chromium", "kitchen", "phone"]

HERE = "kitchen/line-1/"
PARTS = ("alerts", "state", "open", "batches", "checks", "health", "anchor", "alive", "reading/needle", "records")
ANSWERS = ("acknowledge", "seen", "sign")


def run(*words: object, code: int = 0) -> str:
    result = CliRunner().invoke(app, ["page", *map(str, words)])
    assert result.exit_code == code, result.output
    return result.output


class House:
    """A broker as the command makes it; only "user root" is put before, since tests run as root in a container."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.out = folder, folder / "out"
        self.port, self.web = free_ports(2)
        self.config = folder / "station.toml"
        self.config.write_text(f'station = "line-1"\n[mqtt]\nport = {self.port}\n')
        self.said = self.make("--phone", "manager", "--phone", "owner")
        running = folder / "running.conf"
        running.write_text("user root\n" + (self.out / "page.conf").read_text())
        self.broker = Broker(running, self.port)
        self.broker.start()
        wait_for(partial(listens, self.web), OSError)

    def make(self, *words: object, code: int = 0) -> str:
        return run("--config", self.config, "--port", self.web, "--out", self.out, *words, code=code)

    def password(self, who: str) -> str:
        file = self.folder / "mqtt-password" if who == "line-1" else self.out / f"{who}.password"
        return file.read_text().strip()

    def said_to(self, who: str | None, *topics: str) -> dict[str, str]:
        return answers(self.broker, who, self.password(who) if who else "", list(topics))


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.broker.stop()


@needs("mosquitto", "mosquitto")
def test_nobody_says_more_than_their_part(house: House) -> None:
    """Reason 135 of MQTT 5 (3.4.2.1), "Not authorized", on each topic that is not theirs; and no others come in."""
    own, reply = [HERE + part for part in PARTS], [HERE + part for part in ANSWERS]
    others = [f"kitchen/line-2/{part}" for part in (*PARTS, *ANSWERS)]
    strange = ["alerts", "kitchen", HERE, "kitchen/line-11/open", "other/line-1/open", "$SYS/broker/uptime"]
    for name in ("manager", "owner"):
        found = house.said_to(name, *reply, *own, *others, *strange, f"{HERE}acknowledge/more")
        assert refused(found) == [*own, *others, strange[0], *strange[1:], f"{HERE}acknowledge/more"]
    found = house.said_to("line-1", *own, *reply, *others, *strange)
    assert refused(found) == [*others, *(topic for topic in strange if topic != HERE)], (
        "the station has its own subtree"
    )
    assert house.said_to(None, f"{HERE}seen") == {"": "Not authorized"}
    for name, word in (("manager", "guess"), ("nobody", "guess"), ("manager", house.password("owner"))):
        assert answers(house.broker, name, word, [f"{HERE}seen"]) == {"": "Not authorized"}, name


@needs("mosquitto", "mosquitto")
def test_a_web_page_without_a_password_gets_nothing_either(house: House) -> None:
    """The listener of phones, where anybody on the network could publish before; and what a phone may read."""
    results: dict[str, Any] = {}
    heard: list[str] = []
    clients = []
    for name, word in (("", ""), ("manager", house.password("manager"))):
        client = paho.Client(CallbackAPIVersion.VERSION2, transport="websockets", userdata=name)
        client.on_connect = lambda client, name, flags, reason, properties: results.update({name: str(reason)})
        client.on_message = lambda client, name, message: heard.append(message.topic)
        if name:
            client.username_pw_set(name, word)
        client.connect("127.0.0.1", house.web)
        client.loop_start()
        clients.append(client)
        wait_for(partial(results.__contains__, name))
    assert results == {"": "Not authorized", "manager": "Success"}
    ready = threading.Event()
    clients[1].on_subscribe = lambda *_: ready.set()
    clients[1].subscribe([("#", 1), ("$SYS/#", 1)])
    assert ready.wait(10)
    house.said_to("line-1", f"{HERE}open", "kitchen/line-2/open")
    wait_for(lambda: f"{HERE}open" in heard)
    time.sleep(0.3)
    assert set(heard) == {f"{HERE}open"}
    for client in clients:
        client.disconnect()
        client.loop_stop()


@needs("mosquitto_passwd", "mosquitto")
def test_the_hash_is_the_one_of_mosquittos_own_tool(tmp_path: Path) -> None:
    """Against the outside: mosquitto_passwd writes the same shape, and takes ours for one of its own."""
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    tool = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
    subprocess.run([tool, "-b", "-c", theirs, "manager", "fries"], check=True, capture_output=True)
    ours.write_text(f"manager:{hashed('fries')}\n")
    parts = [file.read_text().strip().split("$") for file in (ours, theirs)]
    shape = (len(parts[0]), parts[0][0], parts[0][1], len(parts[0][3]))
    assert shape == (5, "manager:", "7", 16), "12 bytes of salt in base64"
    assert [len(each[4]) for each in parts] == [88, 88] and parts[1][:2] == parts[0][:2]
    words = {made() for _ in range(200)}
    assert len(words) == 200 and all(len(word) == GROUPS * LONG + GROUPS - 1 for word in words)
    assert set("".join(words)) <= set(LETTERS + "-") and not set("01oil") & set(LETTERS)


def test_passwords_are_in_files_of_their_owner_and_nowhere_else(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    config, out = tmp_path / "station.toml", tmp_path / "out"
    config.write_text('station = "line-1"\n[mqtt]\n')
    with caplog.at_level(logging.DEBUG):
        said = run("--config", config, "--out", out)
    secret = {name: name.read_text().strip() for name in (tmp_path / "mqtt-password", out / "manager.password")}
    for word in secret.values():
        assert word not in said + caplog.text, "a pipe may end in a log"
        assert [file.name for file in tmp_path.rglob("*") if file.is_file() and word in file.read_text()] == [
            next(name.name for name, each in secret.items() if each == word)
        ]
    modes = {file.name: file.stat().st_mode & 0o777 for file in tmp_path.rglob("*") if file.is_file()}
    for name in ("mqtt-password", "manager.password", "page.users", "page.acl"):
        assert modes.pop(name) == 0o600, name
    assert "sudo chown mosquitto" in said and f"sudo cp {out}/page.conf /etc/mosquitto/conf.d/" in said
    assert 'username = "line-1"' in said and f'password_file = "{tmp_path}/mqtt-password"' in said


def test_a_new_password_is_shown_once_to_who_sits_at_a_terminal(tmp_path: Path) -> None:
    config, out = tmp_path / "station.toml", tmp_path / "out"
    config.write_text('station = "line-1"\n[mqtt]\n')

    def at_a_terminal(*words: str) -> str:
        ours, theirs = pty.openpty()
        command = [sys.executable, "-m", "recorder", "page", "--config", str(config), "--out", str(out), *words]
        child = subprocess.Popen(command, stdout=theirs, stderr=theirs)
        os.close(theirs)
        said = b""
        try:
            while chunk := os.read(ours, 4_096):
                said += chunk
        except OSError:  # EIO: the child has ended
            pass
        os.close(ours)
        assert child.wait(20) == 0, said
        return said.decode()

    first = at_a_terminal()
    word = (out / "manager.password").read_text().strip()
    station = (tmp_path / "mqtt-password").read_text().strip()
    assert f"Password of manager, shown this once: {word}" in first and station not in first
    users = (out / "page.users").read_text().splitlines()
    again = at_a_terminal("--phone", "owner")
    assert word not in again and (out / "manager.password").read_text().strip() == word
    assert next(line for line in users if line.startswith("manager:")) in (out / "page.users").read_text()
    assert "user owner\n" in (out / "page.acl").read_text() and "user manager\n" in (out / "page.acl").read_text()
    third = at_a_terminal("--renew", "manager", "--remove", "owner")
    fresh = (out / "manager.password").read_text().strip()
    assert fresh != word and fresh in third
    assert "owner" not in (out / "page.users").read_text() + (out / "page.acl").read_text()
    assert not (out / "owner.password").exists()


@pytest.mark.parametrize(
    ("table", "words", "complaint"),
    [
        ("", (), "has no [mqtt] table; write one"),
        ('[mqtt]\nhost = "mqtt.example.org"', (), "the page's broker runs beside the recorder"),
        ('[mqtt]\nusername = "a"', (), "username a has no password_file; name it too"),
        ('[mqtt]\nroot = "my kitchen"', (), "root is 'my kitchen'; use letters"),
        ("[mqtt]", ("--phone", "a\nuser b"), "use up to 64 letters"),
        ("[mqtt]", ("--phone", "line-1 "), "use up to 64 letters"),
        ("[mqtt]", ("--port", "0"), "port is 0; write one from 1 to 65535"),
        ("[mqtt]", ("--port", "1883"), "other than the recorder's 1883"),
        ("[mqtt]", ("--certificate", "/c.pem"), "certificate and key go together"),
        (
            "[mqtt]",
            ("--certificate", "/c.pem\nallow_anonymous true", "--key", "/k.pem"),
            "use an absolute path without",
        ),
    ],
)
def test_bad_input_is_named_with_its_remedy(tmp_path: Path, table: str, words: tuple[str, ...], complaint: str) -> None:
    (tmp_path / "station.toml").write_text(f'station = "line-1"\n{table}\n')
    said = run("--config", tmp_path / "station.toml", "--out", tmp_path / "out", *words, code=2)
    assert complaint in said
    assert [file.name for file in tmp_path.iterdir()] == ["station.toml"], "nothing is written"


def test_a_damaged_list_of_users_is_not_taken_for_an_empty_one(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "line-1"\n[mqtt]\n')
    (tmp_path / "page.users").write_text("manager:in the clear\n")
    said = run("--config", tmp_path / "station.toml", "--out", tmp_path, code=2)
    assert "is damaged; remove it" in said and "in the clear" not in said


def log_in(phone: Phone, name: str, word: str, keep: bool = False) -> None:
    wait_for(lambda: phone.js("return document.querySelector('#login').open"))
    for field, value in (("login-name", name), ("login-password", word)):
        box = phone.driver.find_element("id", field)
        box.clear()
        box.send_keys(value)
    if keep:
        phone.press("#login-keep")
    phone.press("#login-form [type=submit]")


@needs("chromium", "chromium")
@needs("chromedriver", "chromium-driver")
@needs("mosquitto", "mosquitto")
def test_the_page_logs_in_and_keeps_the_password_only_where_it_is_wanted(house: House, phone: Phone) -> None:
    word = house.password("manager")
    station = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    heard: list[bytes] = []
    station.on_message = lambda client, userdata, message: heard.append(bytes(message.payload))
    station.username_pw_set("line-1", house.password("line-1"))
    station.connect("127.0.0.1", house.port)
    station.loop_start()
    station.subscribe(f"{HERE}acknowledge", 1)
    body = {"at_ms": now_ms(), "alerts": [alert("1-x", "critical", "Batch 3: past", now_ms())]}
    station.publish(f"{HERE}open", str(body).replace("'", '"').replace("None", "null"), 1, True).wait_for_publish(5)

    page = Phone(phone.driver, house.web)
    page.open("line-1")
    page.shows("#link", "NOT LOGGED IN")
    page.shows("#login-why", "This broker asks for a name and a password.")
    log_in(page, "manager", "guess")
    page.shows("#login-why", "The broker does not take this name with this password.")
    log_in(page, "manager", word)
    page.shows("#alerts", "Batch 3: past")
    page.shows("#link", "Linked")
    station.publish(f"{HERE}alive", f'{{"at_ms": {now_ms()}, "newest": {{}}}}').wait_for_publish(5)
    page.shows("#link", "Live")
    page.press("#alerts button")
    page.driver.find_element("id", "initials").send_keys("mk")
    page.press("#ask-form [type=submit]")
    wait_for(lambda: heard == [b'{"alert":"1-x","by":"MK"}'])
    stores = "return JSON.stringify([{...localStorage}, {...sessionStorage}, document.cookie, location.href])"
    assert word not in page.js(stores) and word not in page.js("return document.documentElement.outerHTML")
    page.driver.refresh()
    page.shows("#link", "NOT LOGGED IN")
    log_in(page, "manager", word, keep=True)
    page.shows("#alerts", "Batch 3: past")
    page.driver.refresh()
    page.shows("#alerts", "Batch 3: past")
    assert word in page.js(stores) and word not in page.driver.current_url
    page.press("#logout")
    page.shows("#link", "You have logged out")
    assert word not in page.js(stores) and page.text("#alerts") == ""
    page.driver.refresh()
    page.shows("#link", "NOT LOGGED IN")
    page.press("#login-no")
    assert page.driver.find_element("id", "login-open").is_displayed()
    page.driver.get("about:blank")
    station.disconnect()
    station.loop_stop()
