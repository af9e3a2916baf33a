"""The needle in ice and in boiling water. Tolerances: Food Code 2022, 4-203.11: ±2 °F, or ±1 °C."""

from dataclasses import replace

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.limits import Limit, to_c
from recorder.core.procedure import Procedure
from recorder.core.subjects.probe_check import GRACE_MS, WINDOW_MS
from tests.kitchen import PROCEDURE, Kitchen

HOUR = 3_600_000
DAILY = replace(PROCEDURE, probe_check_every_ms=24 * HOUR, altitude_m=1609.344)


@pytest.fixture
def kitchen() -> Kitchen:
    kitchen = Kitchen(procedure=DAILY)
    kitchen.say(m.SHIFT_START, cook=4)
    return kitchen


@pytest.mark.parametrize(
    ("value", "verdict", "off"),
    [(32.0, "passed", 0), (34.0, "passed", 2), (30.0, "passed", -2), (34.1, "failed", 2.1), (29.9, "failed", -2.1)],
)
def test_in_ice_two_degrees_fahrenheit_are_allowed(kitchen: Kitchen, value: float, verdict: str, off: float) -> None:
    assert kitchen.say(m.ICE_POINT) == "Checking the probe: ice point. Stir, and keep the needle in the middle."
    kitchen.dip(value, uncertainty_c=0.1)
    (row,) = kitchen.rows("probe_checks")
    assert (row["how"], row["verdict"], row["off"], row["due"]) == ("ice point", verdict, pytest.approx(off), 32)
    assert (row["tolerance"], row["unit"], row["uncertainty_c"]) == (2, "F", 0.1)
    failed = [("probe check failed", "raised")] if verdict == "failed" else []
    assert kitchen.notices(alerts.PROBE_CHECK_FAILED) == failed


@pytest.mark.parametrize(("value_c", "verdict"), [(1.0, "passed"), (1.01, "failed"), (-1.0, "passed")])
def test_on_a_scale_in_celsius_one_degree_is_allowed(value_c: float, verdict: str) -> None:
    target, critical = Limit(80, "C"), Limit(74, "C")
    parts = tuple(replace(part, target=target, critical=critical) for part in DAILY.parts)
    procedure = replace(
        DAILY,
        unit="C",
        parts=parts,
        hold_minimum=Limit(57, "C"),
        oil_low=Limit(160, "C"),
        oil_high=Limit(180, "C"),
    )
    kitchen = Kitchen(procedure=procedure)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(value_c * 1.8 + 32)
    assert kitchen.rows("probe_checks")[0]["verdict"] == verdict


def test_boiling_water_is_judged_by_the_kitchens_height(kitchen: Kitchen) -> None:
    """One mile up, by ISA and IF97: 202.31 °F (published-values of tests/test_water.py)."""
    kitchen.say(m.BOILING_POINT)
    kitchen.dip(203.0)
    (row,) = kitchen.rows("probe_checks")
    assert (row["due"], row["verdict"]) == (pytest.approx(202.31, abs=0.01), "passed")
    kitchen.say(m.BOILING_POINT)
    kitchen.dip(212.0)
    assert kitchen.rows("probe_checks")[1]["verdict"] == "failed", "right at the sea, wrong up there"


def test_boiling_water_at_an_unknown_height_is_refused() -> None:
    kitchen = Kitchen(procedure=replace(DAILY, altitude_m=None))
    assert "no altitude_m under [probe_check]; use ice" in kitchen.say(m.BOILING_POINT)
    assert kitchen.rows("probe_checks") == []


def test_without_a_reading_it_is_closed_as_that(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    kitchen.read("needle", 40)
    kitchen.wait(WINDOW_MS)
    kitchen.dip(32)
    (row,) = kitchen.rows("probe_checks")
    assert (row["verdict"], row["temp_c"], row["off"]) == ("no reading", None, None)


def test_a_probe_check_and_a_check_of_a_piece_wait_for_one_needle(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.say(m.PROBE, part="thigh")
    kitchen.say(m.ICE_POINT)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(185)
    assert [row["verdict"] for row in kitchen.rows("checks")] == ["no reading", "passed"]
    assert [row["verdict"] for row in kitchen.rows("probe_checks")] == ["no reading"]


def test_a_needle_that_lay_in_something_for_long_is_not_in_the_bath(kitchen: Kitchen) -> None:
    kitchen.dip(180)
    kitchen.wait(60_000)
    kitchen.say(m.ICE_POINT)
    kitchen.read("needle", 180, settled=True, spot=kitchen.spot)
    assert kitchen.rows("probe_checks")[0]["verdict"] == "open"
    kitchen.dip(32)
    assert kitchen.rows("probe_checks")[0]["verdict"] == "passed"


def test_an_overdue_check_is_told_once_and_ends_when_the_probe_passes(kitchen: Kitchen) -> None:
    kitchen.wait(GRACE_MS + HOUR)
    assert kitchen.news(alerts.PROBE_CHECK_OVERDUE) == [("probe check overdue", "raised")]
    assert "has never passed a check" in kitchen.rows("alerts")[-1]["text"]
    kitchen.say(m.ICE_POINT)
    kitchen.dip(35)
    assert len(kitchen.news(alerts.PROBE_CHECK_OVERDUE)) == 1, "a failed check is none"
    kitchen.say(m.ICE_POINT)
    kitchen.dip(36)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    assert kitchen.news(alerts.PROBE_CHECK_OVERDUE)[-1] == ("probe check overdue", "ended")
    failed = kitchen.news(alerts.PROBE_CHECK_FAILED)
    assert [change for _, change in failed] == ["raised", "ended", "raised", "ended"]
    kitchen.wait(23 * HOUR)
    assert len(kitchen.news(alerts.PROBE_CHECK_OVERDUE)) == 2
    kitchen.wait(2 * HOUR)
    assert len(kitchen.news(alerts.PROBE_CHECK_OVERDUE)) == 3
    told = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.PROBE_CHECK_OVERDUE]
    assert "passed its last check 24 hours ago" in " ".join(str(row["text"]) for row in told)
    assert sorted(row["ended_by"] or "open" for row in told) == ["open", "passed"], "each time has a row of its own"


def test_before_rules_4_the_probe_check_of_a_shift_was_overdue_in_one_row() -> None:
    kitchen = Kitchen(procedure=DAILY, rules=3)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.wait(GRACE_MS + HOUR)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.wait(25 * HOUR)
    assert [change for _, change in kitchen.news(alerts.PROBE_CHECK_OVERDUE)] == ["raised", "ended", "raised"]
    (row,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.PROBE_CHECK_OVERDUE]
    assert row["ended_ms"] is None


def test_between_shifts_nothing_is_overdue(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.say(m.SHIFT_END)
    kitchen.wait(100 * HOUR)
    assert kitchen.news(alerts.PROBE_CHECK_OVERDUE) == []
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.wait(GRACE_MS)
    assert "passed its last check 4 days ago" in str([row["text"] for row in kitchen.rows("alerts")])


def test_each_check_says_how_its_probe_stood(kitchen: Kitchen) -> None:
    def probed(hours: int = 0) -> tuple[object, object]:
        kitchen.wait(hours * HOUR)
        if not any(batch.stage == "checking" for batch in kitchen.state.world.batches):
            kitchen.cook()
        kitchen.check("thigh", 185)
        row = kitchen.rows("checks")[-1]
        return row.get("probe_check"), row["probe_was"]

    assert probed() == (None, "unchecked")
    kitchen.say(m.ICE_POINT)
    kitchen.dip(36)
    first = kitchen.rows("probe_checks")[0]["id"]
    assert probed() == (first, "failed")
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32.5)
    second = kitchen.rows("probe_checks")[1]["id"]
    assert probed() == (second, "passed")
    assert probed(25) == (second, "overdue")


def test_where_no_probe_checks_are_asked_for_rows_say_nothing_of_them() -> None:
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 185)
    assert "probe_was" not in kitchen.rows("checks")[0]
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.check("leg", 185)
    assert kitchen.rows("checks")[1]["probe_was"] == "passed"


def test_a_probe_check_can_be_struck(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    assert kitchen.say(m.SCRATCH) == "Struck: ice point."
    assert kitchen.rows("probe_checks")[0]["struck"] == 1
    kitchen.dip(32)
    assert kitchen.state.world.probe_read is None


@pytest.mark.parametrize(
    ("asked", "problem"),
    [
        (replace(PROCEDURE, probe_check_every_ms=0), "probe_check.every is 0 s; write more than zero"),
        (
            replace(PROCEDURE, altitude_m=9000.0),
            "probe_check.altitude_m is 9000; write -500 to 5000, in metres above the sea",
        ),
        (replace(PROCEDURE, polar_limit=100.0), "oil.polar_limit is 100; write above 0 and below 100, in %"),
    ],
)
def test_a_procedure_says_what_it_asks_of_the_probe(asked: Procedure, problem: str) -> None:
    assert problem in asked.problems()


def test_without_a_procedure_the_scale_is_celsius() -> None:
    kitchen = Kitchen(procedure=replace(PROCEDURE, product="", parts=()))
    kitchen.say(m.ICE_POINT)
    kitchen.dip(to_c(34, "F"))
    assert kitchen.rows("probe_checks")[0]["unit"] == "C"
