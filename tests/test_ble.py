"""Bluetooth probes: over a virtual link with both ends in this process, and through bleak itself.

What every probe must do is asked of them in tests/test_drivers.py.
"""

import asyncio
import logging
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from recorder.clock import ManualClock
from recorder.core.events import Event, ProbeBack, ProbeCharge, ProbeLost, Reading
from recorder.demo.devices.ble_thermometers import CHARGE, SimulatedThermometers, measurement, temperature
from recorder.demo.devices.serial_board import Kitchen
from recorder.driver import DriverLost
from recorder.probes.ble import probe as ble_probe
from recorder.probes.ble.gatt import BATTERY, MEASUREMENT, TEMPERATURE
from recorder.probes.ble.probe import BleProbe, BleSettings, nearby
from recorder.probes.ble.radio import in_loop
from recorder.probes.probe import Probe
from tests.bluez import Bluez, Thermometer
from tests.system import needs
from tests.waiting import until

PATIENCE_S = ble_probe.CONNECT_S / 2
"""What may wait for no answer of a device is over within this."""


class Running:
    """A probe in a thread, run once."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.events: list[Event] = []
        self.lost: DriverLost | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.probe.run(self.events.append, self._stop)
        except DriverLost as lost:
            self.lost = lost

    def opened(self) -> "Running":
        until(self.probe.listening.is_set, "it is connected")
        return self

    def has(self, *events: Event) -> None:
        until(lambda: set(events) <= set(self.events), f"{events} of {self.events}")

    def ended(self) -> DriverLost | None:
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()
        return self.lost

    def stop(self) -> None:
        self._stop.set()
        assert self.ended() is None


@pytest.fixture
def air() -> Iterator[SimulatedThermometers]:
    made = SimulatedThermometers(Kitchen())
    yield made
    made.close()


def test_three_probes_say_what_the_kitchen_feels(air: SimulatedThermometers) -> None:
    clock = ManualClock(0)
    runs = [Running(Probe(settings, clock)).opened() for settings in air.settings()]
    air.kitchen.insert(84.0)
    for _ in range(60):
        clock.advance(500)
        air.advance(500)
        until(lambda: sum(run.probe.ended for run in runs) >= air.sent, "all is read")
    needle, vat, cabinet = (run.events for run in runs)
    (rest, *_) = [event for event in needle if isinstance(event, Reading) and event.settled]
    assert rest.temp_c == pytest.approx(83.6, abs=0.7)
    assert next(event.channel for event in vat if isinstance(event, Reading)) == "vat1"
    for channel, events in zip(("needle", "vat1", "cabinet"), (needle, vat, cabinet), strict=True):
        (charge,) = [event for event in events if isinstance(event, ProbeCharge)]
        assert (charge.channel, charge.percent) == (channel, CHARGE)
    for run in runs:
        run.stop()


def test_a_fault_is_no_number(air: SimulatedThermometers) -> None:
    clock = ManualClock(0)
    run = Running(Probe(air.settings()[0], clock)).opened()

    def pass_time() -> None:
        before = run.probe.reader.good
        clock.advance(500)
        air.advance(500)
        until(lambda: run.probe.reader.good > before, "it is read")

    for _ in range(5):  # the first 2 s only set the clock
        pass_time()
    air.kitchen.pull_connector()
    pass_time()
    run.has(ProbeLost(3_000, "needle", "no value"))
    air.kitchen.put_back()
    pass_time()
    run.has(ProbeBack(3_500, "needle"))
    run.stop()


def test_what_a_probe_kept_since_the_day_before_is_not_now(air: SimulatedThermometers) -> None:
    """One a minute, as fast as the air takes them; then what it measures now."""
    clock, yesterday = ManualClock(0), datetime(2026, 11, 27, 14, 0)
    run = Running(Probe(air.settings()[0], clock)).opened()

    def told(temp_c: float, stamp: datetime) -> None:
        before = run.probe.reader.good
        air.send("needle", measurement(temp_c, stamp))
        until(lambda: run.probe.reader.good > before, "it is read")

    until(lambda: run.probe.reader.good == 1, "the battery is read")
    for minute in range(30):
        clock.advance(30)
        told(90.0, yesterday + timedelta(minutes=minute))
    for second in range(5):
        clock.advance(1_000)
        told(61.0, yesterday + timedelta(days=1, seconds=second))
    run.has(Reading(3_900, "needle", 61.0))
    assert [each.temp_c for each in run.events if isinstance(each, Reading)] == [61.0]
    run.stop()


def test_a_measurement_that_was_held_back_is_dated_when_it_was_measured(air: SimulatedThermometers) -> None:
    clock, began = ManualClock(0), datetime(2020, 1, 1)
    run = Running(Probe(air.settings()[0], clock)).opened()
    for second in range(1, 5):
        clock.advance(1_000)
        air.send("needle", measurement(61.0, began + timedelta(seconds=second)))
    until(lambda: run.probe.reader.good == 5, "all is read")
    clock.advance(6_000)
    air.send("needle", measurement(81.0, began + timedelta(seconds=7)))
    run.has(Reading(7_000, "needle", 81.0))
    run.stop()


@pytest.mark.parametrize(
    ("interval_s", "least_s", "wanted_s", "becomes_s", "told"),
    [
        (5, 1, None, 1, "measures every 1 s"),
        (0, 1, None, 1, "measures every 1 s"),
        (5, 2, None, 2, "measures every 2 s, its limit for 1 s"),
        (5, 1, 3, 3, "measures every 3 s"),
        (5, 1, 0, 5, "measures every 5 s"),
    ],
)
def test_a_thermometer_is_asked_to_measure_as_often_as_it_takes_to_settle(
    air: SimulatedThermometers,
    caplog: pytest.LogCaptureFixture,
    interval_s: int,
    least_s: int,
    wanted_s: int | None,
    becomes_s: int,
    told: str,
) -> None:
    air.measures_every("needle", interval_s, least_s)
    needle = replace(air.settings()[0], interval_s=wanted_s)
    with caplog.at_level(logging.INFO):
        run = Running(Probe(needle, ManualClock(0))).opened()
        until(lambda: f"ble {needle.address} {told}" in caplog.messages, "it is said")
    assert air.interval_s("needle") == becomes_s
    run.stop()


@pytest.mark.parametrize(("wanted_s", "becomes_s", "told"), [(None, 30, "measures every 30 s"), (2, 2, "every 2 s")])
def test_an_environmental_probe_is_asked_only_where_the_kitchen_says_so(
    air: SimulatedThermometers,
    caplog: pytest.LogCaptureFixture,
    wanted_s: int | None,
    becomes_s: int,
    told: str,
) -> None:
    air.measures_every("vat", 30)
    vat = replace(air.settings()[1], interval_s=wanted_s)
    with caplog.at_level(logging.INFO):
        run = Running(Probe(vat, ManualClock(0))).opened()
        until(lambda: any(told in message for message in caplog.messages), "it is said")
    assert air.interval_s("vat") == becomes_s
    run.stop()


def test_one_that_is_not_there_does_not_delay_the_others(air: SimulatedThermometers) -> None:
    """It is looked for for 15 s, by settings as shipped."""
    away = BleSettings("ble", "F0:00:00:00:00:77", "vat2", "environment")
    absent = Running(Probe(away, ManualClock(0), BleProbe(away, air.radio)))
    time.sleep(0.3)
    began_s = time.monotonic()
    runs = [Running(Probe(settings, ManualClock(0))).opened() for settings in air.settings()]
    assert time.monotonic() - began_s < PATIENCE_S
    assert not absent.probe.listening.is_set() and absent.lost is None, "it is looked for still"
    absent.stop()
    for run in runs:
        run.stop()


def test_one_that_comes_while_another_is_not_there_is_found_soon(air: SimulatedThermometers) -> None:
    away = BleSettings("ble", "F0:00:00:00:00:77", "vat2", "environment")
    air.unplug()
    absent, late = (
        Running(Probe(each, ManualClock(0), BleProbe(each, air.radio))) for each in (away, air.settings()[0])
    )
    time.sleep(0.5)
    assert not late.probe.listening.is_set()
    air.plug_in()
    late.opened().stop()
    absent.stop()


def test_what_is_in_range_is_found(air: SimulatedThermometers) -> None:
    found = nearby(1.5, air.radio)
    assert {(each.name, each.profile) for each in found} == {
        ("needle", "thermometer"),
        ("vat", "environment"),
        ("cabinet", "environment"),
    }
    assert {each.address for each in found} == {settings.address for settings in air.settings()}


def test_a_stop_in_the_middle_of_connecting_is_quick(air: SimulatedThermometers) -> None:
    air.unplug()
    run = Running(Probe(air.settings()[0], ManualClock(0)))
    time.sleep(0.2)
    run.stop()


def test_one_that_is_out_of_range_is_lost_and_does_not_keep_another_waiting_for_ever(
    air: SimulatedThermometers, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_probe, "CONNECT_S", 0.5)
    away = BleSettings("ble", "F0:00:00:00:00:77")
    first = Running(Probe(away, ManualClock(0), BleProbe(away, air.radio)))
    second = Running(Probe(air.settings()[0], ManualClock(0)))
    lost = first.ended()
    assert lost and lost.reason == "out of range"
    assert first.events == [ProbeLost(0, "needle", "out of range")]
    second.opened().stop()


def test_a_probe_of_another_profile_is_named(air: SimulatedThermometers) -> None:
    vat = air.settings()[1]
    wrong = BleSettings("ble", vat.address, "vat", "thermometer")
    lost = Running(Probe(wrong, ManualClock(0), BleProbe(wrong, air.radio))).ended()
    assert lost and lost.reason == "not of its profile"
    assert "2A1C" in str(lost)


def test_a_connection_that_brings_nothing_is_given_up(
    air: SimulatedThermometers, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_probe, "MUTE_S", 0.3)
    monkeypatch.setattr(ble_probe, "ASK_S", 0.1)
    run = Running(Probe(air.settings()[0], ManualClock(0))).opened()
    lost = run.ended()
    assert lost and lost.reason == "mute"


@pytest.mark.parametrize(
    ("settings", "complaint"),
    [
        ({"address": "12:34"}, 'write it like "00:11:22:33:44:55"'),
        ({"profile": "oven"}, "write one of thermometer, environment"),
        ({"channel": "oven"}, "channel has 'oven'; write one of needle"),
        ({"silence_s": 0.0}, "more than 0"),
        ({"interval_s": -1}, "write whole seconds, 0 to 65535"),
    ],
)
def test_senseless_settings_are_refused(settings: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        BleSettings(**{"driver": "ble", "address": "00:11:22:33:44:55", **settings})  # type: ignore[arg-type]


# --- Through bleak itself, against a stand-in for BlueZ on a D-Bus of its own


@pytest.fixture
def bluez(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bluez]:
    needle = Thermometer(
        "F0:00:00:00:00:01",
        "needle",
        "1809",
        {MEASUREMENT: (["indicate"], b""), BATTERY: (["read", "notify"], bytes([61]))},
    )
    vat = Thermometer("F0:00:00:00:00:02", "vat", "181A", {TEMPERATURE: (["read"], temperature(170.25))})
    made = Bluez(needle, vat)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", made.address)
    yield made
    made.close()
    in_loop(asyncio.sleep(0.1)).result()  # bleak's manager learns that its bus has gone


@needs("dbus-daemon", "dbus")
def test_bleak_finds_connects_hears_and_loses_it(bluez: Bluez) -> None:
    needle, vat = bluez.devices.values()
    assert {(each.address, each.profile) for each in nearby(0.3)} == {
        (needle.address, "thermometer"),
        (vat.address, "environment"),
    }
    clock = ManualClock(0)
    run = Running(Probe(BleSettings("ble", needle.address), clock)).opened()
    until(lambda: {MEASUREMENT, BATTERY} <= needle.notifying, "it has subscribed")
    run.has(ProbeCharge(0, "needle", 61))
    bluez.tell(needle, MEASUREMENT, measurement(165.0, unit="F"))
    run.has(Reading(0, "needle", 73.888889))
    bluez.tell(needle, BATTERY, bytes([60]))
    run.has(ProbeCharge(0, "needle", 60))
    bluez.vanish(needle)
    lost = run.ended()
    assert lost and lost.reason == "disconnected"
    assert run.events[-1] == ProbeLost(0, "needle", "disconnected")
    assert "AcquireNotify" not in bluez.asked

    needle.here = True
    again = Running(Probe(BleSettings("ble", needle.address), clock)).opened()
    until(lambda: MEASUREMENT in needle.notifying, "it has subscribed again")
    bluez.tell(needle, MEASUREMENT, measurement(74.0))
    again.has(Reading(0, "needle", 74.0))
    again.stop()
    until(lambda: "Disconnect" in bluez.asked, "a stop ends the connection")


@needs("dbus-daemon", "dbus")
def test_bleak_asks_one_that_does_not_tell_by_itself(bluez: Bluez, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_probe, "ASK_S", 0.05)
    _, vat = bluez.devices.values()
    clock = ManualClock(0)
    run = Running(Probe(BleSettings("ble", vat.address, "vat", "environment"), clock)).opened()
    run.has(Reading(0, "vat1", 170.25))
    until(lambda: bluez.asked.count("ReadValue") >= 3, "it is asked again")
    run.stop()


@needs("dbus-daemon", "dbus")
@pytest.mark.parametrize(("here", "reason"), [(False, "out of range"), (True, "not connected")])
def test_bleak_tells_one_that_is_away_from_one_that_does_not_answer(
    bluez: Bluez, here: bool, reason: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_probe, "CONNECT_S", 1.0)
    needle, _ = bluez.devices.values()
    needle.here, needle.answers = here, False
    run = Running(Probe(BleSettings("ble", needle.address), ManualClock(0)))
    lost = run.ended()
    assert lost and lost.reason == reason
    assert run.events == [ProbeLost(0, "needle", reason)]


@needs("dbus-daemon", "dbus")
def test_bleak_takes_over_the_connection_of_a_recorder_that_was_killed(
    bluez: Bluez, monkeypatch: pytest.MonkeyPatch
) -> None:
    """BlueZ keeps it, and the probe makes itself known no more: bleak's issues 315 and 367."""
    monkeypatch.setattr(ble_probe, "CONNECT_S", 1.0)
    needle, _ = bluez.devices.values()
    bluez.hold(needle)
    run = Running(Probe(BleSettings("ble", needle.address.lower()), ManualClock(0))).opened()
    until(lambda: MEASUREMENT in needle.notifying, "it has subscribed")
    bluez.tell(needle, MEASUREMENT, measurement(74.0))
    run.has(Reading(0, "needle", 74.0))
    run.stop()
    until(lambda: "Disconnect" in bluez.asked, "a stop ends the connection")
    assert "Connect" not in bluez.asked


@needs("dbus-daemon", "dbus")
def test_bleak_finds_one_while_another_is_not_there(bluez: Bluez) -> None:
    absent = Running(Probe(BleSettings("ble", "F0:00:00:00:00:77", "vat2"), ManualClock(0)))
    until(lambda: "StartDiscovery" in bluez.asked, "it looks")
    needle, _ = bluez.devices.values()
    run = Running(Probe(BleSettings("ble", needle.address), ManualClock(0))).opened()
    assert not absent.probe.listening.is_set()
    run.stop()
    absent.stop()


@needs("dbus-daemon", "dbus")
@pytest.mark.parametrize("words", ["Not paired", "Insufficient Encryption", "ATT error: Insufficient authentication"])
def test_one_that_wants_to_be_paired_is_named_with_the_remedy(bluez: Bluez, words: str) -> None:
    needle, _ = bluez.devices.values()
    needle.refuses = words
    lost = Running(Probe(BleSettings("ble", needle.address), ManualClock(0))).ended()
    assert lost and lost.reason == "not paired"
    assert "it wants to be paired once: bluetoothctl, then pair ADDRESS" in str(lost)


@needs("dbus-daemon", "dbus")
@pytest.mark.parametrize(("kind", "first", "private"), [("random", "4A", True), ("random", "F0", False)])
def test_an_address_that_changes_is_told_from_one_that_lasts(
    bluez: Bluez, kind: str, first: str, private: bool
) -> None:
    """Core Specification (M): of a random address the two highest bits are 01 or 00 where it changes, 11 where not."""
    needle, _ = bluez.devices.values()
    bluez.rename(needle, f"{first}:00:00:00:00:01", kind)
    seen = {each.name: each.private for each in nearby(0.3)}
    assert seen == {"needle": private, "vat": False}


@needs("dbus-daemon", "dbus")
def test_a_stop_while_bleak_looks_is_quick_and_ends_the_search(bluez: Bluez) -> None:
    run = Running(Probe(BleSettings("ble", "F0:00:00:00:00:77"), ManualClock(0)))
    until(lambda: "StartDiscovery" in bluez.asked, "it looks")
    run.stop()
    until(lambda: "StopDiscovery" in bluez.asked, "the search has ended")


def test_without_bluetooth_it_is_lost_with_a_remedy(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    run = Running(Probe(BleSettings("ble", "00:11:22:33:44:55"), ManualClock(0)))
    lost = run.ended()
    assert lost and lost.reason == "no Bluetooth"
    assert "does bluetoothd run" in str(lost)
    assert run.events == [ProbeLost(0, "needle", "no Bluetooth")]
