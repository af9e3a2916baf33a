"""What proves a batch, and what can never be taken back: readings, holds, waits, pieces, thermometers.

165 °F: FDA Food Code 2022, 3-401.11(A)(3). 135 °F: 3-501.16(A)(1). Reheating to 165 °F within 2 h: 3-403.11. 4 h by
time alone: 3-501.19. Probes within 2 °F: 4-203.11. Pieces, parts and waits are this invented kitchen's own.
"""

from dataclasses import replace
from typing import Any

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Cue, Notice
from recorder.core.events import RULES, Acknowledged, ProbeLost, ProcedureLoaded, Started
from recorder.core.limits import Limit
from recorder.core.procedure import BY_TIME, Procedure
from tests.kitchen import MINUTE, PROCEDURE, Kitchen

HOUR = 60 * MINUTE
PARTS = ("thigh", "breast", "leg", "wing")


@pytest.fixture
def kitchen() -> Kitchen:
    kitchen = Kitchen(vats=(1, 2, 3))
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.wait(MINUTE)
    return kitchen


def checked(kitchen: Kitchen, vat: int = 1, **slots: Any) -> None:
    """A batch in `vat` with complete checks."""
    kitchen.cook(vat=vat)
    kitchen.check_all(185, **slots)


def held(kitchen: Kitchen) -> None:
    checked(kitchen)
    kitchen.say(m.HOLD_START)


def cooked_on(kitchen: Kitchen, minutes: int = 4) -> None:
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(minutes * MINUTE)
    kitchen.say(m.LID_OPEN)


def verdicts(kitchen: Kitchen) -> list[tuple[object, object]]:
    return [(row["temperature"], row["verdict"]) for row in kitchen.rows("checks")]


def is_open(kitchen: Kitchen, kind: str) -> bool:
    return any(row["kind"] == kind and row["ended_ms"] is None for row in kitchen.rows("alerts"))


# --- Whose reading it is


def test_a_colder_spot_is_for_the_batch_that_was_probed_last(kitchen: Kitchen) -> None:
    for vat in (1, 2):
        kitchen.cook(vat=vat)
    kitchen.check("thigh", 182, batch=1)
    kitchen.check("thigh", 183, batch=2)
    kitchen.dip(150, colder=True)
    assert verdicts(kitchen) == [(182, "passed"), (150, "below critical limit")]


def test_a_colder_spot_in_ice_is_for_no_piece(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.check("thigh", 185)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(33)
    kitchen.dip(32, colder=True)
    assert verdicts(kitchen) == [(185, "passed")]
    assert kitchen.rows("probe_checks")[-1]["temperature"] == 33


def test_the_piece_before_is_no_ice_bath(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.check("thigh", 185)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(150, colder=True)
    assert verdicts(kitchen) == [(150, "below critical limit")]
    assert kitchen.rows("probe_checks")[-1]["verdict"] == "open"


def test_between_words_and_needle_nobody_knows_and_the_check_before_counts_no_more(kitchen: Kitchen) -> None:
    for vat in (1, 2):
        kitchen.cook(vat=vat)
    kitchen.check("thigh", 185, batch=1)
    kitchen.say(m.PROBE, part="thigh", batch=2)
    kitchen.dip(150, colder=True)
    first, second = kitchen.rows("checks")
    assert (first["temperature"], first["counts"], first["disputed"]) == (185, 0, "a colder spot straight after it")
    assert (second["temperature"], second["verdict"]) == (150, "below critical limit")


@pytest.mark.parametrize("words", [m.HOLD_START, m.COOK_MORE, m.DISCARD])
def test_a_colder_spot_right_after_other_words_is_not_dropped(kitchen: Kitchen, words: str) -> None:
    checked(kitchen)
    kitchen.say(words)
    if words == m.DISCARD:
        kitchen.say(m.CONFIRM)
    kitchen.dip(140, colder=True)
    assert verdicts(kitchen)[-1] == (140, "below critical limit")
    assert is_open(kitchen, alerts.CHECK_BELOW_CRITICAL)
    if words == m.HOLD_START:
        assert (kitchen.rows("holds")[0]["proven"], is_open(kitchen, alerts.HOLD_UNPROVEN)) == (0, True)


@pytest.mark.parametrize("words", [m.HOLD_START, m.HOLD_END])
def test_a_probe_that_is_on_its_way_is_not_stopped_by_words(kitchen: Kitchen, words: str) -> None:
    checked(kitchen)
    if words == m.HOLD_END:
        kitchen.say(m.HOLD_START)
    kitchen.say(m.PROBE, part="wing")
    kitchen.say(words)
    kitchen.dip(120)
    assert kitchen.rows("checks")[-1]["temperature"] == 120
    assert is_open(kitchen, alerts.CHECK_BELOW_CRITICAL) or is_open(kitchen, alerts.FOOD_COLD)


def test_what_is_hotter_than_food_is_no_piece(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(340)
    assert kitchen.effects[-1] == Cue("refused", "The needle reads 340.0 degrees. That is no piece.")  # type: ignore[arg-type]
    assert kitchen.rows("checks")[0]["verdict"] == "open"


# --- What is never taken back


def test_a_reading_is_disputed_and_never_struck(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.check("thigh", 140)
    assert "stays on record as disputed" in kitchen.say(m.SCRATCH)
    assert "disputed already" in kitchen.say(m.SCRATCH)
    kitchen.check_all(185)
    assert "1 failed" in kitchen.say(m.HOLD_START)
    row = kitchen.rows("checks")[0]
    assert (row["temperature"], row["struck"], row["disputed"], row["counts"]) == (140, 0, "by the cook", 0)
    assert is_open(kitchen, alerts.CHECK_BELOW_CRITICAL)
    cooked_on(kitchen)
    kitchen.check_all(185)
    assert kitchen.say(m.HOLD_START) == "Batch 1 holding.", "only a correction makes it complete again"


def test_a_passed_check_that_is_disputed_counts_no_more(kitchen: Kitchen) -> None:
    checked(kitchen)
    kitchen.say(m.SCRATCH)
    assert "wing not checked" in kitchen.say(m.HOLD_START)


def test_what_was_said_before_a_reading_is_past_striking(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.say(m.OIL_LEVEL_OK, vat=1)
    kitchen.dip(185)
    assert kitchen.say(m.SCRATCH) == "Struck: oil level ok."
    assert "disputed" in kitchen.say(m.SCRATCH)
    assert kitchen.rows("checks")[0]["temperature"] == 185


def test_a_spoken_reading_that_was_misheard_stays_on_record_and_fails_nothing(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.say(m.READING, number=140)
    kitchen.say(m.SCRATCH)
    (row,) = kitchen.rows("checks")
    assert (row["temperature"], row["struck"], row["disputed"]) == (140, 0, "by the cook")
    kitchen.check_all(185)
    assert kitchen.say(m.HOLD_START) == "Batch 1 holding."


def test_a_failed_check_of_a_thermometer_is_not_struck_either(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    kitchen.dip(40)
    kitchen.say(m.SCRATCH)
    row = kitchen.rows("probe_checks")[-1]
    assert (row["verdict"], row["struck"], row["disputed"]) == ("failed", 0, "by the cook")
    checked(kitchen)
    assert {row["counts"] for row in kitchen.rows("checks")} == {0}


def test_a_passed_check_of_the_probe_that_is_disputed_vouches_for_nothing() -> None:
    kitchen = Kitchen(procedure=replace(PROCEDURE, probe_check_every_ms=24 * HOUR))
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.say(m.SCRATCH)
    checked(kitchen)
    assert {row["probe_was"] for row in kitchen.rows("checks")} == {"unchecked"}


def test_a_hold_that_was_struck_goes_on_in_the_next_one(kitchen: Kitchen) -> None:
    held(kitchen)
    (first,) = kitchen.rows("holds")
    for _ in range(10):
        kitchen.read("cabinet", 120)
        kitchen.wait(30_000)
    kitchen.say(m.SCRATCH)
    kitchen.wait(HOUR)
    kitchen.say(m.HOLD_START)
    struck, row = kitchen.rows("holds")
    assert (struck["struck"], row["struck"]) == (1, 0)
    assert (row["started_ms"], row["counted_from_ms"]) == (first["started_ms"], first["counted_from_ms"])
    assert row["seconds_below"] == 270
    kitchen.wait(1)
    assert is_open(kitchen, alerts.HOLD_PAST_LIMIT)


def test_a_hold_counts_from_the_open_lid(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    opened_ms = kitchen.at_ms
    kitchen.check_all(185)
    kitchen.wait(5 * MINUTE)
    kitchen.say(m.HOLD_START)
    (row,) = kitchen.rows("holds")
    assert row["counted_from_ms"] == opened_ms and row["until_ms"] == opened_ms + PROCEDURE.hold_limit_ms


# --- Thermometers


def test_a_needle_that_failed_proves_nothing_until_it_passes(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    kitchen.dip(40)
    kitchen.cook(vat=1)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(185)
    assert kitchen.effects[-1].say == (  # type: ignore[union-attr]
        "Thigh 185.0 degrees, but the probe failed its own check. It does not count."
    )
    assert is_open(kitchen, alerts.PROBE_UNTRUSTED)
    kitchen.check_all(185)
    assert "0 of 4" in kitchen.say(m.HOLD_START)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.check_all(185)
    assert kitchen.say(m.HOLD_START) == "Batch 1 holding."
    assert not is_open(kitchen, alerts.PROBE_UNTRUSTED)


def test_what_the_needle_gave_since_it_last_passed_is_named_as_in_doubt(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.say(m.HOLD_END)
    checked(kitchen)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(40)
    (doubt,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.IN_DOUBT]
    assert "batch 1 (thigh, breast, leg, wing) and batch 2 (thigh, breast, leg, wing)" in str(doubt["text"])
    ids = [row["id"] for row in kitchen.rows("checks")]
    assert kitchen.rows("probe_checks")[-1]["checks_in_doubt"] == " ".join(map(str, ids))
    second = [row for row in kitchen.rows("checks") if row["batch"] == 2]
    assert {(row["counts"], row["in_doubt"]) for row in second} == {(0, 1)}
    assert kitchen.rows("holds")[-1]["proven"] == 0 and is_open(kitchen, alerts.HOLD_UNPROVEN)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    assert not is_open(kitchen, alerts.PROBE_CHECK_FAILED)
    assert is_open(kitchen, alerts.IN_DOUBT), "what was sold is for a person to decide"
    kitchen.feed(Acknowledged(kitchen.at_ms, str(doubt["id"]), "MK"))
    assert not is_open(kitchen, alerts.IN_DOUBT)


@pytest.mark.parametrize("needle", ["failed", "lost", "well"])
def test_another_thermometer_stands_in_only_while_the_needle_can_not(kitchen: Kitchen, needle: str) -> None:
    if needle == "failed":
        kitchen.say(m.ICE_POINT)
        kitchen.dip(40)
    elif needle == "lost":
        kitchen.feed(ProbeLost(kitchen.at_ms, "needle", "open circuit"))
    assert kitchen.say(m.SPARE_ICE, ice=33.0).endswith("The spare thermometer passed.")
    kitchen.cook(vat=1)
    for part in PARTS:
        kitchen.say(m.PROBE, part=part)
        kitchen.say(m.READING, number=185)
    stands_in = needle != "well"
    assert {row.get("probe_was") for row in kitchen.rows("checks")} == {"spare passed" if stands_in else None}
    assert {row["source"] for row in kitchen.rows("checks")} == {"spoken"}
    assert (kitchen.say(m.HOLD_START) == "Batch 1 holding.") == stands_in


def test_a_spare_thermometer_that_fails_puts_its_own_readings_in_doubt(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    kitchen.dip(40)
    kitchen.say(m.SPARE_ICE, ice=32.0)
    kitchen.cook(vat=1)
    for part in PARTS:
        kitchen.say(m.PROBE, part=part)
        kitchen.say(m.READING, number=185)
    kitchen.say(m.HOLD_START)
    assert "failed its check" in kitchen.say(m.SPARE_ICE, ice=39.0)
    assert {row["counts"] for row in kitchen.rows("checks")} == {0}
    assert is_open(kitchen, alerts.IN_DOUBT) and is_open(kitchen, alerts.HOLD_UNPROVEN)
    assert "disputed" in kitchen.say(m.SCRATCH)
    assert kitchen.rows("probe_checks")[-1]["verdict"] == "failed"


# --- What was loaded


@pytest.mark.parametrize(
    ("loads", "probed", "missing"),
    [
        ([("thigh", 12)], ["wing"] * 4, "thigh and 3 more not checked"),
        ([], ["thigh"] * 4, "no load was said"),
        ([("thigh", 2)], ["thigh"] * 2, ""),
        ([("thigh", 1), ("wing", 12)], ["thigh"] * 4, "wing and 2 more not checked"),
        ([("thigh", 12), ("wing", 12)], ["wing", "wing", "wing", "thigh"], ""),
        ([("thigh", 12), ("breast", 12), ("leg", 12), ("wing", 12)], ["thigh"] * 4, "breast, leg and wing not checked"),
        ([("thigh", None), ("wing", None)], ["thigh", "wing", "wing"], "1 more not checked"),
    ],
)
def test_checks_cover_what_was_loaded(
    kitchen: Kitchen, loads: list[tuple[str, int | None]], probed: list[str], missing: str
) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    for part, count in loads:
        kitchen.say(m.LOAD, part=part, count=count)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    for part in probed:
        kitchen.check(part, 185)
    answer = kitchen.say(m.HOLD_START)
    assert f": {missing}." in answer if missing else answer == "Batch 1 holding."
    assert kitchen.rows("batches")[0].get("missing") == (missing or None)


def test_a_load_that_was_forgotten_is_said_late(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    assert kitchen.say(m.LOAD, part="wing", count=6) == "Batch 1, wing 6, said late."
    assert [row.get("said_late") for row in kitchen.rows("loads")] == [None, 1]
    assert kitchen.say(m.LOAD, part="thigh", count=6) == "Refused: batch 1 is still cooking.", "it has thighs already"


# --- Waits


def test_raw_pieces_that_wait_are_an_alert_and_stay_a_deviation(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    kitchen.say(m.LOAD, part="thigh", count=12)
    loaded_ms = kitchen.at_ms
    kitchen.wait(9 * MINUTE)
    kitchen.say(m.SCRATCH)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.wait(2 * MINUTE)
    (alert,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.PIECES_WAIT]
    assert alert["began_ms"] == loaded_ms + PROCEDURE.raw_wait_ms, "a word does not make raw pieces fresh"
    kitchen.say(m.LID_LOCKED)
    assert "not known" in kitchen.say(m.TIME_LEFT)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    for _ in range(4):
        kitchen.check("thigh", 185)
    assert "waited" in kitchen.say(m.HOLD_START)
    (hold,), (cook,) = kitchen.rows("holds"), kitchen.rows("fryings")
    assert (hold["late"], cook["said_late"], cook["time_proven"]) == (1, 1, 0)
    assert str(kitchen.rows("batches")[0]["waits"]).startswith("loading 11 min")
    assert is_open(kitchen, alerts.HOLD_LATE) and not is_open(kitchen, alerts.PIECES_WAIT)


def test_cooked_pieces_that_wait_are_an_alert_and_four_hours_a_danger(kitchen: Kitchen) -> None:
    checked(kitchen)
    kitchen.wait(16 * MINUTE)
    assert is_open(kitchen, alerts.PIECES_WAIT)
    kitchen.wait(5 * HOUR)
    kitchen.say(m.HOLD_START)
    (late,) = [
        each.alert for each in kitchen.effects if isinstance(each, Notice) and each.alert.kind == alerts.HOLD_LATE
    ]
    assert late.level == "critical"
    assert "4 h is the most" in kitchen.say(m.HOLD_END)


def test_pieces_that_go_back_do_not_wait_unseen(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.check("thigh", 150)
    kitchen.say(m.COOK_MORE)
    kitchen.wait(6 * MINUTE)
    (alert,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.PIECES_WAIT]
    assert "pieces that go back have waited" in str(alert["text"])


# --- In holding


def test_food_in_holding_is_probed_and_cooked_more(kitchen: Kitchen) -> None:
    held(kitchen)
    assert kitchen.say(m.PROBE, part="wing") == "Probing wing, batch 1 in holding."
    kitchen.dip(120)
    row = kitchen.rows("checks")[-1]
    assert (row["verdict"], row["stage"], row["counts"]) == ("below hold minimum", "holding", 0)
    assert is_open(kitchen, alerts.FOOD_COLD)
    assert "at 120.0 °F" in kitchen.say(m.HOLD_END), "the question names the number"
    kitchen.say(m.COOK_MORE)
    assert kitchen.rows("holds")[0]["outcome"] == "cooked more"
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(4 * MINUTE)
    kitchen.say(m.LID_OPEN)
    kitchen.check_all(185)
    assert kitchen.say(m.HOLD_START) == "Batch 1 holding."
    assert kitchen.say(m.HOLD_END) == "Batch 1 sold."
    assert not is_open(kitchen, alerts.REHEAT_LATE)


def test_a_piece_that_is_warm_enough_in_holding_is_no_alert(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.check("thigh", 150)
    assert kitchen.rows("checks")[-1]["verdict"] == "passed"
    assert kitchen.say(m.HOLD_END) == "Batch 1 sold."


@pytest.mark.parametrize("minutes", [100, 130])
def test_food_that_was_too_cold_is_hot_again_within_two_hours_of_the_reading(kitchen: Kitchen, minutes: int) -> None:
    held(kitchen)
    kitchen.check("wing", 120)
    kitchen.wait(minutes * MINUTE)
    cooked_on(kitchen)
    kitchen.check_all(185)
    kitchen.say(m.HOLD_START)
    answer = kitchen.say(m.HOLD_END)
    assert is_open(kitchen, alerts.REHEAT_LATE) == (minutes > 120)
    assert ("not hot again within 2 hours" in answer) == (minutes > 120)


@pytest.mark.parametrize(("value", "many", "cold"), [(134.9, 1, 0), (134.9, 2, 0), (134.9, 3, 1), (135, 9, 0)])
def test_one_sample_of_the_cabinet_is_no_alert(kitchen: Kitchen, value: float, many: int, cold: int) -> None:
    held(kitchen)
    for _ in range(many):
        kitchen.read("cabinet", value)
        kitchen.wait(30_000)
    assert len(kitchen.news(alerts.HOLD_COLD)) == cold


def test_a_cabinet_that_is_cold_now_and_then_adds_up(kitchen: Kitchen) -> None:
    held(kitchen)
    for _ in range(40):
        for value in (120, 120, 120, 140):
            kitchen.read("cabinet", value)
            kitchen.wait(20_000)
    assert kitchen.news(alerts.HOLD_COLD) == [(alerts.HOLD_COLD, "raised")]
    assert kitchen.rows("holds")[0]["seconds_below"] == 40 * 60


def test_a_cabinet_that_is_read_seldom_is_cold_all_the_same(kitchen: Kitchen) -> None:
    held(kitchen)
    for _ in range(3):
        kitchen.read("cabinet", 120)
        kitchen.wait(2 * MINUTE)
    assert kitchen.news(alerts.HOLD_COLD) == [(alerts.HOLD_COLD, "raised")]


def test_limits_of_two_units_are_compared_as_temperatures(kitchen: Kitchen) -> None:
    """A batch under a minimum of 135 °F and one under 65 °C: of 135 and 65 the second is the stricter."""
    held(kitchen)
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, in_celsius(PROCEDURE, 65.0)))
    checked(kitchen, vat=2)
    kitchen.say(m.HOLD_START)
    for _ in range(3):
        kitchen.read("cabinet", 140)
        kitchen.wait(30_000)
    (cold,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.HOLD_COLD]
    assert "Hot holding reads 60.0 °C and was below 65 °C" in str(cold["text"])


def in_celsius(procedure: Procedure, minimum: float) -> Procedure:
    parts = tuple(replace(part, target=Limit(82.0, "C"), critical=Limit(74.0, "C")) for part in procedure.parts)
    low, high = Limit(163.0, "C"), Limit(177.0, "C")
    return replace(procedure, unit="C", parts=parts, hold_minimum=Limit(minimum, "C"), oil_low=low, oil_high=high)


# --- Sold


def test_a_sale_past_the_limit_is_asked_about_and_stays_on_record(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.read("cabinet", 150)
    kitchen.wait(90 * MINUTE)
    answer = kitchen.say(m.HOLD_END)
    assert "its quality limit is 60 min 00 s" in answer and "held 90 min" in answer and answer.endswith("sold.")
    assert kitchen.rows("batches")[0]["outcome"] is None
    assert kitchen.say(m.CONFIRM) == "Batch 1 sold."
    (sold,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.SOLD_DESPITE]
    assert (sold["level"], sold["ended_ms"]) == ("warning", None), "a quality limit is not one of safety"
    kitchen.feed(Acknowledged(kitchen.at_ms, str(sold["id"]), "MK"))
    assert not is_open(kitchen, alerts.SOLD_DESPITE)


def test_a_sale_of_pieces_that_failed_stays_open_whatever_becomes_of_the_rest(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.check("thigh", 140)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    for _ in range(3):
        assert "read at 140.0 °F" in kitchen.say(m.SOLD, count=10)
        kitchen.say(m.CONFIRM)
    (sold,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.SOLD_DESPITE]
    assert sold["level"] == "critical" and "pieces 30" in str(sold["numbers"])
    cooked_on(kitchen)
    kitchen.check_all(185)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.HOLD_END)
    assert is_open(kitchen, alerts.SOLD_DESPITE)
    assert "Alerts open" in kitchen.say(m.SHIFT_END)


def test_by_time_alone_the_limit_is_one_of_safety_and_no_cooking_resets_it(kitchen: Kitchen) -> None:
    by_time = Kitchen(procedure=replace(PROCEDURE, hold_by=BY_TIME, hold_limit_ms=4 * HOUR, hold_warning_ms=3 * HOUR))
    by_time.say(m.SHIFT_START, cook=4)
    held(by_time)
    (first,) = by_time.rows("holds")
    assert first["limit_kind"] == "time"
    by_time.read("cabinet", 70)
    by_time.wait(3 * HOUR)
    assert by_time.news(alerts.HOLD_COLD) == []
    cooked_on(by_time)
    by_time.check_all(185)
    by_time.say(m.HOLD_START)
    assert by_time.rows("holds")[1]["counted_from_ms"] == first["counted_from_ms"]
    by_time.wait(HOUR)
    (past,) = [row for row in by_time.rows("alerts") if row["kind"] == alerts.HOLD_PAST_LIMIT]
    assert past["level"] == "critical" and "without temperature control. Discard it." in str(past["text"])


# --- Time that nobody can vouch for


def test_unknown_time_is_not_told_as_a_fact(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.wait(10 * MINUTE)
    kitchen.feed(Started(kitchen.at_ms, "boot-2", False, "test", "line-1", (1,), RULES, gap_known=False))
    assert kitchen.say(m.TIME_LEFT).startswith("Batch 1: its hold time is not known, at least 10 min")
    kitchen.wait(45 * MINUTE)
    (near,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.HOLD_NEAR_LIMIT]
    assert "how long is not known" in str(near["text"])
    assert "how long it was held is not known" in kitchen.say(m.HOLD_END)


def test_a_power_gap_of_known_length_asks_for_temperatures(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.cook(vat=2)
    kitchen.say(m.SCRATCH)
    kitchen.at_ms += 40 * MINUTE
    kitchen.feed(Started(kitchen.at_ms, "boot-2", True, "test", "line-1", (1, 2), RULES))
    (away,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.POWER_AWAY]
    assert str(away["text"]) == (
        "The power was away for 40 min 00 s: batch 2 was cooking, and a fryer without power does not cook; batch 1 was"
        " in holding, and a cabinet without power does not hold. Take the food's temperature once it is out."
    )
    assert "no piece is known to have been warm since" in kitchen.say(m.HOLD_END, batch=1)
    kitchen.check("wing", 150, batch=1)
    assert "power" not in kitchen.say(m.HOLD_END, batch=1)


# --- Pieces


def test_pieces_are_counted_against_the_load(kitchen: Kitchen) -> None:
    held(kitchen)
    assert kitchen.say(m.SOLD, count=20) == "20 pieces of batch 1 sold, 28 left."
    assert kitchen.say(m.DROPPED, count=3) == "3 pieces of batch 1 dropped, 25 left."
    kitchen.say(m.DISCARD, count=5)
    assert kitchen.say(m.CONFIRM) == "5 pieces of batch 1 discarded, 20 left."
    assert kitchen.say(m.SOLD, count=21).startswith("Refused: batch 1 has 20 pieces left. Words that fit now: ")
    kitchen.wait(90 * MINUTE)
    assert is_open(kitchen, alerts.HOLD_PAST_LIMIT), "the rest is watched"
    kitchen.say(m.HOLD_END)
    kitchen.say(m.CONFIRM)
    (row,) = kitchen.rows("batches")
    pieces = (row["sold_pieces"], row["dropped_pieces"], row["discarded_pieces"], row["outcome"], row["stage"])
    assert pieces == (40, 3, 5, "sold", "closed")


def test_more_pieces_than_a_vat_holds_can_not_leave_it(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    kitchen.say(m.LOAD, part="thigh")
    assert kitchen.say(m.DROPPED, count=24) == "24 pieces of batch 1 dropped, and it stays open."
    kitchen.say(m.DROPPED, count=24)
    assert "49 pieces are more than a vat holds" in kitchen.say(m.DROPPED, count=1)


# --- Words


def test_a_command_says_which_word_is_missing(kitchen: Kitchen) -> None:
    kitchen.read("cabinet", 140)
    kitchen.say(m.BATCH_START, vat=1)
    assert kitchen.say(m.LOAD) == "Refused: say the part."
    assert kitchen.say(m.LOAD, part="thigh", count=0) == "Refused: say how many pieces."
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LID_LOCKED)
    kitchen.say(m.BATCH_START, vat=2)
    assert kitchen.say(m.LOAD, part="wing", count=6, vat=1) == "Batch 1, wing 6, said late.", "another vat is loading"
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN, vat=1)
    kitchen.say(m.PROBE, part="thigh")
    assert "no check" not in kitchen.say(m.READING, number=185)
    assert kitchen.say(m.PROBE) == "Refused: say the part."


def test_a_late_load_can_undo_complete_checks(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    for _ in range(4):
        kitchen.check("thigh", 185)
    assert kitchen.say(m.LOAD, part="wing", count=6).endswith("no longer complete: wing not checked.")
    for vat in (2, 3):
        kitchen.say(m.BATCH_START, vat=vat)
    assert kitchen.say(m.LOAD, part="leg", count=6) == "Refused: say which vat: 2 or 3."


def test_a_colder_spot_right_after_the_sale_is_on_record(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.say(m.HOLD_END)
    kitchen.dip(150, colder=True)
    (hold,), (batch,) = kitchen.rows("holds"), kitchen.rows("batches")
    assert (hold["proven"], batch["proven"], batch["outcome"]) == (0, 0, "sold")
    last = kitchen.effects[-1]
    assert isinstance(last, Cue)
    assert last.say == "Wing 150.0 degrees, below critical limit. Batch 1 is sold already. Clean the needle."
    assert is_open(kitchen, alerts.CHECK_BELOW_CRITICAL)


def test_a_cabinet_without_a_procedure_is_no_hot_holding() -> None:
    kitchen = Kitchen(procedure=replace(PROCEDURE, unit="K"))
    kitchen.read("cabinet", 70)
    assert kitchen.state.world.cabinet is None


def test_a_needle_without_a_target_for_the_piece_counts_by_the_strictest(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.say(m.READING, number=179)
    assert kitchen.rows("checks")[0]["verdict"] == "below target"


def test_a_question_asks_for_what_the_card_can_say(kitchen: Kitchen) -> None:
    for vat in (1, 2, 3):
        kitchen.say(m.BATCH_START, vat=vat)
        kitchen.say(m.LOAD, part="thigh", count=12, vat=vat)
        kitchen.say(m.LID_LOCKED, vat=vat)
    assert kitchen.say(m.LID_OPEN) == "Refused: say which vat: 1 or 2 or 3."
    for vat in (1, 2):
        kitchen.say(m.LID_OPEN, vat=vat)
    assert kitchen.say(m.PROBE, part="thigh") == "Refused: say which: batch 1 or batch 2."
    assert kitchen.say(m.READING, number=185) == "Refused: say probe, the part and the batch before it."


@pytest.mark.parametrize(("minutes", "short"), [(1, 1), (14, 0)])
def test_a_locked_lid_that_nobody_said_is_recorded_as_a_cook_of_unknown_length(
    kitchen: Kitchen, minutes: int, short: int
) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.wait(minutes * MINUTE)
    assert "Confirm that it has cooked, for an unknown time." in kitchen.say(m.LID_OPEN)
    kitchen.say(m.CONFIRM)
    (cook,) = kitchen.rows("fryings")
    assert (cook["said_late"], cook["time_proven"], cook["short"]) == (1, 0, short)


def test_a_further_cook_is_timed_as_one(kitchen: Kitchen) -> None:
    kitchen.cook(vat=1)
    kitchen.check("thigh", 150)
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(3 * MINUTE)
    assert "cook time reached" in str(kitchen.effects[-1])
    kitchen.wait(3 * MINUTE)
    assert is_open(kitchen, alerts.COOK_OVERDUE)
    kitchen.say(m.LID_OPEN)
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    assert "Short cook" in kitchen.say(m.LID_OPEN)


def test_oil_is_not_changed_under_a_locked_lid(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LID_LOCKED)
    assert kitchen.say(m.OIL_CHANGED, vat=1) == "Refused: batch 1 is still cooking in vat 1."
    assert kitchen.say(m.OIL_LEVEL_OK, vat=1) == "Oil level ok, vat 1."


def test_status_says_what_speaks_against_a_batch(kitchen: Kitchen) -> None:
    checked(kitchen)
    kitchen.check("thigh", 150)
    assert "Batch 1 checking, 4 of 4 checks, 1 failed." in kitchen.say(m.STATUS)


@pytest.mark.parametrize(("number", "unit"), [(185, "C"), (40, "F"), (213, "F")])
def test_a_spoken_temperature_that_no_meat_has_is_refused(number: float, unit: str) -> None:
    kitchen = Kitchen(procedure=PROCEDURE if unit == "F" else in_celsius(PROCEDURE, 57.0))
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    answer = kitchen.say(m.READING, number=number)
    assert ("is no temperature of meat" in answer) == (number != 40)


# --- What a second cook, an inspector and a thief tried


def again(kitchen: Kitchen) -> str:
    """Back into the oil, checked and held again; the answer to a sale."""
    cooked_on(kitchen)
    kitchen.check_all(185)
    kitchen.say(m.HOLD_START)
    return kitchen.say(m.SOLD, count=20)


@pytest.mark.parametrize("struck", [False, True])
def test_cold_time_outlives_a_further_cook_and_a_struck_hold(kitchen: Kitchen, struck: bool) -> None:
    held(kitchen)
    for _ in range(5 * 120):
        kitchen.read("cabinet", 100)
        kitchen.wait(30_000)
    if struck:
        kitchen.say(m.SCRATCH)
    assert "not hot again within 2 hours" in again(kitchen)
    assert is_open(kitchen, alerts.REHEAT_LATE)


def test_a_long_power_gap_outlives_a_further_cook_and_one_warm_wing(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.at_ms += 5 * HOUR
    kitchen.feed(Started(kitchen.at_ms, "boot-2", True, "test", "line-1", (1,), RULES))
    kitchen.check("wing", 140)
    assert "the power was away for 300 min" in kitchen.say(m.HOLD_END)
    assert "not hot again within 2 hours" in again(kitchen)


def test_after_an_unknown_gap_nobody_says_how_much_time_is_left_to_reheat(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.check("thigh", 100)
    kitchen.feed(Started(kitchen.at_ms, "boot-2", False, "test", "line-1", (1,), RULES, gap_known=False))
    assert "are left" not in kitchen.say(m.COOK_MORE)
    assert is_open(kitchen, alerts.REHEAT_LATE)


def test_a_hold_of_unknown_length_is_sold_as_a_matter_of_safety(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.feed(Started(kitchen.at_ms, "boot-2", False, "test", "line-1", (1,), RULES, gap_known=False))
    kitchen.say(m.HOLD_END)
    kitchen.say(m.CONFIRM)
    assert [row["level"] for row in kitchen.rows("alerts") if row["kind"] == alerts.SOLD_DESPITE] == ["critical"]


def test_raw_pieces_that_waited_for_an_unknown_time_are_asked_about_at_the_sale(kitchen: Kitchen) -> None:
    kitchen.say(m.BATCH_START, vat=1)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.feed(Started(kitchen.at_ms, "boot-2", False, "test", "line-1", (1,), RULES, gap_known=False))
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    for _ in range(4):
        kitchen.check("thigh", 185)
    kitchen.say(m.HOLD_START)
    assert "how long its pieces waited before is not known" in kitchen.say(m.HOLD_END)


def test_doubt_reaches_the_rows_of_what_is_sold(kitchen: Kitchen) -> None:
    for _ in range(2):
        held(kitchen)
        kitchen.say(m.HOLD_END)
        kitchen.wait(MINUTE)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(50)
    assert {(row["counts"], row["in_doubt"]) for row in kitchen.rows("checks")} == {(0, 1)}
    assert [row["proven"] for row in kitchen.rows("batches")] == [0, 0]


def test_a_hold_in_which_nothing_was_measured_is_not_called_a_matter_of_quality(kitchen: Kitchen) -> None:
    held(kitchen)
    kitchen.wait(20 * HOUR)
    assert "no temperature was read meanwhile" in kitchen.say(m.HOLD_END)
    kitchen.say(m.CONFIRM)
    assert [row["level"] for row in kitchen.rows("alerts") if row["kind"] == alerts.SOLD_DESPITE] == ["critical"]
