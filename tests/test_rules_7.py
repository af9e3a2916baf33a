"""What rules 7 judge otherwise than rules 6, each beside how rules 6 judged it: records of those stay as they are."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Cue, Notice
from recorder.core.events import Acknowledged, ProbeLost, ProcedureLoaded, Started
from recorder.core.procedure import BY_TIME
from tests.kitchen import MINUTE, PROCEDURE, Kitchen, fahrenheit, kept

HOUR = 60 * MINUTE
CHECKED = replace(PROCEDURE, probe_check_every_ms=24 * HOUR)


@pytest.fixture(params=[6, 7])
def rules(request: pytest.FixtureRequest) -> int:
    assert isinstance(request.param, int)
    return request.param


def checking(rules: int, vats: tuple[int, ...] = (1,), **other: Any) -> Kitchen:
    """The first vat's batch of 12 thighs, and of the other vats, out of the oil."""
    kitchen = Kitchen(vats, rules=rules, **other)
    kitchen.say(m.SHIFT_START, cook=4)
    for vat in vats:
        kitchen.say(m.BATCH_START, vat=vat)
        kitchen.say(m.LOAD, part="thigh", count=12, vat=vat)
        kitchen.say(m.LID_LOCKED, vat=vat)
        kitchen.wait(13 * MINUTE)
        kitchen.say(m.LID_OPEN, vat=vat)
    return kitchen


def prove(kitchen: Kitchen, times: int = 4, **slots: object) -> None:
    for _ in range(times):
        kitchen.check("thigh", 185, **slots)
        kitchen.wait(61_000)


def held(rules: int, **other: Any) -> Kitchen:
    kitchen = checking(rules, **other)
    prove(kitchen)
    kitchen.say(m.HOLD_START)
    return kitchen


def again(kitchen: Kitchen) -> None:
    """Back into the oil, and out of it."""
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(3 * MINUTE)
    kitchen.say(m.LID_OPEN)


def rest(kitchen: Kitchen, value: float, after_s: float = 2, **how: Any) -> str:
    """The needle stays in its spot and is read again, at `value` °F; returns what is said to it."""
    kitchen.wait(round(after_s * 1000))
    before = len(kitchen.effects)
    kitchen.read("needle", value, settled=True, spot=kitchen.spot, **how)
    return " ".join(effect.say for effect in kitchen.effects[before:] if isinstance(effect, Cue))


def restart(kitchen: Kitchen, away_ms: int, boot: int = 2) -> None:
    kitchen.at_ms += away_ms
    rules = kitchen.state.world.rules
    kitchen.feed(Started(kitchen.at_ms, f"boot-{boot}", True, "test", "line-1", kitchen.state.world.vats, rules))
    kitchen.spot = 0


def cabinet(kitchen: Kitchen, value: float, for_ms: int, every_ms: int = 20_000) -> None:
    for _ in range(for_ms // every_ms):
        kitchen.wait(every_ms)
        kitchen.read("cabinet", value)


def newest(kitchen: Kitchen) -> dict[str, object]:
    return kitchen.rows("checks")[-1]


def temperatures(kitchen: Kitchen) -> list[object]:
    return [row["temperature"] for row in kitchen.rows("checks")]


def open_kinds(kitchen: Kitchen) -> set[str]:
    return {alert.kind for alert in kitchen.state.world.alerts if alert.ended_ms is None}


# What complete checks had ended


def lowered(kitchen: Kitchen) -> None:
    rest(kitchen, 170)


def taken_back(kitchen: Kitchen) -> None:
    kitchen.say(m.SCRATCH)


def in_doubt(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    kitchen.dip(38)


def said_late(kitchen: Kitchen) -> None:
    kitchen.say(m.LOAD, part="wing", count=6, vat=1)


WAYS = [lowered, taken_back, in_doubt, said_late]


def cooked_again(rules: int) -> Kitchen:
    """A thigh at 150 °F; the batch is cooked again and its checks are complete."""
    kitchen = checking(rules)
    kitchen.check("thigh", 150)
    again(kitchen)
    prove(kitchen, 3)
    kitchen.check("thigh", 185)
    assert not open_kinds(kitchen)
    return kitchen


@pytest.mark.parametrize("way", WAYS)
def test_a_failed_check_is_open_again_where_its_proof_no_longer_holds(
    rules: int, way: Callable[[Kitchen], None]
) -> None:
    kitchen = cooked_again(rules)
    way(kitchen)
    assert (alerts.CHECK_BELOW_CRITICAL in open_kinds(kitchen)) is (rules == 7)
    if rules == 7:
        assert kitchen.news(alerts.CHECK_BELOW_CRITICAL) == [
            (alerts.CHECK_BELOW_CRITICAL, change) for change in ("raised", "ended", "raised")
        ]
        (row,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.CHECK_BELOW_CRITICAL]
        assert row["ended_ms"] is None and row["ended_by"] is None


@pytest.mark.parametrize("way", [taken_back, in_doubt])
def test_checks_that_are_complete_again_end_it_again(way: Callable[[Kitchen], None]) -> None:
    kitchen = cooked_again(7)
    way(kitchen)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    prove(kitchen)
    assert alerts.CHECK_BELOW_CRITICAL not in open_kinds(kitchen)


def test_a_later_round_of_complete_checks_stands_for_an_earlier_one() -> None:
    kitchen = cooked_again(7)
    again(kitchen)
    assert not open_kinds(kitchen), "the proof of the round before still holds"
    prove(kitchen)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    again(kitchen)
    kitchen.check("thigh", 185)
    taken_back(kitchen)
    assert not open_kinds(kitchen)


def test_an_earlier_round_in_doubt_counts_while_the_batch_is_not_checked_again() -> None:
    kitchen = cooked_again(7)
    again(kitchen)
    in_doubt(kitchen)
    assert alerts.CHECK_BELOW_CRITICAL in open_kinds(kitchen)


def test_a_short_cook_is_open_again_too_unless_the_batch_was_cooked_since(rules: int) -> None:
    kitchen = Kitchen(rules=rules)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook(minutes=11)
    assert alerts.COOK_SHORT in open_kinds(kitchen)
    kitchen.check_all()
    assert alerts.COOK_SHORT not in open_kinds(kitchen)
    cooked = replace(kitchen.state)
    taken_back(kitchen)
    assert (alerts.COOK_SHORT in open_kinds(kitchen)) is (rules == 7)
    kitchen.state = cooked
    again(kitchen)
    in_doubt(kitchen)
    assert alerts.COOK_SHORT not in open_kinds(kitchen)


def test_checks_that_a_late_load_makes_complete_end_what_was_open(rules: int) -> None:
    """No load was said, so four passed checks of the second round were not complete."""
    kitchen = Kitchen(rules=rules)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(13 * MINUTE)
    kitchen.say(m.LID_OPEN)
    kitchen.check("thigh", 150)
    again(kitchen)
    prove(kitchen)
    assert alerts.CHECK_BELOW_CRITICAL in open_kinds(kitchen)
    kitchen.say(m.LOAD, part="thigh", count=12)
    assert kitchen.rows("batches")[0]["proven"] == 1
    assert (alerts.CHECK_BELOW_CRITICAL in open_kinds(kitchen)) is (rules == 6)


def test_an_alert_that_is_open_again_is_in_nobodys_hand_and_not_repeated_in_the_next_moment() -> None:
    kitchen = checking(7)
    kitchen.check("thigh", 150)
    (alert,) = kitchen.state.world.alerts
    kitchen.feed(Acknowledged(kitchen.at_ms, alert.id, "MK"))
    again(kitchen)
    prove(kitchen, 3)
    kitchen.wait(HOUR)
    kitchen.check("thigh", 185)
    taken_back(kitchen)
    (now,) = [each for each in kitchen.state.world.alerts if each.id == alert.id]
    assert now.acknowledged_by is None and now.ended_ms is None
    before = len(kitchen.effects)
    kitchen.wait(60_000)
    assert not [each for each in kitchen.effects[before:] if isinstance(each, Notice) and each.alert.id == alert.id]


def test_a_failed_bath_that_counts_again_is_not_repeated_in_the_next_moment(rules: int) -> None:
    """A pass that is taken back leaves the failure of an hour before."""
    kitchen = checking(rules)
    in_doubt(kitchen)
    kitchen.wait(HOUR)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.say(m.SCRATCH)
    assert alerts.PROBE_CHECK_FAILED in open_kinds(kitchen)
    before = len(kitchen.effects)
    kitchen.wait(5000)
    repeated = [each for each in kitchen.effects[before:] if isinstance(each, Notice)]
    assert bool([each for each in repeated if each.alert.kind == alerts.PROBE_CHECK_FAILED]) is (rules == 6)


def test_what_is_said_late_lets_the_two_hours_to_reheat_go_on(rules: int) -> None:
    """Food Code 2022, 3-403.11(D). The wings were held too cold as well, and nobody has checked one."""
    kitchen = held(rules)
    kitchen.check("thigh", 120)
    again(kitchen)
    prove(kitchen)
    said_late(kitchen)
    kitchen.wait(2 * HOUR)
    assert (alerts.REHEAT_LATE in open_kinds(kitchen)) is (rules == 7)


@pytest.mark.parametrize("way", [lambda kitchen: rest(kitchen, 120), taken_back, in_doubt])
def test_a_power_gap_counts_again_once_the_warm_piece_that_settled_it_says_nothing(
    rules: int, way: Callable[[Kitchen], None]
) -> None:
    kitchen = held(rules)
    restart(kitchen, 5 * MINUTE)
    kitchen.check("thigh", 150)
    assert not kitchen.say(m.SOLD, count=1).startswith("Batch 1: ")
    kitchen.check("thigh", 150)
    assert "power" not in kitchen.say(m.SOLD, count=1)
    way(kitchen)
    both = rules == 7 and way is in_doubt
    assert ("power" in kitchen.say(m.HOLD_END)) is both, "but for doubt, the piece before it still speaks"
    one = held(rules)
    restart(one, 5 * MINUTE)
    one.check("thigh", 150)
    way(one)
    assert ("the power was away for 5 min" in one.say(m.HOLD_END)) is (rules == 7)


def test_a_gap_that_counts_again_does_so_from_when_the_power_went() -> None:
    """From then on the two hours to reheat count (FDA Food Code 2022, 3-403.11)."""
    kitchen = held(7)
    went_ms = kitchen.at_ms
    restart(kitchen, 5 * MINUTE)
    kitchen.check("thigh", 150)
    assert kitchen.state.world.batches[0].holds[-1].cold_since_ms is None
    taken_back(kitchen)
    assert kitchen.state.world.batches[0].holds[-1].cold_since_ms == went_ms


def test_a_gap_that_is_settled_anew_asks_no_more() -> None:
    kitchen = held(7)
    restart(kitchen, 5 * MINUTE)
    kitchen.check("thigh", 150)
    taken_back(kitchen)
    kitchen.check("thigh", 150)
    assert kitchen.say(m.HOLD_END) == "Batch 1 sold."


def test_a_check_of_a_later_round_that_counts_no_more_says_nothing_of_the_hold_before(rules: int) -> None:
    kitchen = held(rules)
    again(kitchen)
    prove(kitchen)
    taken_back(kitchen)
    ((batch,), (hold,)) = kitchen.rows("batches"), kitchen.rows("holds")
    assert (batch["proven"], hold["proven"]) == (0, 1)
    assert alerts.HOLD_UNPROVEN not in open_kinds(kitchen)


def test_a_check_in_holding_that_counts_no_more_leaves_the_hold_unproven(rules: int) -> None:
    """Three pieces and a confirm; the fourth is read in holding, and then stands lower: warm, but not done."""
    kitchen = checking(rules)
    prove(kitchen, 3)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    kitchen.state = replace(kitchen.state)
    kitchen.check("thigh", 185)
    world = kitchen.state.world
    kitchen.state = replace(kitchen.state, world=world.with_hold(world.batches[0].id, proven=True))
    rest(kitchen, 150)
    assert kitchen.rows("batches")[0]["proven"] == 0
    assert kitchen.state.world.batches[0].holds[-1].proven is (rules == 6)


# What a whole spot rests in


@pytest.mark.parametrize("medium", ["air", "steam", "oil", "water"])
def test_a_spot_that_is_no_piece_by_one_reading_is_none_by_the_next(rules: int, medium: str) -> None:
    kitchen = checking(rules)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(185, medium=medium)
    rest(kitchen, 184)
    assert newest(kitchen)["temperature"] == (184 if rules == 6 else None)
    kitchen.dip(183)
    assert newest(kitchen)["temperature"] == (184 if rules == 6 else 183), "another spot is judged by itself"


def test_a_spot_that_was_as_hot_as_steam_is_no_piece_once_it_has_cooled(rules: int) -> None:
    """97 °C is 206.6 °F."""
    kitchen = checking(rules)
    kitchen.check("thigh", 208)
    rest(kitchen, 185)
    assert newest(kitchen)["temperature"] == (185 if rules == 6 else None)


def test_an_unsure_spot_is_a_piece_again_once_it_clearly_is(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(185, medium="unsure")
    assert newest(kitchen)["temperature"] is None
    rest(kitchen, 184)
    assert newest(kitchen)["temperature"] == 184


@pytest.mark.parametrize(
    ("how", "seems"),
    [({"medium": "oil"}, "in oil"), ({"medium": "air"}, "in air"), ({"value": 210}, "hotter than a piece")],
)
def test_a_check_whose_spot_proves_to_be_no_piece_proves_nothing(rules: int, how: dict[str, Any], seems: str) -> None:
    kitchen = checking(rules)
    prove(kitchen, 3)
    kitchen.check("thigh", 185)
    said = rest(kitchen, **{"value": 184, **how})
    row = newest(kitchen)
    why = f"since the needle rested {seems}"
    assert (row["counts"], row.get("disputed")) == ((1, None) if rules == 6 else (0, why))
    assert kitchen.rows("batches")[0]["proven"] == (1 if rules == 6 else 0)
    if rules == 7:
        assert said == f"The needle rests {seems}: the reading of the thigh proves nothing. Probe it again."
        assert rest(kitchen, **{"value": 184, **how}) == "", "said once for a spot"
        assert rest(kitchen, 150) == "" and newest(kitchen)["temperature"] == 185


@pytest.mark.parametrize("how", ["unsure", "in another spot", "later"])
def test_what_says_nothing_of_its_spot_leaves_a_check_as_it_is(how: str) -> None:
    kitchen = checking(7)
    kitchen.check("thigh", 185)
    if how == "in another spot":
        kitchen.dip(184, medium="oil")
    else:
        rest(kitchen, 184, 121 if how == "later" else 2, medium="oil" if how == "later" else how)
    assert (newest(kitchen)["counts"], newest(kitchen).get("disputed")) == (1, None)


def test_a_fresh_spot_that_turned_out_to_be_no_piece_is_not_the_coldest(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.dip(150)
    rest(kitchen, 150, 1, medium="air")
    for value, medium in ((185, "air"), (186, "")):
        kitchen.spot += 1
        rest(kitchen, value, 3, medium=medium)
    kitchen.say(m.PROBE, part="thigh")
    rest(kitchen, 186)
    assert newest(kitchen)["temperature"] == (150 if rules == 6 else 186)


def test_a_colder_spot_that_is_no_piece_by_one_reading_stays_none(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.check("thigh", 185)
    kitchen.dip(150, colder=True, medium="air")
    rest(kitchen, 150, colder=True)
    assert newest(kitchen)["temperature"] == (150 if rules == 6 else 185)


def test_a_spot_that_was_air_once_is_no_bath(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(33, medium="air")
    rest(kitchen, 33)
    assert kitchen.rows("probe_checks")[-1]["verdict"] == ("passed" if rules == 6 else "open")


def test_boiling_water_is_a_bath_reading_after_reading(rules: int) -> None:
    kitchen = checking(rules, procedure=replace(PROCEDURE, altitude_m=0.0))
    kitchen.dip(211.5, medium="water")
    kitchen.say(m.BOILING_POINT)
    rest(kitchen, 211.6, medium="water")
    assert kitchen.rows("probe_checks")[-1]["verdict"] == "passed"


def test_a_start_forgets_which_spot_was_said_to_be_no_piece(rules: int) -> None:
    """Spots are counted from 1 again."""
    kitchen = checking(rules)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.dip(185, medium="air")
    restart(kitchen, 1000, boot=1)
    kitchen.say(m.PROBE, part="thigh")
    kitchen.spot += 1
    assert ("in air. It is not taken" in rest(kitchen, 185, medium="air")) is (rules == 7)


# A colder spot before the next words


def test_a_spot_that_was_left_when_the_next_words_were_said_may_be_of_either_piece(rules: int) -> None:
    kitchen = checking(rules, (1, 2))
    kitchen.check("thigh", 185, batch=1)
    kitchen.dip(150)
    kitchen.say(m.PROBE, part="thigh", batch=2)
    kitchen.dip(190)
    first, second = kitchen.rows("checks")
    assert (second["batch"], second["temperature"]) == (2, 150), "the coldest fresh spot counts"
    assert (first["temperature"], first["counts"], first.get("disputed")) == (
        (185, 1, None) if rules == 6 else (185, 0, "for a colder spot after it that was left again")
    )


@pytest.mark.parametrize("how", ["it rests there", "passes as well", "after a minute", "words before it"])
def test_a_spot_that_is_clearly_of_the_next_piece_leaves_the_one_before_alone(how: str) -> None:
    kitchen = checking(7, (1, 2))
    kitchen.check("thigh", 185, batch=1)
    if how == "after a minute":
        kitchen.wait(53_000)
    if how == "words before it":
        kitchen.say(m.PROBE, part="thigh", batch=2)
    kitchen.dip(182 if how == "passes as well" else 150)
    if how != "words before it":
        kitchen.say(m.PROBE, part="thigh", batch=2)
    if how == "it rests there":
        rest(kitchen, 150)
    kitchen.dip(190)
    first, second = kitchen.rows("checks")
    assert (first["counts"], first.get("disputed")) == (1, None)
    assert second["temperature"] == (182 if how == "passes as well" else 150)


def test_a_colder_spot_beyond_a_warmer_one_is_of_the_same_piece(rules: int) -> None:
    kitchen = checking(rules, (1, 2))
    kitchen.check("thigh", 185, batch=1)
    kitchen.dip(187)
    kitchen.dip(188)
    kitchen.dip(150, colder=True)
    kitchen.say(m.PROBE, part="thigh", batch=2)
    kitchen.dip(190)
    assert temperatures(kitchen) == ([185, 150] if rules == 6 else [150, 190])


@pytest.mark.parametrize("how", ["colder between", "too late", "not straight", "a spot is missing", "no owner"])
def test_what_breaks_the_way_from_spot_to_spot(how: str) -> None:
    kitchen = checking(7)
    if how != "no owner":
        kitchen.check("thigh", 185)
    kitchen.dip(120 if how == "colder between" else 187)
    if how == "too late":
        kitchen.wait(50_000)
    kitchen.spot += how == "a spot is missing"
    kitchen.dip(110 if how == "colder between" else 150, colder=how != "not straight")
    assert temperatures(kitchen) == ([] if how == "no owner" else [185])


def test_a_warmer_spot_is_the_next_pieces_once_words_name_it() -> None:
    kitchen = checking(7, (1, 2))
    kitchen.check("thigh", 185, batch=1)
    kitchen.dip(187)
    kitchen.say(m.PROBE, part="thigh", batch=2)
    rest(kitchen, 187)
    assert temperatures(kitchen) == [185, 187]


# Food in holding that nothing was read of


@pytest.mark.parametrize("how", ["lost", "silent"])
def test_what_no_probe_read_in_holding_is_asked_about_at_its_sale(rules: int, how: str) -> None:
    kitchen = checking(rules)
    kitchen.read("cabinet", 150)
    prove(kitchen)
    kitchen.say(m.HOLD_START)
    if how == "lost":
        kitchen.feed(ProbeLost(kitchen.at_ms, "cabinet", "silent"))
    kitchen.wait(20 * MINUTE)
    said = kitchen.say(m.HOLD_END)
    if rules == 6:
        assert said == "Batch 1 sold."
        return
    text = "whether it was hot is not known, no temperature was read while it was held"
    assert said == f"Batch 1: {text}. Confirm that it was sold."
    kitchen.say(m.CONFIRM)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.SOLD_DESPITE]
    assert (alert.level, alert.text) == ("critical", f"Batch 1 was sold though {text}.")


@pytest.mark.parametrize("how", ["the cabinet", "a piece", "by time", "no probe there", "for a minute"])
def test_food_in_holding_is_known_to_be_hot_or_needs_not_be(how: str) -> None:
    by = replace(PROCEDURE, hold_by=BY_TIME, hold_limit_ms=4 * HOUR) if how == "by time" else PROCEDURE
    kitchen = checking(7, procedure=by)
    if how != "no probe there":
        kitchen.read("cabinet", 150)
    prove(kitchen)
    kitchen.say(m.HOLD_START)
    kitchen.wait(57_000 if how == "for a minute" else 10 * MINUTE)
    if how == "the cabinet":
        kitchen.read("cabinet", 150)
    elif how == "a piece":
        kitchen.check("thigh", 150)
    assert kitchen.say(m.HOLD_END) == "Batch 1 sold."


@pytest.mark.parametrize(("unread_ms", "asks"), [(2 * HOUR - 60_000, False), (2 * HOUR, True)])
@pytest.mark.parametrize("then", ["is read again", "is sold"])
def test_two_hours_without_a_reading_are_asked_about(rules: int, then: str, unread_ms: int, asks: bool) -> None:
    kitchen = held(rules, procedure=replace(PROCEDURE, hold_limit_ms=8 * HOUR, hold_warning_ms=7 * HOUR))
    kitchen.read("cabinet", 150)
    kitchen.wait(unread_ms)
    if then == "is read again":
        cabinet(kitchen, 150, 10 * MINUTE)
    asked = "whether it was hot is not known, no temperature was read for 120 min" in kitchen.say(m.HOLD_END)
    assert asked is (asks and rules == 7)


def test_a_struck_hold_keeps_how_long_nothing_was_read() -> None:
    kitchen = held(7)
    kitchen.feed(ProbeLost(kitchen.at_ms, "cabinet", "silent"))
    kitchen.wait(20 * MINUTE)
    assert kitchen.say(m.SCRATCH) == "Struck: hold start."
    kitchen.say(m.HOLD_START)
    assert "whether it was hot is not known" in kitchen.say(m.HOLD_END)


# What words can't take back


def test_a_cold_cabinet_stays_an_alert_where_only_the_words_for_the_hold_were_struck(rules: int) -> None:
    kitchen = held(rules)
    cabinet(kitchen, 122, 2 * MINUTE)
    assert alerts.HOLD_COLD in open_kinds(kitchen)
    assert kitchen.say(m.SCRATCH) == "Struck: hold start."
    assert (alerts.HOLD_COLD in open_kinds(kitchen)) is (rules == 7)
    if rules == 6:
        return
    cabinet(kitchen, 122, MINUTE)
    kitchen.say(m.HOLD_START)
    assert kitchen.news(alerts.HOLD_COLD) == [(alerts.HOLD_COLD, "raised")], "one alert for all of it"
    cabinet(kitchen, 150, 6 * MINUTE)
    assert kitchen.news(alerts.HOLD_COLD)[-1] == (alerts.HOLD_COLD, "ended")


def test_it_ends_with_the_words_once_the_open_lid_before_it_is_struck_too() -> None:
    """The batch then cooks: no food of it stands anywhere else."""
    kitchen = checking(7)
    kitchen.read("cabinet", 150)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    cabinet(kitchen, 122, 2 * MINUTE)
    assert kitchen.say(m.SCRATCH) == "Struck: confirm."
    assert alerts.HOLD_COLD in open_kinds(kitchen)
    assert kitchen.say(m.SCRATCH) == "Struck: hold start."
    assert alerts.HOLD_COLD in open_kinds(kitchen)
    assert kitchen.say(m.SCRATCH) == "Struck: lid open."
    assert alerts.HOLD_COLD not in open_kinds(kitchen)
    (row,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.HOLD_COLD]
    assert row["ended_by"] == "command struck"


@pytest.mark.parametrize("how", ["warm again", "cooked more", "discarded"])
def test_it_ends_once_the_food_is_elsewhere_or_the_cabinet_is_warm(how: str) -> None:
    kitchen = held(7)
    cabinet(kitchen, 122, 2 * MINUTE)
    kitchen.say(m.SCRATCH)
    if how == "warm again":
        cabinet(kitchen, 150, 6 * MINUTE)
    elif how == "cooked more":
        kitchen.say(m.COOK_MORE)
    else:
        kitchen.say(m.DISCARD)
        kitchen.say(m.CONFIRM)
    assert alerts.HOLD_COLD not in open_kinds(kitchen)
    if how == "cooked more":
        kitchen.say(m.LID_LOCKED)
        kitchen.wait(3 * MINUTE)
        kitchen.say(m.LID_OPEN)
        cabinet(kitchen, 122, 2 * MINUTE)
        assert alerts.HOLD_COLD not in open_kinds(kitchen), "it was cooked since"


def test_of_two_batches_in_a_cold_cabinet_one_is_struck() -> None:
    kitchen = checking(7, (1, 2))
    for batch in (1, 2):
        prove(kitchen, batch=batch)
        kitchen.say(m.HOLD_START, batch=batch)
    cabinet(kitchen, 122, 2 * MINUTE)
    kitchen.say(m.SCRATCH)
    cold = [alert for alert in kitchen.state.world.alerts if alert.kind == alerts.HOLD_COLD and not alert.ended_ms]
    assert len(cold) == 1
    kitchen.say(m.HOLD_END, batch=1)
    kitchen.say(m.CONFIRM)
    assert alerts.HOLD_COLD in open_kinds(kitchen), "batch 2 may still stand there"


OTHER = replace(PROCEDURE, hold_minimum=fahrenheit(140))


def test_a_cabinet_is_too_cold_by_the_minimum_of_what_is_in_it(rules: int) -> None:
    """138 °F is below the 140 °F of the procedure that is loaded, and above the 135 °F of the batch's own."""
    kitchen = checking(rules)
    prove(kitchen)
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, OTHER))
    cabinet(kitchen, 138, 2 * MINUTE)
    kitchen.say(m.HOLD_START)
    assert (alerts.HOLD_COLD in open_kinds(kitchen)) is (rules == 6)


def test_one_reading_below_another_minimum_is_no_stretch(rules: int) -> None:
    kitchen = checking(rules)
    prove(kitchen)
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, OTHER))
    kitchen.read("cabinet", 138)
    kitchen.wait(2 * MINUTE)
    kitchen.say(m.HOLD_START)
    kitchen.read("cabinet", 130)
    assert (alerts.HOLD_COLD in open_kinds(kitchen)) is (rules == 6)
    cabinet(kitchen, 130, MINUTE)
    assert alerts.HOLD_COLD in open_kinds(kitchen)


def test_food_that_was_reheated_too_late_stays_so_though_its_words_are_struck(rules: int) -> None:
    """Cold in the cabinet, by its readings; "cook more" begins the two hours, and is struck after them."""
    kitchen = held(rules, procedure=replace(PROCEDURE, hold_limit_ms=8 * HOUR, hold_warning_ms=7 * HOUR))
    cabinet(kitchen, 122, 2 * MINUTE)
    kitchen.say(m.COOK_MORE)
    kitchen.wait(2 * HOUR)
    assert alerts.REHEAT_LATE in open_kinds(kitchen)
    kitchen.say(m.SCRATCH)
    assert kitchen.rows("commands")[-1]["reply"] == "Struck: cook more."
    assert (alerts.REHEAT_LATE in open_kinds(kitchen)) is (rules == 7)


# Smaller things


def test_a_hold_by_time_needs_no_power(rules: int) -> None:
    """Food Code 2022, 3-501.19: time alone keeps it safe, not the cabinet's heat."""
    kitchen = held(rules, procedure=replace(PROCEDURE, hold_by=BY_TIME, hold_limit_ms=4 * HOUR))
    restart(kitchen, 10 * MINUTE)
    assert (alerts.POWER_AWAY in open_kinds(kitchen)) is (rules == 6)


def test_pieces_fall_only_once_there_are_some(rules: int) -> None:
    kitchen = Kitchen(rules=rules)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    said = kitchen.say(m.DROPPED, count=2)
    assert said == (
        "2 pieces of batch 1 dropped, and it stays open."
        if rules == 6
        else "Refused: batch 1 has no pieces yet; say the load first."
    )
    kitchen.say(m.LOAD, part="thigh", count=12)
    assert kitchen.say(m.DROPPED, count=2) == f"2 pieces of batch 1 dropped, {8 if rules == 6 else 10} left."


def test_a_piece_judged_by_a_probe_that_is_due_ends_the_time_to_check_it_first(rules: int) -> None:
    """Half an hour is given at the beginning of a shift; whoever judges a piece has not used it."""
    kitchen = Kitchen(rules=rules, procedure=CHECKED)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    assert alerts.PROBE_CHECK_OVERDUE not in open_kinds(kitchen)
    kitchen.check("thigh", 185)
    assert (alerts.PROBE_CHECK_OVERDUE in open_kinds(kitchen)) is (rules == 7)
    if rules == 7:
        assert "The probe's check is overdue. Check it in ice." in [
            effect.say for effect in kitchen.effects[-3:] if isinstance(effect, Cue)
        ]
    kitchen.check("breast", 185)
    kitchen.wait(HOUR)
    assert kitchen.news(alerts.PROBE_CHECK_OVERDUE) == [(alerts.PROBE_CHECK_OVERDUE, "raised")], "once in all"


def test_a_probe_that_passed_in_time_or_is_never_to_be_checked_is_not_due() -> None:
    for procedure in (CHECKED, PROCEDURE):
        kitchen = Kitchen(procedure=procedure)
        kitchen.say(m.SHIFT_START, cook=4)
        kitchen.say(m.ICE_POINT)
        kitchen.dip(32)
        kitchen.cook()
        kitchen.check("thigh", 185)
        assert alerts.PROBE_CHECK_OVERDUE not in open_kinds(kitchen)


def test_more_checks_than_are_needed_are_not_called_five_of_four(rules: int) -> None:
    kitchen = checking(rules)
    prove(kitchen, 5)
    said = 5 if rules == 6 else 4
    assert f"{said} of 4 checks" in kitchen.say(m.STATUS)
    kitchen.check("thigh", 150)
    assert f"has {said} of 4 checks passed: 1 failed" in kitchen.say(m.HOLD_START)
    kitchen.say(m.CONFIRM)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.HOLD_UNPROVEN]
    assert f"with {said} of 4 checks passed" in alert.text and dict(alert.numbers)["passed"] == said


def test_waits_that_add_up_to_four_hours_are_critical(rules: int) -> None:
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
    prove(kitchen)
    said = kitchen.say(m.HOLD_START)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.HOLD_LATE]
    assert alert.level == ("warning" if rules == 6 else "critical")
    assert ("waited 309 min" in said) is (rules == 7)


def test_the_answer_to_last_reading_says_since_when_there_is_none(rules: int) -> None:
    kitchen = checking(rules)
    kitchen.check("thigh", 185)
    restart(kitchen, 1000, boot=1)
    since = "" if rules == 6 else " since it was lost or the recorder started"
    assert kitchen.say(m.LAST_READING) == f"The needle has given no reading{since}."


# The view for people


def test_the_view_of_checks_says_which_count_and_why_others_do_not(tmp_path: Path) -> None:
    path, kitchen = tmp_path / "records.db", checking(7)
    kitchen.check("thigh", 185)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(38)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.check("thigh", 186)
    kitchen.check("thigh", 187)
    kitchen.say(m.SCRATCH)
    kitchen.say(m.PROBE, part="thigh")
    kept(kitchen, path).close()
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT read, verdict, counts, disputed, in_doubt FROM checks_read").fetchall()
    assert rows == [
        ("185.0 °F", "passed", "no", "", "yes"),
        ("186.0 °F", "passed", "yes", "", ""),
        ("187.0 °F", "passed", "no", "by the cook", ""),
        (None, "open", "", "", ""),
    ]


@pytest.mark.parametrize("cold", ["the cabinet", "a piece"])
def test_food_held_too_cold_is_named_before_any_sale(rules: int, cold: str) -> None:
    kitchen = held(rules)
    cabinet(kitchen, 150, 40_000)
    assert "Sold, or hold end." in kitchen.say(m.WHAT_NEXT)
    if cold == "the cabinet":
        cabinet(kitchen, 120, 2 * MINUTE)
    else:
        kitchen.check("thigh", 120)
    kind = alerts.HOLD_COLD if cold == "the cabinet" else alerts.FOOD_COLD
    assert kitchen.notices(kind), "the alert is open"
    said = kitchen.say(m.WHAT_NEXT)
    assert ("Sold" in said) == (rules < 7) and ("is held too cold, 12 pieces left. Probe" in said) == (rules >= 7)
