"""What batches say of the next ones. Courses are invented; tests/test_sampling.py checks factors and rules."""

from dataclasses import replace

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.events import ProbeLost, Reading
from recorder.core.limits import to_c
from tests.kitchen import MINUTE, PROCEDURE, Kitchen

USUAL = (186, 188, 185, 187, 186, 188, 187, 186, 185, 187)


@pytest.fixture
def kitchen() -> Kitchen:
    kitchen = Kitchen(procedure=replace(PROCEDURE, polar_limit=24.0))
    kitchen.say(m.SHIFT_START, cook=4)
    return kitchen


def batch(kitchen: Kitchen, *values: float, end: str = m.HOLD_START) -> None:
    kitchen.cook()
    for part, value in zip(("thigh", "breast", "leg", "wing"), values, strict=False):
        kitchen.check(part, value)
    kitchen.say(end)
    if end == m.HOLD_START:
        kitchen.say(m.CONFIRM)
        kitchen.say(m.HOLD_END)


def test_a_batch_has_a_bound_by_its_own_pieces_and_by_the_spread_of_those_before(kitchen: Kitchen) -> None:
    """Four pieces at 184 to 190 °F, s = 2.58 °F: 187 - 5.1439 s is 173.7 °F."""
    batch(kitchen, 184, 186, 188, 190)
    batch(kitchen, 186, 187, 187, 188)
    batch(kitchen, 186)
    first, second, third = kitchen.rows("batches")
    assert first["bound"] == pytest.approx(187 - 5.1439 * (20 / 3) ** 0.5, abs=0.01)
    assert "pooled_bound" not in first
    assert second["bound"] == pytest.approx(187 - 5.1439 * (2 / 3) ** 0.5, abs=0.01)
    assert second["pooled_bound"] == pytest.approx(first["bound"], abs=0.01), "one batch before, of four pieces too"
    assert "bound" not in third and third["pooled_bound"] < 186


def test_spoken_temperatures_and_later_rounds_say_nothing(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.say(m.READING, number=190.0)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    kitchen.say(m.HOLD_END)
    assert "bound" not in kitchen.rows("batches")[0] and kitchen.state.world.checked == ()
    batch(kitchen, 170, 172, 171, end=m.COOK_MORE)
    bound = kitchen.rows("batches")[1]["bound"]
    kitchen.say(m.LID_LOCKED)
    kitchen.say(m.LID_OPEN)
    kitchen.check_all(190)
    kitchen.say(m.HOLD_START)
    assert kitchen.rows("batches")[1]["bound"] == bound
    assert len(kitchen.state.world.checked) == 1


def test_batches_of_a_part_that_run_colder_are_told_before_one_misses(kitchen: Kitchen) -> None:
    for value in USUAL:
        batch(kitchen, value, 190)
    assert kitchen.news(alerts.DRIFT) == []
    batch(kitchen, 182, 190)
    assert kitchen.news(alerts.DRIFT) == [("batches run colder", "raised")]
    assert kitchen.news(alerts.CHECK_BELOW_TARGET) == []
    text = next(row["text"] for row in kitchen.rows("alerts") if row["kind"] == alerts.DRIFT)
    assert text == (
        "Thigh: batches run colder than they used to (batch 11 182.0 °F, before 186.6 °F; run rule 1). Target is"
        " 180 °F. Compare oil, pieces a load and cook time before one is missed."
    )
    batch(kitchen, 182, 190)
    assert len(kitchen.news(alerts.DRIFT)) == 1, "told once"
    batch(kitchen, 187, 190)
    assert kitchen.news(alerts.DRIFT)[1:] == [("batches run colder", "ended")]


def oil(kitchen: Kitchen, recovery_s: int) -> None:
    """A load pulls the oil from 340 to 315 °F; it is back at 325 °F after so long."""
    kitchen.read("vat1", 340)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LOAD, part="leg", count=12)
    loaded_ms = kitchen.at_ms - 1000
    kitchen.say(m.LID_LOCKED)
    for at_s, value in ((60, 315), (recovery_s - 10, 324), (recovery_s, 325), (recovery_s + 30, 338)):
        kitchen.wait(loaded_ms + at_s * 1000 - kitchen.at_ms)
        kitchen.read("vat1", value)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    for part in ("thigh", "leg", "thigh", "leg"):
        kitchen.check(part, 185)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.HOLD_END)


def test_how_long_oil_takes_to_recover_is_kept_and_a_slow_vat_is_told(kitchen: Kitchen) -> None:
    for seconds in (180, 184, 178, 182, 186, 181, 179, 183):
        oil(kitchen, seconds)
    rows = kitchen.rows("recoveries")
    assert [row["seconds"] for row in rows] == [180, 184, 178, 182, 186, 181, 179, 183]
    assert rows[0]["lowest"] == 315 and rows[0]["back_at"] == 325 and rows[0]["vat"] == 1
    assert [row["batch"] for row in rows] == list(range(1, 9))
    oil(kitchen, 260)
    assert kitchen.news(alerts.OIL_SLOW) == [("oil recovers slowly", "raised")]
    text = next(row["text"] for row in kitchen.rows("alerts") if row["kind"] == alerts.OIL_SLOW)
    assert text == (
        "Vat 1: the oil took 4 min 20 s to recover after the load of batch 9, before 3 min 01 s (run rule 1). Compare"
        " pieces a load and the oil's level; burner, gas and electrics are for licensed people."
    )
    oil(kitchen, 270)
    assert len(kitchen.news(alerts.OIL_SLOW)) == 1
    oil(kitchen, 182)
    assert kitchen.news(alerts.OIL_SLOW)[1:] == [("oil recovers slowly", "ended")]


def test_a_recovery_that_the_cook_outruns_is_given_up(kitchen: Kitchen) -> None:
    kitchen.read("vat1", 340)
    kitchen.cook(minutes=1)
    kitchen.read("vat1", 310)
    assert kitchen.state.world.recoveries == ()
    assert kitchen.rows("recoveries") == []


def test_a_recovery_of_endless_readings_is_given_up(kitchen: Kitchen) -> None:
    kitchen.read("vat1", 340)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh")
    for _ in range(400):
        kitchen.wait(1000)
        kitchen.read("vat1", 310)
    assert kitchen.state.world.recoveries == ()


def test_care_of_the_oil_says_what_it_has_borne(kitchen: Kitchen) -> None:
    kitchen.say(m.OIL_CHANGED)
    batch(kitchen, 185)
    batch(kitchen, 185)
    kitchen.wait(60 * MINUTE)
    kitchen.say(m.OIL_FILTERED)
    batch(kitchen, 185)
    kitchen.say(m.OIL_LEVEL_OK)
    kitchen.say(m.OIL_CHANGED)
    changed, filtered, level, again = kitchen.rows("oil")
    assert "hours_since" not in changed and "hours_since" not in level
    assert filtered["batches_since"] == 2 and 1 < filtered["hours_since"] < 2
    assert again["batches_since"] == 3 and again["hours_since"] > filtered["hours_since"]


def test_care_of_one_vat_is_not_care_of_another() -> None:
    kitchen = Kitchen(vats=(1, 2))
    kitchen.say(m.SHIFT_START, cook=4)
    for vat in (1, 2):
        kitchen.say(m.OIL_FILTERED, vat=vat)
    kitchen.say(m.BATCH_START, vat=2)
    for vat in (1, 2):
        kitchen.say(m.OIL_FILTERED, vat=vat)
    assert [row.get("batches_since") for row in kitchen.rows("oil")] == [None, None, 0, 1]


def test_polar_compounds_are_kept_as_read_and_told_above_the_sites_limit(kitchen: Kitchen) -> None:
    assert kitchen.say(m.OIL_POLAR, percent=22.0) == "Oil polar compounds 22 percent, vat 1."
    kitchen.read("cabinet", 100)
    kitchen.say(m.BATCH_START)
    assert kitchen.say(m.OIL_POLAR, percent=25.0).endswith("The site's limit is 24.")
    kitchen.feed(ProbeLost(kitchen.at_ms, "cabinet", "silent"))
    assert kitchen.say(m.OIL_POLAR, percent=26.0).endswith("The site's limit is 24.")
    assert [row["percent"] for row in kitchen.rows("oil")] == [22, 25, 26]
    told = [change for _, change in kitchen.news(alerts.OIL_POLAR)]
    assert told == ["raised", "ended", "raised"]
    kitchen.say(m.OIL_CHANGED)
    assert kitchen.news(alerts.OIL_POLAR)[-1] == ("oil over its polar limit", "ended")
    assert "say the percentage" in kitchen.say(m.OIL_POLAR)


def test_without_a_limit_any_share_is_only_kept() -> None:
    kitchen = Kitchen()
    assert kitchen.say(m.OIL_POLAR, percent=40.0) == "Oil polar compounds 40 percent, vat 1."
    assert kitchen.news(alerts.OIL_POLAR) == []


def test_an_older_record_is_judged_by_its_own_rules() -> None:
    kitchen = Kitchen(rules=1)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.feed(Reading(kitchen.at_ms, "vat1", to_c(340, "F")))
    kitchen.say(m.OIL_CHANGED)
    kitchen.say(m.OIL_CHANGED)
    batch(kitchen, 185, 186)
    assert "bound" not in kitchen.rows("batches")[0]
    assert "hours_since" not in kitchen.rows("oil")[1]
    assert kitchen.state.world.recoveries == ()
