"""Two alerts of one kind about two things: what ends one leaves the other as it was, words and numbers too."""

from dataclasses import replace

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Alert, Notice
from recorder.core.events import Acknowledged, ProbeLost, Seen
from tests.neighbours import PAIRS, Pair
from tests.strategies import KINDS
from tests.uneven import Uneven

ALONE = {
    alerts.HOLD_COLD: "one cabinet",
    alerts.PROBE_CHECK_FAILED: "one needle: a second failure ends the first alert",
    alerts.PROBE_CHECK_OVERDUE: "one needle",
    alerts.BREADING_OVERDUE: "one breading station",
    alerts.NOT_HEARING: "one ear",
    alerts.HEARS_BADLY: "one ear: a second trouble ends the first alert",
    alerts.NOT_RECORDING: "in no journal",
    alerts.RECORDER_STARTED: "over as soon as it is said",
    alerts.CLOCK_NOT_SET: "one clock",
    alerts.DISK_NEARLY_FULL: "one disk",
}
"""Kinds of which one alert at most can be open, and why."""


def quiet(alert: Alert) -> Alert:
    """The alert but for how often it was told again, which time alone changes."""
    return replace(alert, repeats=0)


def two_open(k: Uneven, each: Pair) -> list[Alert]:
    each.begin(k, 1)
    each.begin(k, 2)
    found = sorted(k.open_of(each.kind), key=lambda alert: alert.batch or 0)
    assert len(found) == 2 and found[0].id != found[1].id, [alert.text for alert in k.state.world.alerts]
    return found


@pytest.mark.parametrize("each", PAIRS)
def test_what_ends_one_leaves_its_neighbour_as_it_was(each: Pair) -> None:
    k = Uneven()
    first, second = two_open(k, each)
    for alert in (first, second):
        began = next(a for a in k.raised() if a.id == alert.id)
        assert quiet(began) == quiet(alert), "its words and numbers are those that it began with"
    assert first.text != second.text
    before = len(k.effects)
    each.end(k, 1)
    assert [quiet(alert) for alert in k.open_of(each.kind)] == [quiet(second)]
    ended = [
        e.alert
        for e in k.effects[before:]
        if isinstance(e, Notice) and (e.alert.kind, e.change) == (each.kind, "ended")
    ]
    assert [(alert.id, alert.ended_by) for alert in ended] == [(first.id, each.by)]
    rows = {row["id"]: row for row in k.rows("alerts")}
    assert rows[first.id]["ended_by"] == each.by and rows[second.id]["ended_ms"] is None
    still = [alert.kind for alert in k.state.world.alerts if alert.ended_ms is None]
    _, _, named = k.say(m.STATUS).partition(f"Alerts open: {len(still)}, ")
    assert all(kind in named for kind in still)


@pytest.mark.parametrize("each", PAIRS)
def test_what_is_in_hand_of_one_says_nothing_of_its_neighbour(each: Pair) -> None:
    k = Uneven()
    first, second = two_open(k, each)
    k.feed(Acknowledged(k.at_ms, second.id, "MK"))
    left = {alert.id: alert for alert in k.state.world.alerts if alert.kind == each.kind}
    assert (left[second.id].acknowledged_by, left[first.id].acknowledged_by) == ("MK", None)
    assert left[first.id].ended_ms is None
    past = each.kind in alerts.ended_by(alerts.Ends.ACKNOWLEDGING) or second.batch not in {None} | {
        b.number for b in k.state.world.batches
    }
    assert (left[second.id].ended_by == "acknowledged") is past


@pytest.mark.parametrize("each", PAIRS)
def test_who_was_first_stays_so_while_its_neighbour_still_waits(each: Pair) -> None:
    k = Uneven()
    first, second = two_open(k, each)
    if each.kind in alerts.ended_by(alerts.Ends.ACKNOWLEDGING):
        k.feed(Seen(k.at_ms, second.id, "phone 1"))
    else:
        for answer in (Acknowledged(k.at_ms, second.id, "MK"), Seen(k.at_ms, second.id, "phone 1")):
            k.feed(answer)
    k.wait(1_000)
    before = {alert.id: alert for alert in k.open_of(each.kind)}
    for answer in (Acknowledged(k.at_ms, second.id, "XX"), Seen(k.at_ms, second.id, "phone 2")):
        if each.kind not in alerts.ended_by(alerts.Ends.ACKNOWLEDGING) or isinstance(answer, Seen):
            k.feed(answer)
    after = {alert.id: alert for alert in k.open_of(each.kind)}
    assert after == before and after[first.id].seen_by is None
    k.feed(Seen(k.at_ms, first.id, "phone 3"))
    seen = {alert.id: alert.seen_by for alert in k.open_of(each.kind)}
    assert seen == {**{id: alert.seen_by for id, alert in before.items()}, first.id: "phone 3"}


def test_a_loss_that_grows_wider_leaves_another_loss_as_it_was() -> None:
    k = Uneven()
    k.feed(ProbeLost(k.at_ms, "needle", "open circuit"))
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    k.at_ms += 900
    k.feed(ProbeLost(k.at_ms, "vat2", "unplugged"))
    told = {dict(alert.numbers)["channel"]: dict(alert.numbers)["reason"] for alert in k.open_of(alerts.PROBE_LOST)}
    assert told == {"needle": "open circuit", "vat1, vat2": "unplugged"}


def test_each_kind_has_neighbours_or_a_reason_for_none() -> None:
    named = {each.values[0].kind for each in PAIRS}  # type: ignore[attr-defined]
    assert named | ALONE.keys() | set(alerts.EARLIER) >= set(KINDS) - {kind for kind in KINDS if kind in alerts.EARLIER}
    assert not named & ALONE.keys()
