"""What `recorder/driver.py` promises, asked of every driver: start, stop, stop again, vanish, return, fall silent.

And of every probe: faults, floods, units, messages that come twice or late, a device that begins to count anew.
"""

import threading
import time
from collections.abc import Iterator
from queue import SimpleQueue

import pytest

from recorder.core.events import Event, ProbeBack, ProbeCharge, ProbeLost, Reading
from recorder.demo.devices.script import Script
from recorder.driver import Driver, DriverLost
from recorder.probes.kinds import PROBES
from recorder.probes.source import Doubt, Fault, Sample
from tests import rigs, waiting
from tests.rigs import SOON_S, ProbeRig, Rig


@pytest.fixture(params=rigs.ALL)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    made = rigs.ALL[request.param]()
    yield made
    made.close()


@pytest.fixture(params=rigs.PROBES)
def probe(request: pytest.FixtureRequest) -> Iterator[ProbeRig]:
    made = rigs.PROBES[request.param]()
    yield made
    made.close()


class Run:
    """One run of a driver in a thread."""

    def __init__(self, driver: Driver) -> None:
        self.events: SimpleQueue[Event] = SimpleQueue()
        self.lost: DriverLost | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(driver,))
        self._thread.start()

    def _run(self, driver: Driver) -> None:
        try:
            driver.run(self.events.put, self._stop)
        except DriverLost as error:
            self.lost = error

    def event(self) -> Event:
        """The next event that is not about a battery; fails when none comes."""
        while isinstance(event := self.events.get(timeout=SOON_S), ProbeCharge):
            pass
        return event

    def stop(self) -> None:
        """Ask it to stop; fails when it does not."""
        self._stop.set()
        self.ended()

    def ended(self) -> None:
        """It ends; fails when it does not."""
        self._thread.join(SOON_S)
        assert not self._thread.is_alive()


def test_it_has_a_name_and_costs_nothing_before_it_runs(rig: Rig) -> None:
    before = threading.active_count()
    assert rig.driver.name
    assert threading.active_count() == before


def test_it_emits_what_it_receives_when_it_receives_it(rig: Rig) -> None:
    run = Run(rig.driver)
    for _ in range(3):
        rig.speak()
        assert isinstance(run.event(), Reading)
    run.stop()
    assert run.lost is None


def test_it_stops_and_may_be_asked_twice(rig: Rig) -> None:
    run = Run(rig.driver)
    rig.speak()
    run.event()
    run.stop()
    run.stop()
    assert run.lost is None


def test_it_returns_at_once_when_it_was_stopped_before_it_ran(rig: Rig) -> None:
    stop = threading.Event()
    stop.set()
    rig.driver.run(lambda event: pytest.fail(f"{event} after the stop"), stop)


def test_it_runs_again_after_a_stop(rig: Rig) -> None:
    for _ in range(2):
        run = Run(rig.driver)
        rig.speak()
        assert isinstance(run.event(), Reading)
        run.stop()
        rig.opened_anew()


def test_it_is_lost_when_its_device_vanishes_and_works_when_that_is_back(rig: Rig) -> None:
    run = Run(rig.driver)
    rig.speak()
    run.event()
    rig.vanish()
    run.ended()
    assert isinstance(run.lost, DriverLost)
    assert str(run.lost)
    rig.come_back()
    rig.opened_anew()
    again = Run(rig.driver)
    rig.speak()
    got = again.event()
    if isinstance(got, ProbeBack):
        got = again.event()
    assert isinstance(got, Reading)
    again.stop()


def test_silence_is_told_once_and_does_not_end_it(rig: Rig) -> None:
    run = Run(rig.driver)
    rig.speak()
    run.event()
    owed = rig.fall_silent()
    if owed:
        assert run.event() == owed
    time.sleep(0.2)
    assert run.events.empty()
    run.stop()
    assert run.lost is None


def test_a_fault_is_told_once_and_is_no_number(probe: ProbeRig) -> None:
    run = Run(probe.driver)
    assert probe.say(71.25) == [Sample("needle", 71.25)]
    assert run.event() == Reading(probe.clock.now_ms(), "needle", 71.25)
    for _ in range(3):
        assert all(isinstance(found, Fault | Doubt) for found in probe.say(None))
    faults = [found for found in probe.found if isinstance(found, Fault)]
    if faults:
        assert run.event() == ProbeLost(probe.clock.now_ms() - 2_000, "needle", faults[0].reason)
    else:
        assert probe.probe.reader.bad.total() >= 3, "a wire without words for faults has them thrown away"
    assert run.events.empty()
    probe.say(61.25)
    got = [run.event() for _ in range(2 if faults else 1)]
    assert got[-1] == Reading(probe.clock.now_ms(), "needle", 61.25)
    assert got[:-1] in ([], [ProbeBack(probe.clock.now_ms(), "needle")])
    run.stop()


def test_a_unit_is_put_right_or_the_value_refused(probe: ProbeRig) -> None:
    run = Run(probe.driver)
    for unit in probe.units:
        (sample,) = probe.say(165.0 if unit == "F" else 74.0, unit)
        assert isinstance(sample, Sample)
        assert sample.temp_c == pytest.approx(74.0, abs=0.12)  # 165 °F is 73.89 °C
    assert probe.say(999.0, unit) == [Doubt("needle", "out of range")], "no probe at a fryer reads this"
    run.stop()


def test_what_came_before_is_no_second_measurement(probe: ProbeRig) -> None:
    run = Run(probe.driver)
    for number in (101, 102, 103):
        assert probe.say(71.25, number=number)
    twice, late = probe.say(71.25, number=103), probe.say(61.25, number=101)
    if probe.numbered:
        assert (twice, late) == ([], [])
        assert probe.probe.reader.bad.total() == 2
    else:
        assert twice == [Sample("needle", 71.25)] and late == [Sample("needle", 61.25)], (
            "nothing tells it from a new measurement"
        )
    assert probe.say(71.25, number=104) == [Sample("needle", 71.25)]
    run.stop()


def test_a_device_that_begins_anew_is_believed_soon_and_our_clock_counts(probe: ProbeRig) -> None:
    run = Run(probe.driver)
    for number in (30_001, 30_002, 30_003):
        probe.say(71.25, number=number)
    heard = [probe.say(61.25, number=number) for number in range(1, 8)]
    assert heard[-1] == [Sample("needle", 61.25)]
    assert probe.probe.listening.is_set()
    events = [run.event() for _ in range(2)]
    assert [event.temp_c for event in events if isinstance(event, Reading)] == [71.25, 61.25]
    assert events[1].at_ms in range(4_000, 13_000)
    run.stop()


def test_a_flood_is_survived_and_thinned(probe: ProbeRig) -> None:
    run = Run(probe.driver)
    probe.say(71.25)
    run.event()
    probe.flood(5_000)
    probe.speak()
    waiting.until(lambda: isinstance(probe.found[-1], Sample) and probe.found[-1].temp_c == 61.25, "it hears again")
    assert run.events.qsize() <= 5
    run.stop()


def test_a_stop_in_a_flood_is_a_stop(probe: ProbeRig) -> None:
    run = Run(probe.driver)
    probe.say(71.25)
    flood = threading.Thread(target=probe.flood, args=(2_000,), daemon=True)
    flood.start()
    run.stop()
    assert run.lost is None
    flood.join(SOON_S)
    assert not flood.is_alive()


@pytest.mark.parametrize("name", PROBES.own)
def test_every_kind_of_probe_is_there_and_has_a_rig(name: str) -> None:
    assert all(callable(getattr(PROBES.load(name), method)) for method in PROBES.methods)
    if name != "simulated":  # which has no device; test_configure tries it
        assert any(rig.partition(",")[0] == name for rig in rigs.PROBES)


def test_a_script_is_played_once_in_order_and_then_waits() -> None:
    events = [Reading(at_ms, "vat1", 170.0) for at_ms in range(3)]
    driver = Script([events[0], 0.01, events[1], DriverLost("over"), events[2]])
    run = Run(driver)
    run.ended()
    assert [run.event(), run.event()] == events[:2]
    again = Run(driver)
    assert again.event() == events[2]
    again.stop()
