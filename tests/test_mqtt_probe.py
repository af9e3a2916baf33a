"""Sensors over MQTT: through a real broker (mosquitto), and what their messages may be."""

import json
import signal
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.clock import ManualClock
from recorder.config import ConfigError, load
from recorder.core.events import Event, ProbeBack, ProbeLost, Reading
from recorder.driver import DriverLost, DriverUnavailable
from recorder.notices.client import bare
from recorder.notices.page_access import PageAccess, acl
from recorder.probes import urls
from recorder.probes.mqtt.settings import MqttProbeSettings
from recorder.probes.mqtt.values import LARGEST, RETAINED, MqttReader
from recorder.probes.probe import Probe
from recorder.probes.source import Chunk, Fault, Found, Sample
from recorder.tables import toml
from tests.brokers import Mosquitto, mosquitto
from tests.waiting import until
from tests.written import station

TOPIC = "sensors/fryer-2/oil"
SENSOR = MqttProbeSettings("mqtt", TOPIC, "vat2", "C", host="127.0.0.1")


class Running:
    """A probe in a thread, run once."""

    def __init__(self, settings: MqttProbeSettings) -> None:
        self.clock = ManualClock(0)
        self.probe = Probe(settings, self.clock)
        self.events: list[Event] = []
        self.ended: Exception | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.probe.run(self.events.append, self._stop)
        except (DriverLost, DriverUnavailable) as error:
            self.ended = error

    def opened(self) -> "Running":
        until(self.probe.listening.is_set, "it is subscribed")
        return self

    def over(self) -> Exception:
        self._thread.join(10)
        assert not self._thread.is_alive() and self.ended
        return self.ended

    def stop(self) -> None:
        began_s = time.monotonic()
        self._stop.set()
        self._thread.join(5)
        assert not self._thread.is_alive() and self.ended is None
        assert time.monotonic() - began_s < 2


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path, "allow_anonymous true", "log_type none")
    yield made
    made.stop()


def publish(broker: Mosquitto, text: str, retain: bool = False, topic: str = TOPIC) -> None:
    sensor = bare("5")
    sensor.connect("127.0.0.1", broker.port)
    sensor.loop_start()
    sensor.publish(topic, text, qos=1, retain=retain).wait_for_publish(5)
    sensor.disconnect()
    sensor.loop_stop()


@mosquitto
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_retained_message_is_not_now_and_what_is_published_is(broker: Mosquitto, protocol: str) -> None:
    publish(broker, "99.0", retain=True)
    run = Running(replace(SENSOR, port=broker.port, protocol=protocol)).opened()
    until(lambda: run.probe.reader.bad == {RETAINED: 1}, "the kept one has come")
    run.clock.advance(500)
    publish(broker, "170.25", retain=True)
    publish(broker, "180.25", topic="sensors/other")
    until(lambda: bool(run.events), "a reading")
    assert run.events == [Reading(500, "vat2", 170.25)]
    run.stop()


@mosquitto
def test_silence_is_a_loss_and_a_message_its_end(broker: Mosquitto) -> None:
    """Twice period_s, which is 30 s where nothing is said."""
    run = Running(replace(SENSOR, port=broker.port)).opened()
    publish(broker, "170.25")
    until(lambda: bool(run.events), "a reading")
    run.clock.advance(59_999)
    time.sleep(0.2)
    assert len(run.events) == 1
    run.clock.advance(1)
    until(lambda: run.events[1:] == [ProbeLost(60_000, "vat2", "silent")], "it is lost")
    publish(broker, "171.25")
    until(lambda: run.events[2:] == [ProbeBack(60_000, "vat2"), Reading(60_000, "vat2", 171.25)], "it is back")
    run.stop()


@mosquitto
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_broker_that_goes_away_is_a_loss(tmp_path: Path, how: int) -> None:
    broker = Mosquitto(tmp_path, "allow_anonymous true", "log_type none")
    run = Running(replace(SENSOR, port=broker.port)).opened()
    broker.stop(how)
    lost = run.over()
    assert isinstance(lost, DriverLost) and lost.reason == "broker gone"
    assert run.events == [ProbeLost(0, "vat2", "broker gone")]
    again = Running(replace(SENSOR, port=broker.port))
    unreached = again.over()
    assert isinstance(unreached, DriverLost) and unreached.reason == "broker unreachable"


@mosquitto
def test_a_broker_that_refuses_is_named_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "acl").write_text("topic read other/#\n")
    broker = Mosquitto(tmp_path, "allow_anonymous false", "log_type none")
    lost = Running(replace(SENSOR, port=broker.port)).over()
    broker.stop()
    assert isinstance(lost, DriverLost) and lost.reason == "broker refuses"
    assert "are username and password_file right?" in str(lost)


@pytest.mark.parametrize("file", ["none", "empty"])
def test_a_password_that_is_not_there_is_named(tmp_path: Path, file: str) -> None:
    (tmp_path / "empty").write_text("")
    wrong = replace(SENSOR, username="recorder", password_file=str(tmp_path / file))
    assert isinstance(Running(wrong).over(), DriverUnavailable)


# What a message says


def said(text: str, path: str = "", unit: str = "C") -> list[Found] | dict[str, int]:
    reader = MqttReader("vat2", unit, path)
    return reader.read(Chunk(text.encode())) or dict(reader.bad)


@pytest.mark.parametrize(
    ("text", "path", "temp_c"),
    [
        ("170.25", "", 170.25),
        (" -3.5\n", "", -3.5),
        ('{"temperature": 170.25, "battery": 91}', "temperature", 170.25),
        ('{"probes": [{"t": 1}, {"t": "170.25"}]}', "probes.1.t", 170.25),
        ('{"0": {"t": 170}}', "0.t", 170.0),
    ],
)
def test_a_number_is_found_plain_or_within_json(text: str, path: str, temp_c: float) -> None:
    assert said(text, path) == [Sample("vat2", temp_c)]


def test_a_unit_is_put_right() -> None:
    """165 °F is 73.889 °C: published-values.md section 1."""
    (found,) = said("165", unit="F")
    assert isinstance(found, Sample) and found.temp_c == pytest.approx(73.889, abs=0.001)


@pytest.mark.parametrize(
    ("text", "path", "bad"),
    [
        ("unavailable", "", "not a number"),
        ("nan", "", "not a number"),
        ("1e3", "", "not a number"),
        ("170,25", "", "not a number"),
        ('{"t": 170}', "", "not a number"),
        ("170.25", "t", "nothing at t"),
        ('{"t": 170', "t", "not JSON"),
        ('{"t": NaN}', "t", "not a number"),
        ('{"t": true}', "t", "not a number"),
        ('{"t": [170]}', "t", "not a number"),
        ('{"t": [170]}', "t.1", "nothing at t.1"),
        ('{"u": 170}', "t", "nothing at t"),
        ("[" * 3_000, "t", "not JSON"),
        ("1" * (LARGEST + 1), "", "too long"),
    ],
)
def test_what_is_no_number_is_counted_by_kind(text: str, path: str, bad: str) -> None:
    assert said(text, path) == {bad: 1}


def test_null_is_a_sensor_that_has_no_temperature() -> None:
    assert said('{"t": null}', "t") == [Fault("vat2", "no value")]


@given(st.binary(max_size=60), st.sampled_from(["", "a", "a.0"]))
def test_any_bytes_are_counted_and_none_is_absurd(data: bytes, path: str) -> None:
    reader = MqttReader("vat2", "C", path)
    found = reader.read(Chunk(data))
    assert reader.good + reader.bad.total() == 1
    assert all(-40 <= each.temp_c <= 400 for each in found if isinstance(each, Sample))


# The configuration

PROBE = f'[[probe]]\ndriver = "mqtt"\ntopic = "{TOPIC}"\n'
FULL = PROBE + 'channel = "vat1"\nunit = "C"\n'


def test_a_probe_without_a_host_has_the_stations_broker(tmp_path: Path) -> None:
    (tmp_path / "word").write_text("secret\n")
    broker = '[mqtt]\nhost = "broker.kitchen"\nusername = "line-1"\npassword_file = "word"\nprotocol = "3.1.1"\n'
    (one,) = load(station(tmp_path, FULL + 'path = "t"\n' + broker)).probes
    assert isinstance(one, MqttProbeSettings)
    assert (one.endpoint, one.secured, one.protocol, one.username) == (
        ("broker.kitchen", 8883),
        True,
        "3.1.1",
        "line-1",
    )
    assert one.password_file == str(tmp_path / "word")
    (plain,) = load(station(tmp_path, FULL + "[mqtt]\n")).probes
    assert isinstance(plain, MqttProbeSettings)
    assert (plain.endpoint, plain.secured, plain.silence_s) == (("127.0.0.1", 1883), False, 60.0)
    (own,) = load(station(tmp_path, FULL + 'host = "10.0.0.9"\ntls = false\nport = 1884\n')).probes
    assert isinstance(own, MqttProbeSettings) and (own.endpoint, own.secured) == (("10.0.0.9", 1884), False)


@pytest.mark.parametrize(
    ("probes", "complaint"),
    [
        (FULL, "probe.host is missing, and there is no .mqtt.; write host"),
        (FULL + "port = 1884\n[mqtt]\n", "port does nothing without host; write that too"),
        (PROBE + 'channel = "vat1"\n[mqtt]\n', 'probe.unit is missing.* write unit = "C" or "F"'),
        (PROBE + 'unit = "C"\n[mqtt]\n', 'channel is missing; write what the sensor measures, such as "vat2"'),
        (FULL.replace(TOPIC, "sensors/#") + "[mqtt]\n", "write the sensor's own topic, without [+] and #"),
        (FULL + 'path = "a..b"\n[mqtt]\n', 'write keys joined by points, such as "probes.0.temp"'),
        (
            FULL + "period_s = 31\n[mqtt]\n",
            r"period_s is 31 for mqtt .*\(vat1\); a reading counts as fresh for 60 s, so write 30",
        ),
    ],
)
def test_a_mistake_is_named_with_the_remedy(tmp_path: Path, probes: str, complaint: str) -> None:
    with pytest.raises(ConfigError, match=complaint):
        load(station(tmp_path, probes))


def test_the_example_in_the_shipped_configuration_is_right(tmp_path: Path) -> None:
    shipped = (Path(__file__).parents[1] / "recorder/share/station.toml").read_text().splitlines()
    begin = next(at for at, line in enumerate(shipped) if line.startswith("# [[probe]]") and "MQTT" in line)
    lines = [line.removeprefix("# ") for line in shipped[begin : shipped.index("", begin)]]
    (one,) = load(station(tmp_path, "\n".join([*lines, "[mqtt]"]))).probes
    assert isinstance(one, MqttProbeSettings) and one.path == "temperature"


def test_its_url_and_its_table_mean_the_same() -> None:
    one = replace(SENSOR, path="probes.0.t", port=1884, tls=False)
    assert urls.settings(one.url()) == one
    assert 'topic = "sensors/fryer-2/oil"' in toml("probe", one)


def test_the_pages_broker_lets_the_recorder_read_its_sensors_and_phones_not() -> None:
    access = PageAccess("kitchen", "line-1", "recorder", ("manager",), "/page", "/out", sensors=(TOPIC,))
    recorder, phone = acl(access).split("user manager")
    assert f"topic read {TOPIC}\n" in recorder and TOPIC not in phone


def test_every_message_is_of_the_wire_as_the_recording_keeps_it() -> None:
    """What is kept of a message: its bytes, and whether the broker had kept it."""
    reader = MqttReader("vat2", "C", "t")
    kept = reader.read(Chunk(json.dumps({"t": 170}).encode(), RETAINED))
    assert (kept, reader.bad) == ([], {RETAINED: 1})
