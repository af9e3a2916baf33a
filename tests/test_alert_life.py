"""An alert from its beginning to its end: told, told again ever more seldom, in hand, over."""

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.events import RULES, Acknowledged, ProbeBack, ProbeLost, Seen, Signed, Started
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


def test_an_alert_from_before_there_were_reminders_is_told_again_at_once_and_no_deadline_is_past() -> None:
    kitchen = Kitchen(rules=2)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.wait(20 * MINUTE)
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised"]
    kitchen.feed(Started(kitchen.at_ms, "boot-1", True, "new", "line-1", (1,), RULES))
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised", "repeated"]


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
    assert isinstance(row["acknowledged_ms"], int) and isinstance(row["began_ms"], int)
    assert row["acknowledged_ms"] - row["began_ms"] == 6 * MINUTE
    assert (row["acknowledged_by"], row["ended_ms"]) == ("JD", None)
    told, waits = states.open_alerts(kitchen.state.world)["alerts"]
    assert (told["acknowledged_by"], waits["kind"]) == ("JD", alerts.PIECES_WAIT)


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


def test_an_older_record_tells_once() -> None:
    kitchen = Kitchen(rules=2)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.wait(200 * MINUTE)
    assert changes(kitchen, alerts.CHECK_BELOW_CRITICAL) == ["raised"]
    for channel in ("vat1", "cabinet"):
        kitchen.feed(ProbeLost(kitchen.at_ms, channel, "unplugged"))
    kitchen.read("vat1", 340)
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised", "raised", "ended"]


def test_states_say_how_it_stands(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    world = kitchen.state.world
    (batch,) = states.batches(world)["open"]
    assert (batch["stage"], batch["cook_due_ms"] - batch["cook_started_ms"]) == ("cooking", 3 * MINUTE)
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


def lost(kitchen: Kitchen, *channels: str, reason: str = "unplugged") -> None:
    for channel in channels:
        kitchen.feed(ProbeLost(kitchen.at_ms, channel, reason))
        kitchen.at_ms += 100


def test_a_board_that_is_unplugged_is_one_alert(kitchen: Kitchen) -> None:
    lost(kitchen, "needle", "vat1", "cabinet")
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised"]
    (row,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.PROBE_LOST]
    assert row["text"] == (
        "Probes needle, vat1, cabinet: unplugged. Temperatures there are not recorded until they are back."
    )
    for channel in ("needle", "vat1"):
        kitchen.feed(ProbeBack(kitchen.at_ms, channel))
    fares = states.health(kitchen.state.world, ["needle", "vat1", "cabinet"], "1", 0, 0)["probes"]
    assert fares == {"needle": "no reading yet", "vat1": "no reading yet", "cabinet": "unplugged"}
    kitchen.wait(10 * MINUTE)
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised"], "the cabinet's is still lost"
    kitchen.read("cabinet", 150)
    kitchen.wait(MINUTE)
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised", "ended"]


def test_another_reason_or_a_later_loss_is_another_alert(kitchen: Kitchen) -> None:
    lost(kitchen, "needle")
    lost(kitchen, "vat1", reason="open circuit")
    kitchen.wait(10_000)
    lost(kitchen, "cabinet")
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised"] * 3


def test_a_probe_that_flaps_is_one_alert(kitchen: Kitchen) -> None:
    lost(kitchen, "needle", reason="open circuit")
    for _ in range(20):
        kitchen.wait(5_000)
        kitchen.read("needle", 90)
        kitchen.wait(5_000)
        lost(kitchen, "needle", "needle", reason="open circuit")
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised"]
    kitchen.read("needle", 90)
    kitchen.read("needle", 91)
    kitchen.wait(29_000)
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised"]
    kitchen.wait(2_000)
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised", "ended"]
    lost(kitchen, "needle", reason="open circuit")
    assert changes(kitchen, alerts.PROBE_LOST) == ["raised", "ended", "raised"]


def test_with_open_alerts_a_signature_needs_a_note(kitchen: Kitchen) -> None:
    kitchen.cook()
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.wait(70 * MINUTE)
    assert "Not signed: 1 alert is open" in str(kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", " ")))
    assert kitchen.rows("signatures") == []
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "discarded by hand"))
    (row,) = kitchen.rows("signatures")
    assert (row["initials"], row["open_alerts"], row["note"]) == ("JD", 1, "discarded by hand")
