"""The retained states of the uneven kitchen, whole: what a phone is given says how it stands, no more and no less."""

from pathlib import Path

import pytest

from recorder.core import meanings as m
from recorder.core.events import Acknowledged, EarTrouble, ProbeBack, ProbeCharge, ProbeLost, Started
from recorder.core.world import World
from recorder.journal.journal import Journal
from recorder.notices import states
from recorder.notices.state_publisher import StatePublisher
from tests.kitchen import MINUTE
from tests.uneven import CELSIUS, FAHRENHEIT, TIMED, Uneven


def test_open_alerts_are_whole_and_those_that_have_ended_are_left_out() -> None:
    k = Uneven()
    k.say(m.OIL_POLAR, vat=1, percent=30.0)
    k.say(m.OIL_POLAR, vat=2, percent=31.0)
    k.begin(2, oil=320)
    k.wait(MINUTE)
    first, second, third = k.state.world.alerts
    k.feed(Acknowledged(k.at_ms, second.id, "JD"))
    k.say(m.OIL_CHANGED, vat=1)
    assert states.open_alerts(k.state.world) == {
        "alerts": [
            {
                "id": second.id,
                "kind": "oil over its polar limit",
                "level": "warning",
                "text": second.text,
                "batch": None,
                "began_ms": second.began_ms,
                "repeats": 0,
                "acknowledged_ms": k.at_ms - 1000,
                "acknowledged_by": "JD",
            },
            {
                "id": third.id,
                "kind": "oil outside band at load",
                "level": "warning",
                "text": third.text,
                "batch": 1,
                "began_ms": third.began_ms,
                "repeats": 0,
                "acknowledged_ms": None,
                "acknowledged_by": None,
            },
        ]
    }
    assert first.id not in str(states.open_alerts(k.state.world))
    k.wait(20 * MINUTE)
    assert [alert["repeats"] for alert in states.open_alerts(k.state.world)["alerts"] if alert["id"] == third.id] == [1]


def only(k: Uneven, vat: int) -> dict[str, object]:
    (batch,) = [each for each in states.batches(k.state.world)["open"] if each["vat"] == vat]
    return {name: value for name, value in batch.items() if value is not None}


@pytest.mark.parametrize(("vat", "procedure"), [(1, FAHRENHEIT), (2, CELSIUS), (2, TIMED)])
def test_a_batch_at_each_of_its_stages(vat: int, procedure: object) -> None:
    """`None` is left out here: a batch that is not cooking has no time of its cook."""
    k = Uneven(TIMED if procedure is TIMED else CELSIUS)
    p = k.of[vat]
    k.begin(vat, pieces=10)
    pieces, needed = 2 * (10 + vat), p.checks_per_batch
    lacks = "leg, wing and 1 more not checked" if vat == 1 else "leg and wing not checked"
    still = {"number": 1, "vat": vat, "pieces": pieces, "checks_needed": needed, "pieces_left": pieces}
    unread = {"checks_passed": 0, "proven": False, "missing": lacks, "time_proven": True}
    assert only(k, vat) == still | unread | {"stage": "loading"}
    k.say(m.LID_LOCKED, vat=vat)
    locked_ms = k.at_ms
    cooking = {"stage": "cooking", "cook_started_ms": locked_ms, "cook_due_ms": locked_ms + p.planned_cook_ms}
    assert only(k, vat) == still | unread | cooking
    k.wait(p.planned_cook_ms)
    k.say(m.LID_OPEN, vat=vat)
    opened_ms = k.at_ms
    k.check("leg", 188, vat=vat)
    part = {"checks_passed": 1, "missing": lacks.removeprefix("leg, ").removeprefix("leg and ")}
    assert only(k, vat) == still | unread | part | {"stage": "checking"}
    k.say(m.COOK_MORE, vat=vat)
    assert only(k, vat) == still | unread | {"stage": "returned"}
    k.say(m.LID_LOCKED, vat=vat)
    again = {"cook_started_ms": k.at_ms, "cook_due_ms": k.at_ms + p.more_cook_ms}
    assert only(k, vat) == still | unread | again | {"stage": "cooking"}
    k.wait(p.more_cook_ms)
    k.say(m.LID_OPEN, vat=vat)
    opened_ms = k.at_ms
    k.prove(vat)
    read = {"checks_passed": 3, "proven": True, "missing": "", "time_proven": True}
    assert only(k, vat) == still | read | {"stage": "checking"}
    k.say(m.HOLD_START, vat=vat)
    hold = {"stage": "holding", "hold_started_ms": opened_ms, "hold_limit_ms": opened_ms + p.hold_limit_ms}
    assert only(k, vat) == still | read | hold
    k.sell(1, 3)
    assert only(k, vat) == still | read | hold | {"pieces_left": pieces - 3}
    k.restart(MINUTE, False)
    assert only(k, vat) == still | read | hold | {"pieces_left": pieces - 3, "time_proven": False}
    k.sell(1)
    assert states.batches(k.state.world) == {"open": []}


def test_a_check_in_the_scale_and_by_the_limits_of_its_batch() -> None:
    k = Uneven()
    for vat in (1, 2):
        k.begin(vat)
        k.fry(vat)
        k.measure("wing", 170.37 + vat, vat)
        k.say(m.PROBE, part="leg", vat=vat)
    found = states.read_checks(k.state.world)
    rows = {row["id"]: row for row in k.rows("checks")}
    assert (
        list(found.values())
        == [
            {
                "batch": 1,
                "part": "wing",
                "temperature": 171.37,
                "unit": "F",
                "target": 178.0,
                "critical_limit": 168.0,
                "verdict": "below target",
                "at_ms": rows[next(iter(found))]["closed_ms"],
                "probe_was": "unchecked",
            },
            {
                "batch": 2,
                "part": "wing",
                "temperature": 77.98,
                "unit": "C",
                "target": 82.0,
                "critical_limit": 74.0,
                "verdict": "below target",
                "at_ms": rows[list(found)[1]]["closed_ms"],
                "probe_was": None,
            },
        ]
        or found[list(found)[1]]["probe_was"] == "unchecked"
    )
    for id, check in found.items():
        assert states.kept_check({"probe_was": None} | rows[id]) == check


def test_the_last_checks_are_the_newest_oldest_first() -> None:
    checks = {id: {"batch": id} for id in (41, 7, *range(100, 130), 3)}
    found = states.last_checks(checks)["checks"]
    assert found == [{"batch": id} for id in range(106, 130)] and len(found) == states.CHECKS == 24
    assert states.last_checks({}) == {"checks": []}


def test_health_names_each_probe_with_what_is_wrong() -> None:
    k = Uneven()
    assert states.health(World(), ("needle",), "1.2", 3, 700) == {
        "version": "1.2",
        "probes": {"needle": "no reading yet"},
        "charges": {},
        "hearing": "well",
        "clock_known": True,
        "unsent": 3,
        "free_mb": 700,
    }
    k.read("spare", 80)
    for channel in ("vat1", "vat2", "cabinet"):
        k.read(channel, 300)
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    k.feed(ProbeLost(k.at_ms, "vat2", "unplugged"))
    k.feed(ProbeLost(k.at_ms, "needle", "open circuit"))
    k.feed(ProbeBack(k.at_ms, "vat2"))
    k.feed(ProbeCharge(k.at_ms, "needle", 42))
    k.feed(EarTrouble(k.at_ms, "silent"))
    k.feed(Started(k.at_ms, "boot-1", False, "1", "line-1", (1, 2), k.state.world.rules))
    k.read("cabinet", 150)
    found = states.health(k.state.world, ("needle", "vat1", "vat2", "cabinet"), "1.2", 0, 100)
    assert found["probes"] == {"needle": "open circuit", "vat1": "unplugged", "vat2": "no reading yet", "cabinet": "ok"}
    assert list(found["probes"]) == ["needle", "vat1", "vat2", "cabinet"]
    assert found["charges"] == {"needle": 42} and found["clock_known"] is False
    assert found["hearing"].startswith("The recorder hears badly: the microphone gives only silence.")
    k.read("elsewhere", 80)
    assert states.health(k.state.world, ("needle",), "1.2", 0, 100)["probes"] == {
        "needle": "open circuit",
        "cabinet": "ok",
        "elsewhere": "ok",
    }


def test_a_check_of_an_unnamed_piece_has_no_limits_of_its_own() -> None:
    k = Uneven()
    k.begin(2)
    k.fry(2)
    k.say(m.READING, number=83.57, vat=2)
    (check,) = states.read_checks(k.state.world).values()
    assert (check["part"], check["temperature"], check["target"], check["critical_limit"]) == (None, 83.57, None, None)


def test_health_goes_out_each_minute_to_the_millisecond(tmp_path: Path) -> None:
    k = Uneven()
    given: list[str] = []
    with Journal.open(tmp_path / "r.db") as journal:
        teller = StatePublisher(lambda name, value: given.append(name), journal, tmp_path / "r.db", ["needle"])
        for at_ms in (59_999, 60_000, 119_999, 120_000, 120_001):
            teller.beat(k.state.world, at_ms)
    assert given == ["health", "health"]
