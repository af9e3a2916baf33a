"""The bridge between two real mosquitto brokers, over TLS, with the files as the command writes them.

Of these only places, ports and waiting times are changed; each change is checked to be one.
"""

import json
import signal
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.demo.subscriber import Subscriber
from recorder.journal.messages import Message
from recorder.notices.bridge import IN, OUT, PASSING, Bridge, join
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.settings import MqttSettings
from tests.brokers import Broker, answers, event, refused
from tests.system import needs
from tests.waiting import wait_for

NAME = "main-street.kitchen.line-1.bridge"
HERE, THERE = "kitchen/line-1", "main-street/kitchen/line-1"
STATION = 'station = "line-1"\n[mqtt]\nport = {port}\nusername = "line-1"\npassword_file = "password"\n'


class Site:
    """Device and remote broker, the recorder's client, a manager's phone, and one who listens at the device."""

    def __init__(self, folder: Path, authority: Path, protocol: str, ca: str = "ca.pem") -> None:
        self.folder, self._clients = folder, list[MqttPublisher | Subscriber]()
        local, remote, plain = free_port(), free_port(), free_port()
        (folder / "station.toml").write_text(STATION.format(port=local))
        for name, word in (("password", "oil"), ("remote-password", "salt $%' and # 1"), ("manager", "fries")):
            (folder / name).write_text(word + "\n")
        options = ["--site", "main-street", "--ca", authority / ca, "--protocol", protocol, "--out", folder]
        run(folder, f"localhost:{remote}", *options)
        self._write_remote(authority, plain)
        made = Bridge("kitchen", "line-1", "localhost", "main-street", str(authority / ca), str(folder))
        joined = folder / "joined.conf"
        command = join(made, str(folder / "remote-password"), str(joined))
        assert command in (folder / "batch-recorder.conf").read_text().replace(
            "/run/mosquitto/batch-recorder.conf", str(joined)
        )
        subprocess.run(["sh", "-c", command], check=True)
        assert joined.stat().st_mode & 0o777 == 0o600
        (folder / "device-db").mkdir()
        changes = {"/var/lib/mosquitto/": f"{folder}/device-db/", "restart_timeout 2 30": "restart_timeout 1"}
        changes["autosave_interval 30"] = "autosave_interval 1"
        joined.write_text("user root\n" + changed(joined.read_text(), changes))
        self.local, self.remote = Broker(joined, local), Broker(folder / "remote.conf", plain)
        self.remote.start()
        self.local.start()

    def _write_remote(self, authority: Path, plain: int) -> None:
        folder = self.folder
        for flags, user, file in (("-b -c", NAME, "remote-password"), ("-b", "manager", "manager")):
            word = (folder / file).read_text().rstrip("\n")
            subprocess.run(
                ["mosquitto_passwd", *flags.split(), folder / "remote.users", user, word],
                check=True,
                capture_output=True,
            )
        (folder / "remote-db").mkdir()
        changes = {
            "/etc/mosquitto/certs/CERTIFICATE.pem": f"{authority}/server.pem",
            "/var/lib/mosquitto/": f"{folder}/remote-db/",
        }
        changes |= {
            "/etc/mosquitto/certs/KEY.pem": f"{authority}/server.key",
            "acl_file /etc/mosquitto/": f"acl_file {folder}/",
        }
        changes["password_file /etc/mosquitto/"] = f"password_file {folder}/"
        text = changed((folder / "remote.conf").read_text(), changes)
        (folder / "remote.conf").write_text(f"user root\n{text}listener {plain} 127.0.0.1\n")

    def recorder(self) -> MqttPublisher:
        return self._client(
            MqttSettings("line-1", port=self.local.port, username="line-1", password_file=self.folder / "password")
        )

    def manager(self) -> MqttPublisher:
        file = self.folder / "manager"
        return self._client(
            MqttSettings(
                "line-1", port=self.remote.port, root="main-street/kitchen", username="manager", password_file=file
            )
        )

    def _client(self, settings: MqttSettings) -> MqttPublisher:
        client = MqttPublisher(settings)
        client.start()
        self._clients.append(client)
        wait_for(client.connected)
        return client

    def listener(self, where: Broker, user: str, word: str) -> Subscriber:
        client = Subscriber("127.0.0.1", where.port, "#")
        client._client.username_pw_set(user, word)
        self._clients.append(client)
        wait_for(lambda: client.ready(0))
        return client

    def phone(self) -> Subscriber:
        return self.listener(self.remote, "manager", "fries")

    def wait_for_link(self, phone: Subscriber) -> None:
        wait_for(lambda: phone.retained[f"{THERE}/link"] == "1", KeyError)

    def close(self) -> None:
        for client in self._clients:
            client.close()
        self.local.stop()
        self.remote.stop()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def changed(text: str, changes: dict[str, str]) -> str:
    for old, new in changes.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def run(folder: Path, remote: str, *options: object, code: int = 0) -> str:
    words = ["bridge", "--config", str(folder / "station.toml"), "--remote", remote, *map(str, options)]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == code, result.output
    return result.output


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A throw-away authority (ca.pem), another one (other.pem), and a certificate of the first for localhost."""
    folder = tmp_path_factory.mktemp("authority")
    make = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    for name in ("ca", "other"):
        subject = ["-subj", f"/CN=throw-away {name}", "-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.pem"]
        subprocess.run([*make, *subject], check=True, capture_output=True)
    request = ["-subj", "/CN=localhost", "-keyout", f"{folder}/server.key", "-out", f"{folder}/server.csr"]
    subprocess.run(["openssl", "req", "-newkey", "rsa:2048", "-nodes", *request], check=True, capture_output=True)
    (folder / "names").write_text("subjectAltName=DNS:localhost\n")
    sign = ["-CA", f"{folder}/ca.pem", "-CAkey", f"{folder}/ca.key", "-CAcreateserial", "-extfile", f"{folder}/names"]
    files = ["-in", f"{folder}/server.csr", "-out", f"{folder}/server.pem", "-days", "2"]
    subprocess.run(["openssl", "x509", "-req", *files, *sign], check=True, capture_output=True)
    return folder


@pytest.fixture(params=["3.1.1", "5"])
def site(request: pytest.FixtureRequest, tmp_path: Path, authority: Path) -> Iterator[Site]:
    made = Site(tmp_path, authority, request.param)
    yield made
    made.close()


def send(client: MqttPublisher, topic: str, body: str, retain: bool = False) -> bool:
    """Whether the broker took it."""
    token = client.publish(Message(topic, body, retain))
    taken: dict[int, bool] = {}

    def answered() -> bool:
        taken.update(client.acknowledged())
        return token in taken

    wait_for(answered)
    return taken[token or 0]


def ids(phone: Subscriber) -> list[str]:
    return [str(value["id"]) for value in phone.messages.values()]


Test = TypeVar("Test", bound=Callable[..., None])


def bridged(test: Test) -> Test:
    for program, package in (("openssl", "openssl"), ("mosquitto", "mosquitto"), ("mosquitto_passwd", "mosquitto")):
        test = needs(program, package)(test)
    return test


@pytest.mark.slow
@bridged
def test_alerts_arrive_while_the_remote_is_away_too_and_after_the_device_was_killed(site: Site) -> None:
    recorder, phone = site.recorder(), site.phone()
    site.wait_for_link(phone)
    assert send(recorder, f"{HERE}/alerts", event(1))
    assert send(recorder, f"{HERE}/open", '{"at_ms": 1}', retain=True)
    wait_for(lambda: ids(phone) == ["1"] and phone.retained.get(f"{THERE}/open") == '{"at_ms": 1}')
    assert json.loads(phone.retained[f"{THERE}/state"]) == {"online": True}

    site.remote.stop(signal.SIGTERM)
    for number in range(2, 52):
        assert send(recorder, f"{HERE}/alerts", event(number))
    assert send(recorder, f"{HERE}/open", '{"at_ms": 2}', retain=True)
    saved = site.folder / "device-db/mosquitto.db"
    wait_for(lambda: b'"at_ms": 2' in saved.read_bytes() and b'"id": "51"' in saved.read_bytes(), OSError)
    site.local.stop(signal.SIGKILL)
    site.local.start()
    site.remote.start()
    wait_for(lambda: len(phone.messages) == 51, seconds=120)  # mosquitto's own waits, longer on a loaded machine
    assert ids(phone) == [str(number) for number in range(1, 52)]
    wait_for(lambda: phone.retained[f"{THERE}/open"] == '{"at_ms": 2}')
    late = site.phone()
    wait_for(lambda: late.retained.get(f"{THERE}/open") == '{"at_ms": 2}' and late.retained[f"{THERE}/link"] == "1")
    here = site.listener(site.local, "line-1", "oil")
    wait_for(lambda: here.retained.get(f"{HERE}/open") == '{"at_ms": 2}')

    wait_for(recorder.connected)
    assert send(recorder, f"{HERE}/alerts", event(51)), "sent again, as after a lost acknowledgement"
    wait_for(lambda: phone.doubles >= 1)
    assert len(phone.messages) == 51


@pytest.mark.slow
@bridged
def test_a_sign_of_life_goes_over_the_bridge_and_never_waits_at_it(site: Site) -> None:
    """What is delivered after an outage are messages at least once; a sign that waited would look like life."""
    recorder, phone = site.recorder(), site.phone()
    recorder.acknowledged()
    site.wait_for_link(phone)
    recorder.passing("alive", {"at_ms": 1, "newest": {}})
    wait_for(lambda: phone.retained.get(f"{THERE}/alive") == '{"at_ms": 1, "newest": {}}')
    site.remote.stop(signal.SIGTERM)
    assert send(recorder, f"{HERE}/alerts", event(1))
    recorder.passing("alive", {"at_ms": 2, "newest": {}})
    assert send(recorder, f"{HERE}/alerts", event(2))
    site.remote.start()
    wait_for(lambda: ids(phone) == ["1", "2"], seconds=45)
    site.wait_for_link(phone)
    assert phone.retained[f"{THERE}/alive"] == '{"at_ms": 1, "newest": {}}'
    recorder.passing("alive", {"at_ms": 3, "newest": {}})
    wait_for(lambda: phone.retained[f"{THERE}/alive"] == '{"at_ms": 3, "newest": {}}')


@bridged
def test_an_answer_reaches_the_device_and_nothing_else_does(site: Site) -> None:
    phone, here, manager = site.phone(), site.listener(site.local, "line-1", "oil"), site.manager()
    site.wait_for_link(phone)
    others = ("alerts", "state", "open", "batches", "reading/needle", "link", "reset")
    assert [send(manager, f"{THERE}/{topic}", '{"forged": 1}') for topic in others] == [False] * len(others)
    assert not send(manager, "main-street/kitchen/line-2/acknowledge", "{}"), "another station has its own lines"
    assert send(manager, f"{THERE}/seen", '{"alert": "a", "by": "phone"}')
    assert send(manager, f"{THERE}/acknowledge", '{"alert": "a", "by": "mk"}')
    wait_for(lambda: f"{HERE}/acknowledge" in here.retained)
    assert {topic for topic in here.retained if topic.startswith("kitchen/")} == {f"{HERE}/acknowledge", f"{HERE}/seen"}
    recorder = site.recorder()
    assert not send(recorder, "kitchen/line-2/alerts", event(1)), "the device's client has its own subtree alone"
    assert not send(recorder, f"{THERE}/acknowledge", "{}")
    assert send(recorder, f"{HERE}/alerts", event(2))
    wait_for(lambda: ids(phone) == ["2"])
    assert '"forged"' not in "".join((*here.retained.values(), *phone.retained.values()))


@bridged
def test_a_remote_of_another_authority_gets_nothing(tmp_path: Path, authority: Path) -> None:
    with closing(Site(tmp_path, authority, "3.1.1", ca="other.pem")) as site:
        phone, recorder = site.phone(), site.recorder()
        assert send(recorder, f"{HERE}/alerts", event(1))
        log = site.local.config.with_suffix(".log")
        wait_for(lambda: "certificate verify failed" in log.read_text())
        assert phone.messages == {} and phone.retained == {}


@bridged
@needs("mosquitto_sub", "mosquitto-clients")
def test_an_answer_waits_at_the_remote_while_the_device_is_away(tmp_path: Path, authority: Path) -> None:
    """Why 3.1.1 is the default: a bridge of MQTT 5 before mosquitto 2.1 has no session that waits.

    Who listens at the device must have a session that waits, too: the bridge is back before it.
    """
    with closing(Site(tmp_path, authority, "3.1.1")) as site:
        words = f"mosquitto_sub -p {site.local.port} -u line-1 -P oil -c -i here -q 1 -t {HERE}/acknowledge".split()
        subprocess.run([*words, "-E"], check=True)
        manager = site.manager()
        site.wait_for_link(site.phone())
        site.local.stop()
        assert send(manager, f"{THERE}/acknowledge", '{"alert": "a", "by": "mk"}')
        site.local.start()
        heard = subprocess.run([*words, "-C", "1", "-W", "15"], check=True, capture_output=True, text=True)
        assert heard.stdout == '{"alert": "a", "by": "mk"}\n'


@bridged
def test_no_password_stands_in_any_file(tmp_path: Path, authority: Path) -> None:
    folder = tmp_path / "out"
    (tmp_path / "station.toml").write_text(STATION.format(port=1883))
    (tmp_path / "password").write_text("secret-of-device\n")
    (tmp_path / "remote-password").write_text("secret-of-bridge\n")
    options = ["--site", "main-street", "--ca", authority / "ca.pem"]
    shown = run(tmp_path, "mqtt.example.org", *options)
    assert "address mqtt.example.org:8883\n" in shown and "bridge_protocol_version mqttv311\n" in shown
    run(tmp_path, "mqtt.example.org", *options, "--out", folder)
    files = {file.name: file.read_text() for file in folder.iterdir()}
    assert "secret-of" not in "".join((shown, *files.values()))
    assert set(files) == {
        "device.conf",
        "device.acl",
        "device.users",
        "batch-recorder.conf",
        "remote.conf",
        "remote.acl",
    }
    assert (folder / "device.users").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("remote", "options", "complaint"),
    [
        ("", {}, "write a host name or an IPv4 address"),
        ("mqtt example", {}, "write a host name or an IPv4 address"),
        ("mqtt.example.org\ntopic # both", {}, "write a host name or an IPv4 address"),
        ("[::1]:8883", {}, "write HOST or HOST:PORT"),
        ("mqtt.example.org:", {}, "write HOST or HOST:PORT"),
        ("mqtt.example.org:http", {}, "write HOST or HOST:PORT"),
        ("mqtt.example.org:0", {}, "remote port is 0; write one from 1 to 65535"),
        ("mqtt.example.org:65536", {}, "remote port is 65536; write one"),
        ("mqtt.example.org", {"--site": ""}, "--site is missing; write this site's own name"),
        ("mqtt.example.org", {"--site": "a/#"}, "site is 'a/#'; use letters"),
        ("mqtt.example.org", {"--site": "+"}, "site is '+'; use letters"),
        ("mqtt.example.org", {"--site": "/a"}, "site is '/a'; use letters"),
        ("mqtt.example.org", {"--site": "$SYS"}, "site is '$SYS'; use letters"),
        ("mqtt.example.org", {"--site": "a b"}, "site is 'a b'; use letters"),
        ("mqtt.example.org", {"--protocol": "4"}, "protocol is '4'; write"),
        ("mqtt.example.org", {"--ca": "none.pem"}, "none.pem can't be used"),
        ("mqtt.example.org", {"--ca": "station.toml"}, "or name your authority's certificate (PEM) with --ca"),
        ("mqtt.example.org", {"--ca": "a b.pem"}, "ca is"),
        ("mqtt.example.org", {"--out": "a b"}, "out is"),
    ],
)
def test_bad_input_is_named_with_its_remedy(
    tmp_path: Path, remote: str, options: dict[str, str], complaint: str
) -> None:
    (tmp_path / "station.toml").write_text('station = "line-1"\n[mqtt]\n')
    paths = {key: tmp_path / options[key] for key in ("--ca", "--out") if key in options}
    words = [word for pair in ({"--site": "main-street"} | options | paths).items() for word in pair]
    assert complaint in run(tmp_path, remote, *words, code=2)
    assert [file.name for file in tmp_path.iterdir()] == ["station.toml"], "nothing is written"


@pytest.mark.parametrize(
    ("table", "complaint"),
    [
        ("", "has no [mqtt] table; write one"),
        ('[mqtt]\nhost = "mqtt.example.org"', "the recorder speaks to its own device; host ="),
        ('[mqtt]\nusername = "line-1"', "has no password_file; name it too"),
        ('[mqtt]\nroot = "my kitchen"', "root is 'my kitchen'; use letters"),
        ('[mqtt]\nusername = "line 1"\npassword_file = "station.toml"', "username is 'line 1'; use letters"),
    ],
)
def test_a_station_that_cannot_be_bridged_is_told(tmp_path: Path, table: str, complaint: str) -> None:
    (tmp_path / "station.toml").write_text(f'station = "line-1"\n{table}\n')
    assert complaint in run(tmp_path, "mqtt.example.org", "--site", "main-street", code=2)


@bridged
@pytest.mark.parametrize(("content", "complaint"), [(None, "can't be read"), ("\n", "is empty")])
def test_a_missing_password_is_told(tmp_path: Path, authority: Path, content: str | None, complaint: str) -> None:
    (tmp_path / "station.toml").write_text('station = "line-1"\n[mqtt]\n')
    if content is not None:
        (tmp_path / "remote-password").write_text(content)
    said = run(tmp_path, "mqtt.example.org", "--site", "main-street", "--ca", authority / "ca.pem", code=2)
    assert f"remote-password {complaint}" in said and "write the password in its first line" in said


levels = st.lists(st.text("ab-_", min_size=1, max_size=3), min_size=1, max_size=3).map("/".join)


@given(levels, levels, levels, levels)
def test_two_stations_share_a_name_only_if_they_share_their_topics(a: str, b: str, c: str, d: str) -> None:
    one, two = (Bridge(root, "s", "host", site, "/ca.pem", "/out") for root, site in ((a, b), (c, d)))
    assert (one.name == two.name) == (one.there == two.there)


def test_nothing_that_comes_in_goes_out_again() -> None:
    assert not {*OUT, *PASSING} & {*IN} and "#" not in "".join((*OUT, *IN))
    assert [topic for topic in OUT if topic.startswith("+")] == []


@bridged
def test_nobody_may_publish_more_than_their_part(tmp_path: Path, authority: Path) -> None:
    """Each forbidden topic is refused with reason 135 of MQTT 5 (3.4.2.1), "Not authorized"; each needed one is not."""
    site = Site(tmp_path, authority, "5")
    bridge_word = (tmp_path / "remote-password").read_text().rstrip("\n")
    told = [topic.replace("+", "needle") for topic in (*OUT, *PASSING)]
    strange = ["kitchen/line-2/alerts", "alerts", "other/line-1/alerts", "$SYS/broker/uptime", f"{HERE}2/alerts"]
    neighbours = ["main-street/kitchen/line-2/", "high-street/kitchen/line-1/", "kitchen/line-1/"]
    device = [f"{HERE}/{topic}" for topic in told]
    assert refused(answers(site.local, "line-1", "oil", [*device, *strange])) == strange
    bridge, manager = [f"{THERE}/{topic}" for topic in (*told, "link")], [f"{THERE}/{topic}" for topic in IN]
    elsewhere = [prefix + topic for prefix in neighbours for topic in (*told, *IN)]
    bare = [THERE, f"{THERE}/", f"{THERE}/anything", f"{THERE}/alerts/more", "main-street", "$SYS/broker/uptime"]
    found = answers(site.remote, NAME, bridge_word, [*bridge, *manager, *elsewhere, *bare])
    assert refused(found) == [*manager, *elsewhere, *bare], "the device acknowledges nothing for its manager"
    found = answers(site.remote, "manager", "fries", [*manager, *bridge, *elsewhere, *bare])
    assert refused(found) == [*bridge, *elsewhere, *bare], "the manager's phone says nothing for the device"
    for broker, user, word in ((site.local, None, ""), (site.remote, None, ""), (site.local, "line-1", "water")):
        assert answers(broker, user, word, [f"{THERE}/acknowledge"]) == {"": "Not authorized"}, user
    site.close()
