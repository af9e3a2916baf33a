"""An alert from its beginning to its end: told, told again ever more seldom, in hand, over."""

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.events import Acknowledged, Seen, Started
from recorder.notices import states
from tests.kitchen import MINUTE, Kitchen


@pytest.fixture
def kitchen() -> Kitchen:
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    return kitchen


def changes(kitchen: Kitchen, kind: str) -> list[str]:
    return [change for _, change in kitchen.notices(kind)]


def cold(kitchen: Kitchen) -> str:
    """A check below the critical limit; the alert's id."""
    kitchen.cook()
    kitchen.check("thigh", 150)
    return next(alert.id for alert in kitchen.state.world.alerts if alert.kind == alerts.CHECK_BELOW_CRITICAL)


def test_a_critical_alert_is_told_again_ever_more_seldom(kitchen: Kitchen) -> None:
    cold(kitchen)
    began_ms = kitchen.at_ms
    told = []
    for minute in range(1, 140):
        before = len(kitchen.notices(alerts.CHECK_BELOW_CRITICAL))
        kitchen.wait(began_ms + minute * MINUTE - kitchen.at_ms)
        told += [minute] * (len(kitchen.notices(alerts.CHECK_BELOW_CRITICAL)) - before)
    assert told == [5, 15, 35, 75, 135]


def test_a_warning_is_told_again_four_times(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.check("thigh", 170)
    kitchen.wait(24 * 60 * MINUTE)
    assert changes(kitchen, alerts.CHECK_BELOW_TARGET) == ["raised", *["repeated"] * 4]


def test_an_alert_in_hand_is_not_told_again(kitchen: Kitchen) -> None:
    id = cold(kitchen)
    kitchen.wait(6 * MINUTE)
    kitchen.feed(Acknowledged(kitchen.at_ms, id, "JD"))
    kitchen.feed(Acknowledged(kitchen.at_ms + 1, id, "XX"))
    kitchen.wait(300 * MINUTE)
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised", "repeated", "acknowledged"]
    row = next(row for row in kitchen.rows("alerts") if row["id"] == id)
    assert (row["acknowledged_by"], row["acknowledged_ms"], row["ended_ms"]) == (
        "JD",
        6 * MINUTE + row["began_ms"],
        None,
    )  # type: ignore[operator]
    (told,) = states.open_alerts(kitchen.state.world)["alerts"]
    assert told["acknowledged_by"] == "JD"


def test_what_grows_worse_is_told_though_the_first_is_in_hand(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.check("thigh", 170)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == alerts.CHECK_BELOW_TARGET]
    kitchen.feed(Acknowledged(kitchen.at_ms, alert.id, "JD"))
    kitchen.check("leg", 150)
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised"]


def test_a_hold_past_its_limit_keeps_its_own_pace_until_it_is_in_hand(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.wait(85 * MINUTE)
    told = changes(kitchen, alerts.HOLD_PAST_LIMIT)
    assert told == ["raised", "repeated", "repeated"]
    id = next(alert.id for alert in kitchen.state.world.alerts if alert.kind == alerts.HOLD_PAST_LIMIT)
    kitchen.feed(Acknowledged(kitchen.at_ms, id, "JD"))
    kitchen.wait(40 * MINUTE)
    assert changes(kitchen, alerts.HOLD_PAST_LIMIT) == [*told, "acknowledged"]


def test_an_answer_to_nothing_changes_nothing(kitchen: Kitchen) -> None:
    id = cold(kitchen)
    world = kitchen.state.world
    kitchen.feed(Acknowledged(kitchen.at_ms, "1-no-such-thing", "JD"))
    kitchen.feed(Seen(kitchen.at_ms, "1-no-such-thing", "phone"))
    assert kitchen.state.world.alerts == world.alerts
    kitchen.feed(Seen(kitchen.at_ms, id, "phone 1"))
    kitchen.feed(Seen(kitchen.at_ms, id, "phone 2"))
    row = next(row for row in kitchen.rows("alerts") if row["id"] == id)
    assert row["seen_by"] == "phone 1"
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised"], "being seen is no news"


def test_reminders_that_were_missed_are_not_made_up_for(kitchen: Kitchen) -> None:
    id = cold(kitchen)
    began_ms = kitchen.at_ms
    kitchen.at_ms += 40 * MINUTE
    kitchen.read("needle", 90)
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised", "repeated"]
    alert = next(each for each in kitchen.state.world.alerts if each.id == id)
    assert alerts.reminder_ms(alert) == began_ms + 75 * MINUTE


def test_an_older_record_tells_once(kitchen: Kitchen) -> None:
    kitchen.feed(Started(kitchen.at_ms, "boot-1", True, "test", "line-1", (1,), 2))
    cold(kitchen)
    kitchen.wait(200 * MINUTE)
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised"]


def test_states_say_how_it_stands(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    world = kitchen.state.world
    (batch,) = states.batches(world)["open"]
    assert (batch["stage"], batch["cook_due_ms"] - batch["cook_started_ms"]) == ("cooking", 13 * MINUTE)
    assert batch["hold_started_ms"] is None
    ((_, check),) = states.read_checks(world).items()
    assert (check["part"], check["temperature"], check["unit"], check["verdict"]) == (
        "thigh",
        150,
        "F",
        "below critical limit",
    )
    (row,) = kitchen.rows("checks")
    assert states.kept_check({"probe_was": None} | row) == check
    assert states.last_checks(dict.fromkeys(range(30), check))["checks"] == [check] * states.CHECKS
    fares = states.health(world, ["needle", "vat1"], "1", 2, 900)
    assert fares["probes"] == {"needle": "ok", "vat1": "no reading yet"} and fares["hearing"] == "well"
