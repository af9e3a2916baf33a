"""What rules 6 judge otherwise than rules 5, each beside how rules 5 judged it: records of those stay as they are."""

from dataclasses import replace
from typing import Any

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Cue, Notice
from recorder.core.events import Intent, Started
from recorder.core.procedure import BY_SAFE_END
from tests.kitchen import MINUTE, PROCEDURE, Kitchen


@pytest.fixture(params=[5, 6])
def rules(request: pytest.FixtureRequest) -> int:
    assert isinstance(request.param, int)
    return request.param


def checking(rules: int, **other: Any) -> Kitchen:
    kitchen = Kitchen(rules=rules, **other)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    return kitchen


def rest(kitchen: Kitchen, value: float, after_s: float = 2, **how: Any) -> str:
    """The needle stays in its spot and is read again, at `value` °F; returns what is said to it."""
    kitchen.wait(round(after_s * 1000))
    before = len(kitchen.effects)
    kitchen.read("needle", value, settled=True, spot=kitchen.spot, **how)
    return " ".join(effect.say for effect in kitchen.effects[before:] if isinstance(effect, Cue))


def newest(kitchen: Kitchen) -> dict[str, object]:
    return kitchen.rows("checks")[-1]


def open_kinds(kitchen: Kitchen) -> set[str]:
    return {alert.kind for alert in kitchen.state.world.alerts if alert.ended_ms is None}


def test_the_lowest_that_a_spot_stood_at_counts(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.check("thigh", 183.2)
    said = [rest(kitchen, value) for value in (182.1, 180.5, 181.0, 178.0)]
    row = newest(kitchen)
    if rules == 5:
        assert (row["temperature"], row["verdict"]) == (183.2, "passed") and not any(said)
        return
    assert (row["temperature"], row["verdict"], row["counts"]) == (178.0, "below target", 0)
    assert said[:3] == ["", "", ""], "a value that changes nothing is not said again"
    assert said[3] == "Thigh 178.0 degrees, below target. Cook more. Clean the needle."
    assert alerts.CHECK_BELOW_TARGET in open_kinds(kitchen)


def test_a_spot_that_falls_below_the_critical_limit_is_critical() -> None:
    kitchen = checking(6)
    kitchen.check("thigh", 169.7)
    assert rest(kitchen, 161.6) == "Thigh 161.6 degrees, below critical limit. Cook more. Clean the needle."
    assert newest(kitchen)["verdict"] == "below critical limit"
    assert open_kinds(kitchen) & {alerts.CHECK_BELOW_TARGET, alerts.CHECK_BELOW_CRITICAL} == {
        alerts.CHECK_BELOW_CRITICAL
    }


@pytest.mark.parametrize(
    ("values", "kept"), [((183.2, 183.1), 183.2), ((183.2, 184.0), 183.2), ((183.2, 183.0), 183.0)]
)
def test_a_spot_is_lower_by_a_tenth_of_a_degree(values: tuple[float, float], kept: float) -> None:
    """0.1 °C is 0.18 °F."""
    kitchen = checking(6)
    kitchen.check("thigh", values[0])
    rest(kitchen, values[1])
    assert newest(kitchen)["temperature"] == kept


@pytest.mark.parametrize(("after_s", "kept"), [(120, 178), (120.001, 183)])
def test_after_two_minutes_the_piece_itself_may_have_cooled(after_s: float, kept: float) -> None:
    kitchen = checking(6)
    kitchen.check("thigh", 183)
    rest(kitchen, 178, after_s)
    assert newest(kitchen)["temperature"] == kept


def test_a_lower_reading_after_the_hold_began_makes_it_unproven() -> None:
    kitchen = checking(6)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    rest(kitchen, 150, after_s=20)
    assert kitchen.rows("holds")[0]["proven"] == 0
    assert {alerts.CHECK_BELOW_CRITICAL, alerts.HOLD_UNPROVEN} <= open_kinds(kitchen)


def test_a_lower_reading_belongs_to_its_own_spot_and_check() -> None:
    kitchen = checking(6)
    kitchen.check("thigh", 183)
    kitchen.check("breast", 184)
    rest(kitchen, 170)
    assert [row["temperature"] for row in kitchen.rows("checks")] == [183, 170]


def test_a_lower_reading_while_the_next_part_was_named_is_of_the_piece_before() -> None:
    kitchen = checking(6)
    kitchen.check("thigh", 183)
    kitchen.say(m.PROBE, part="breast")
    rest(kitchen, 175)
    assert [(row["part"], row["temperature"]) for row in kitchen.rows("checks")] == [("thigh", 175), ("breast", None)]


@pytest.mark.parametrize("medium", ["air", "steam", "oil", "water", "unsure"])
def test_what_the_needle_came_to_like_no_piece_is_not_taken(rules: int, medium: str) -> None:
    kitchen = checking(rules)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.wait(8000)
    kitchen.spot += 1
    said = rest(kitchen, 185, medium=medium)
    if rules == 5:
        assert newest(kitchen)["temperature"] == 185
        return
    assert newest(kitchen)["verdict"] == "open" and "not taken. Thickest part, off the bone." in said
    assert rest(kitchen, 185, medium=medium) == "", "said once for a spot"
    kitchen.dip(186)
    assert newest(kitchen)["temperature"] == 186


def test_air_beside_a_fresh_piece_is_not_the_coldest_spot() -> None:
    kitchen = checking(6)
    kitchen.dip(150, medium="air")
    kitchen.dip(185)
    kitchen.say(m.PROBE, part="thigh")
    rest(kitchen, 185)
    assert newest(kitchen)["temperature"] == 185


def test_air_straight_after_a_piece_is_no_colder_spot_of_it() -> None:
    kitchen = checking(6)
    kitchen.check("thigh", 185)
    kitchen.dip(80, colder=True, medium="air")
    assert newest(kitchen)["temperature"] == 185


@pytest.mark.parametrize(("value", "taken"), [(206.5, True), (206.7, False), (212, False)])
def test_steam_is_no_piece(rules: int, value: float, taken: bool) -> None:
    """97 °C is 206.6 °F."""
    kitchen = checking(rules)
    kitchen.check("thigh", value)
    assert newest(kitchen)["temperature"] == (value if taken or rules == 5 else None)


def test_boiling_water_checks_the_needle_though_it_is_no_piece() -> None:
    kitchen = checking(6, procedure=replace(PROCEDURE, altitude_m=0.0))
    kitchen.say(m.BOILING_POINT)
    kitchen.dip(211.5, medium="water")
    assert kitchen.rows("probe_checks")[-1]["verdict"] == "passed"
    kitchen.say(m.PROBE, part="thigh")
    rest(kitchen, 211.5, medium="water")
    assert newest(kitchen)["verdict"] == "open"


def test_a_piece_that_settles_after_the_words_ice_point_keeps_its_reading(rules: int) -> None:
    """The needle stood in the thigh when the words were said: 150 °F is no ice, and must not be lost."""
    kitchen = checking(rules)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.say(m.ICE_POINT)
    kitchen.dip(150)
    row = newest(kitchen)
    assert (row["temperature"], row["verdict"]) == (
        (None, "no reading") if rules == 5 else (150, "below critical limit")
    )
    kitchen.dip(32)
    assert kitchen.rows("probe_checks")[-1]["verdict"] == "passed"


@pytest.mark.parametrize("how", ["its window is over", "it was unread before", "a batch that is closed"])
def test_a_piece_is_no_longer_waited_for(how: str) -> None:
    kitchen = checking(6)
    kitchen.say(m.PROBE, part="thigh")
    if how == "it was unread before":
        kitchen.wait(45_000)
    elif how == "a batch that is closed":
        kitchen.say(m.DISCARD)
        kitchen.say(m.CONFIRM)
    kitchen.say(m.ICE_POINT)
    if how == "its window is over":
        kitchen.wait(40_000)
    kitchen.dip(150)
    assert [row["temperature"] for row in kitchen.rows("checks")] == [None]


def test_the_safe_end_of_the_interval_must_reach_the_critical_limit() -> None:
    """166.4 °F ± 1 °C (1.8 °F) is surely no more than 164.6 °F."""
    kitchen = checking(6, procedure=replace(PROCEDURE, critical_by=BY_SAFE_END))
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(166.4, uncertainty_c=1.0)
    assert newest(kitchen)["verdict"] == "below critical limit"
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.CHECK_BELOW_CRITICAL]
    assert "read 166.4 °F, surely 164.6 °F, needs 165 °F (critical limit)" in alert.text
    kitchen.say(m.PROBE, part="breast")
    kitchen.dip(185, uncertainty_c=1.0)
    assert newest(kitchen)["verdict"] == "passed"
    plain = checking(6)
    plain.say(m.PROBE, part="thigh")
    plain.dip(166.4, uncertainty_c=1.0)
    assert newest(plain)["verdict"] == "below target"


def test_what_missed_by_itself_names_no_safe_end() -> None:
    kitchen = checking(6, procedure=replace(PROCEDURE, critical_by=BY_SAFE_END))
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(160, uncertainty_c=1.0)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.CHECK_BELOW_CRITICAL]
    assert "read 160.0 °F, needs 165 °F (critical limit)" in alert.text


@pytest.mark.parametrize("meaning", [m.HOLD_END, m.SOLD, m.DROPPED])
def test_no_second_best_sentence_ends_the_watch_over_food(rules: int, meaning: str) -> None:
    kitchen = checking(rules)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    other = Intent(meaning, count=48 if meaning == m.DROPPED else None)
    said = kitchen.hear(Intent(m.LID_OPEN), other)
    assert said.startswith("Refused") is (rules == 6)
    assert kitchen.rows("batches")[0]["stage"] == ("holding" if rules == 6 else "closed")


@pytest.mark.parametrize(("after_ms", "struck"), [(480 * MINUTE, True), (480 * MINUTE + 1, False)])
def test_words_can_be_struck_for_eight_hours(rules: int, after_ms: int, struck: bool) -> None:
    kitchen = Kitchen(rules=rules)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.wait(after_ms - 1000)
    said = kitchen.say(m.SCRATCH)
    if struck or rules == 5:
        assert said == "Struck: shift start."
    else:
        assert said == "Refused: the last command is 480 min 00 s old, too old to strike."
        assert kitchen.rows("shifts")[0]["struck"] == 0


@pytest.mark.parametrize(("minutes", "goes_on"), [(1 / 60, True), (3, False)])
def test_a_further_cook_that_was_short_does_not_make_a_hold_fresh(rules: int, minutes: float, goes_on: bool) -> None:
    kitchen = checking(rules)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    first = kitchen.rows("holds")[0]["counted_from_ms"]
    kitchen.wait(20 * MINUTE)
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(round(minutes * MINUTE) - 1000)
    kitchen.say(m.LID_OPEN)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kept = kitchen.rows("holds")[-1]["counted_from_ms"] == first
    assert kept is (goes_on and rules == 6)


def test_a_hold_that_goes_on_after_words_were_struck_still_says_that_the_power_was_away(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.wait(10 * MINUTE)
    kitchen.at_ms += 15 * MINUTE
    kitchen.feed(Started(kitchen.at_ms, "boot-2", True, "test", "line-1", (1,), rules))
    assert alerts.POWER_AWAY in open_kinds(kitchen)
    assert kitchen.say(m.SCRATCH) == "Struck: hold start."
    kitchen.say(m.HOLD_START)
    assert (alerts.POWER_AWAY in open_kinds(kitchen)) is (rules == 6)


def test_what_stood_against_the_first_pieces_sold_stays_said(rules: int) -> None:
    """Two pieces are sold without complete checks; then they are complete, and the rest is sold past its limit."""
    kitchen = checking(rules)
    kitchen.check("thigh", 185)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    kitchen.say(m.SOLD, count=2)
    kitchen.say(m.CONFIRM)
    kitchen.wait(61 * MINUTE)
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(1000)
    kitchen.say(m.LID_OPEN)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.wait(61 * MINUTE)
    kitchen.say(m.SOLD, count=2)
    kitchen.say(m.CONFIRM)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.SOLD_DESPITE]
    assert "quality limit" in alert.text
    assert ("checks are not complete" in alert.text) is (rules == 6)


def test_an_alert_that_becomes_critical_is_repeated_and_in_nobodys_hand(rules: int) -> None:
    """A sale past the quality limit was answered; then pieces are sold that were read too cold."""
    kitchen = checking(rules)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.read("cabinet", 150)
    kitchen.check("thigh", 150)
    kitchen.wait(61 * MINUTE)
    kitchen.say(m.SOLD, count=2)
    kitchen.say(m.CONFIRM)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.SOLD_DESPITE]
    assert alert.level == "warning"
    kitchen.state = replace(
        kitchen.state, world=alerts.acknowledged(kitchen.state.world, alert.id, "MK", kitchen.at_ms)
    )
    kitchen.check("thigh", 120)
    kitchen.say(m.SOLD, count=2)
    before = len(kitchen.effects)
    kitchen.say(m.CONFIRM)
    now = next(each for each in kitchen.state.world.alerts if each.id == alert.id)
    said = [each.change for each in kitchen.effects[before:] if isinstance(each, Notice) and each.alert.id == alert.id]
    assert now.level == "critical"
    assert (said, now.acknowledged_by) == ((["repeated"], None) if rules == 6 else ([], "MK"))


SAFE_END = replace(PROCEDURE, critical_by=BY_SAFE_END)


def test_a_reading_that_gets_surer_in_its_spot_keeps_the_lowest_value(rules: int) -> None:
    """182 °F ± 3 °C; then 183.8 °F ± 1 °C: the piece has surely reached 182 °F, but for 1 °C."""
    kitchen = checking(rules)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(182, uncertainty_c=3.0)
    said = [rest(kitchen, 183.8, uncertainty_c=wide_c) for wide_c in (2.95, 1.0, 1.5)]
    row = newest(kitchen)
    assert (row["temperature"], row["uncertainty_c"], said) == (182, 3.0 if rules == 5 else 1.0, ["", "", ""])


def test_a_surer_reading_ends_what_only_the_wide_interval_missed() -> None:
    """168 °F ± 3 °C is surely no more than 162.6 °F; ± 1 °C surely 166.2 °F, over the critical limit of 165 °F."""
    kitchen = checking(6, procedure=SAFE_END)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(168, uncertainty_c=3.0)
    assert newest(kitchen)["verdict"] == "below critical limit"
    said = rest(kitchen, 168, uncertainty_c=1.0)
    assert newest(kitchen)["verdict"] == "below target" and said.startswith("Thigh 168.0 degrees, surely 166.2, below")
    assert alerts.CHECK_BELOW_CRITICAL not in open_kinds(kitchen)
    assert alerts.CHECK_BELOW_TARGET in open_kinds(kitchen)


def test_a_surer_reading_of_another_spot_or_after_its_time_changes_nothing() -> None:
    kitchen = checking(6)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(182, uncertainty_c=3.0)
    rest(kitchen, 183, after_s=121, uncertainty_c=1.0)
    kitchen.dip(183, uncertainty_c=1.0)
    assert newest(kitchen)["uncertainty_c"] == 3.0


def held(rules: int, **other: Any) -> Kitchen:
    kitchen = checking(rules, **other)
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    return kitchen


def again(kitchen: Kitchen, minutes: float = 3) -> None:
    """Back into the oil, and out of it."""
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(round(minutes * MINUTE) - 1000)
    kitchen.say(m.LID_OPEN)


def test_food_that_proves_not_hot_again_after_all_has_its_two_hours_again(rules: int) -> None:
    """Food Code 2022, 3-403.11(D): within 2 hours, or discarded."""
    kitchen = held(rules)
    kitchen.check("wing", 120)
    again(kitchen)
    kitchen.check_all()
    kitchen.say(m.ICE_POINT)
    kitchen.dip(38)  # the probe that read it failed
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.wait(125 * MINUTE)
    assert (alerts.REHEAT_LATE in open_kinds(kitchen)) is (rules == 6)


@pytest.mark.parametrize("how", ["spoken", "a part that was not loaded"])
def test_a_reading_that_says_nothing_of_the_batch_settles_no_power_gap(rules: int, how: str) -> None:
    kitchen = Kitchen(rules=rules)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    for _ in range(4):
        kitchen.check("thigh", 185)
    kitchen.say(m.HOLD_START)
    kitchen.at_ms += 5 * MINUTE
    kitchen.feed(Started(kitchen.at_ms, "boot-2", True, "test", "line-1", (1,), rules))
    kitchen.spot = 0
    if how == "spoken":
        kitchen.say(m.READING, number=150)
    else:
        kitchen.check("wing", 150)
    assert kitchen.say(m.HOLD_END).startswith("Batch 1: the power was away") is (rules == 6)
    kitchen.check("thigh", 150)
    assert kitchen.say(m.HOLD_END).startswith("Batch 1: the power was away") is False


def test_a_batch_that_comes_into_a_cold_cabinet_is_announced(rules: int) -> None:
    kitchen = Kitchen((1, 2), rules=rules)
    kitchen.say(m.SHIFT_START, cook=4)
    for vat in (1, 2):
        kitchen.cook(vat=vat)
        kitchen.check_all(vat=vat)
    kitchen.say(m.HOLD_START, batch=1)
    for _ in range(5):
        kitchen.wait(20_000)
        kitchen.read("cabinet", 122)
    (cold,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.HOLD_COLD]
    before = len(kitchen.effects)
    kitchen.say(m.HOLD_START, batch=2)
    now = next(each for each in kitchen.state.world.alerts if each.id == cold.id)
    changes = [
        each.change for each in kitchen.effects[before:] if isinstance(each, Notice) and each.alert.id == cold.id
    ]
    said = [each.say for each in kitchen.effects[before:] if isinstance(each, Cue)]
    assert changes == (["repeated"] if rules == 6 else []) and ("Batches in it: 1, 2." in now.text) is (rules == 6)
    assert ("Hot holding is too cold." in said) is (rules == 6)
    before = len(kitchen.effects)
    kitchen.wait(1000)
    kitchen.read("cabinet", 122)
    assert not [each for each in kitchen.effects[before:] if isinstance(each, Notice)], "not again for the same batches"


def test_confirm_does_not_agree_to_what_was_read_since_it_was_asked(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.check("thigh", 185)
    assert "Confirm" in kitchen.say(m.HOLD_START)
    kitchen.dip(140, colder=True)
    said = kitchen.say(m.CONFIRM)
    assert ("1 failed" in said and "Confirm to hold it" in said) is (rules == 6)
    assert bool(kitchen.rows("holds")) is (rules == 5)
    if rules == 6:
        assert kitchen.say(m.CONFIRM).startswith("Batch 1 holding, checks not complete: 1 failed")


def test_what_is_read_of_another_batch_leaves_a_question_open() -> None:
    kitchen = Kitchen((1, 2), rules=6)
    kitchen.say(m.SHIFT_START, cook=4)
    for vat in (1, 2):
        kitchen.cook(vat=vat)
    kitchen.check("thigh", 185, vat=2)
    kitchen.say(m.HOLD_START, batch=1)
    kitchen.dip(184, colder=True)
    assert kitchen.say(m.CONFIRM).startswith("Batch 1 holding")


def test_waits_add_up_to_four_hours(rules: int) -> None:
    """Food Code 2022, 3-501.19(B): four hours in all."""
    kitchen = Kitchen(rules=rules)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.wait(150 * MINUTE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    kitchen.wait(155 * MINUTE)
    for _ in range(4):
        kitchen.check("thigh", 185)
    kitchen.say(m.HOLD_START)
    said = kitchen.say(m.HOLD_END)
    assert ("its pieces waited 305 min" in said) is (rules == 6)


@pytest.mark.parametrize("medium", ["air", "oil"])
def test_no_bath_is_air_or_oil(medium: str) -> None:
    kitchen = checking(6)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(33.5, medium=medium)
    assert kitchen.rows("probe_checks")[-1]["verdict"] == "open"


def test_words_are_not_taken_for_the_check_of_a_batch_that_is_gone(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.say(m.DISCARD)
    kitchen.say(m.CONFIRM)
    assert kitchen.say(m.READING, number=185).startswith("Refused") is (rules == 6)


def test_status_names_the_part_that_no_check_speaks_for() -> None:
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    for _ in range(4):
        kitchen.check("thigh", 185)
    kitchen.say(m.LOAD, part="wing", count=6)
    assert "4 of 4 checks, wing not checked." in kitchen.say(m.STATUS)


def test_an_alert_that_is_said_again_late_is_not_repeated_in_the_next_moment() -> None:
    """Its reminders count from its beginning, an hour before: those are not made up for."""
    kitchen = Kitchen((1, 2), rules=6)
    kitchen.say(m.SHIFT_START, cook=4)
    for vat in (1, 2):
        kitchen.cook(vat=vat)
        kitchen.check_all(vat=vat)
    kitchen.say(m.HOLD_START, batch=1)
    for _ in range(180):
        kitchen.wait(20_000)
        kitchen.read("cabinet", 122)
        for cold in kitchen.state.world.alerts:
            if cold.kind == alerts.HOLD_COLD:
                world = alerts.acknowledged(kitchen.state.world, cold.id, "MK", kitchen.at_ms)
                kitchen.state = replace(kitchen.state, world=world)
    kitchen.say(m.HOLD_START, batch=2)
    before = len(kitchen.effects)
    kitchen.wait(10_000)
    notices = [each for each in kitchen.effects[before:] if isinstance(each, Notice)]
    assert not [each for each in notices if each.alert.kind == alerts.HOLD_COLD]


def test_a_bath_keeps_what_it_was_first_read_at(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32.5, uncertainty_c=0.5)
    assert rest(kitchen, 31, uncertainty_c=0.1) == ""
    assert kitchen.rows("probe_checks")[-1]["temperature"] == 32.5
