"""Where there are several of a kind: the longest wait, the coldest piece, the newest check, the oldest that is kept."""

from dataclasses import replace
from itertools import permutations

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Batch, Check, Frying, Hold, Load, Stage, Verdict
from recorder.core.effects import Level, Notice
from recorder.core.events import RULES, Intent, ProbeBack, ProbeLost, ProcedureLoaded
from recorder.core.subjects import holding, probe_loss, trends
from recorder.core.world import World
from tests.kitchen import MINUTE
from tests.uneven import FAHRENHEIT, Uneven

HOUR = 60 * MINUTE

BATCH = Batch(5, 7, 2, 3, FAHRENHEIT, 1_000)


@pytest.mark.parametrize(
    ("waits_ms", "level", "seconds"),
    [
        ((4 * HOUR - 20 * MINUTE, 20 * MINUTE), Level.CRITICAL, 14_400),
        ((20 * MINUTE, 4 * HOUR - 20 * MINUTE), Level.CRITICAL, 14_400),
        ((20 * MINUTE, 4 * HOUR - 20 * MINUTE - 1), Level.WARNING, 14_399.999),
        ((30 * MINUTE, 20 * MINUTE), Level.WARNING, 3_000),
    ],
)
def test_several_waits_in_all_say_how_bad_it_is(waits_ms: tuple[int, int], level: Level, seconds: float) -> None:
    """Four hours: FDA Food Code 2022, 3-501.19(B)."""
    waits = tuple(zip((Stage.LOADING, Stage.CHECKING), waits_ms, strict=True))
    late = holding.hold_late(BATCH, Hold(9, 0, True, 0), waits, 0, RULES)
    assert (late.level, dict(late.numbers)) == (level, {"seconds": seconds, "waits": 2})
    assert "raw pieces have waited" in late.text and " and cooked pieces have waited" in late.text


@pytest.mark.parametrize(("raw_min", "open_min"), [(30, 20), (20, 30)])
def test_the_answer_to_a_late_hold_says_how_long_its_pieces_waited_in_all(raw_min: int, open_min: int) -> None:
    k = Uneven()
    k.begin(1)
    k.wait(raw_min * MINUTE)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(13 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.prove(1)
    k.wait(open_min * MINUTE)
    assert "Its pieces waited 50 min " in k.say(m.HOLD_START, vat=1)
    assert "longer than they may" in k.effects[-1].say  # type: ignore[union-attr]


@pytest.mark.parametrize("values", [*permutations((130, 125, 128))])
def test_of_cold_pieces_in_holding_the_coldest_is_named(values: tuple[float, ...]) -> None:
    k = Uneven()
    k.hold(1)
    for value in values:
        k.check("leg", value, batch=1)
    assert "a piece in holding was read at 125.0 °F, below 138 °F" in k.say(m.SOLD, batch=1)
    first_ms = min(alert.began_ms for alert in k.open_of(alerts.FOOD_COLD))
    assert k.rows("batches")[0]["reheat_by_ms"] == first_ms + 2 * HOUR, "the first one begins its two hours"


def test_more_checks_than_are_needed_are_not_said_to_be_more() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.check("leg", 190, vat=1)
    assert k.effects[-1].say == "Leg 190.0 degrees, passed. 3 of 3. Checks complete."  # type: ignore[union-attr]


def test_a_closed_batch_of_which_one_check_is_in_doubt_says_so() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 190, vat=1)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.check("wing", 190, vat=1)
    k.discard(1)
    k.wait(MINUTE)
    k.say(m.OIL_LEVEL_OK, vat=2)
    k.say(m.ICE_POINT)
    k.dip(40)
    assert [(row["part"], row.get("in_doubt")) for row in k.rows("checks")] == [("leg", None), ("wing", 1)]


def read(part: str, id: int) -> Check:
    return Check(id, part, 0, id, Verdict.PASSED, temp_c=85 + id / 100, source="probe", counts=True)


def test_forty_batches_are_remembered() -> None:
    loads = (Load(10, "leg", 9, 0, None, False, False),)
    batch = replace(BATCH, loads=loads, fryings=(Frying(11, 0, 1),), checks=(read("leg", 20), read("leg", 21)))
    forty = tuple((80 + number / 10, 80 + number / 20) for number in range(40))
    points = tuple(80 + number % 3 for number in range(40))
    world = World(procedure=FAHRENHEIT, batches=(batch,), checked=forty, means=(("leg", points), ("wing", points)))
    after = trends.first_checks_done(world, batch, 9)
    assert after.checked == (*forty[1:], (85.2, 85.21))
    means = dict(after.means)
    assert means["leg"][:-1] == points[1:] and means["leg"][-1] == pytest.approx(85.205) and means["wing"] == points


def test_forty_recoveries_of_each_vat_are_remembered() -> None:
    k = Uneven()
    points = tuple(150.0 + number % 3 for number in range(40))
    k.state = replace(k.state, world=replace(k.state.world, recovered_s=((1, points), (2, points))))
    k.begin(1, oil=340)
    k.say(m.LID_LOCKED, vat=1)
    for value in (310, 326):
        k.wait(MINUTE)
        k.read("vat1", value)
    history = dict(k.state.world.recovered_s)
    assert history[1] == (*points[1:], k.state.world.recoveries[0].seconds)
    assert history[2] == points


def test_a_part_that_runs_colder_is_an_alert_about_its_last_check() -> None:
    k = Uneven()
    for number in range(12):
        k.begin(1, parts=("leg",))
        k.fry(1)
        for more in (0, 0.5, 1):
            k.check("leg", (195 if number < 8 else 185) + number % 3 * 1.07 + more, vat=1)
        k.say(m.HOLD_START, vat=1)
        k.sell(k.number(1))
    (drift,) = [each for each in k.raised() if each.kind == alerts.DRIFT]
    told_of = int(drift.id.partition("-")[0])
    checks = [row for row in k.rows("checks") if row["id"] == told_of]
    assert len(checks) == 1
    batch = [row["id"] for row in k.rows("checks") if row["batch_id"] == checks[0]["batch_id"]]
    assert batch[-1] == told_of


def test_probes_that_were_lost_together_are_over_when_the_last_has_been_back_for_half_a_minute() -> None:
    k = Uneven()
    for channel in ("vat1", "vat2"):
        k.feed(ProbeLost(k.at_ms, channel, "unplugged"))
    k.feed(ProbeBack(k.at_ms, "vat1"))
    k.wait(40_000)
    assert len(k.open_of(alerts.PROBE_LOST)) == 1
    assert list(probe_loss.steady(k.state.world)) == []
    assert probe_loss.is_lost(k.state.world, "vat2") and not probe_loss.is_lost(k.state.world, "vat1")
    k.feed(ProbeBack(k.at_ms, "vat2"))
    back_ms = k.at_ms
    k.wait(29_999)
    assert len(k.open_of(alerts.PROBE_LOST)) == 1
    k.wait(1)
    (row,) = [row for row in k.rows("alerts") if row["kind"] == alerts.PROBE_LOST]
    assert (row["ended_ms"], row["ended_by"]) == (back_ms + 30_000, "probe back")


def test_a_hold_that_begins_past_its_limit_is_told_when_it_begins() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.wait(70 * MINUTE)
    k.say(m.HOLD_START, vat=1)
    k.wait(1)
    (past,) = k.open_of(alerts.HOLD_PAST_LIMIT)
    assert past.began_ms == k.rows("holds")[0]["started_ms"]
    assert k.open_of(alerts.HOLD_NEAR_LIMIT) == []


def test_the_strictest_minimum_of_what_is_in_holding_counts_whichever_came_first() -> None:
    """138 °F is 58.9 °C, below the other's 60 °C."""
    for vats in ((1, 2), (2, 1)):
        k = Uneven()
        for vat in vats:
            k.hold(vat)
        k.feed(ProcedureLoaded(k.at_ms, k.of[1]))
        for _ in range(4):
            k.read("cabinet", 139)
            k.wait(25_000)
        (cold,) = k.open_of(alerts.HOLD_COLD)
        assert (dict(cold.numbers)["limit"], dict(cold.numbers)["unit"]) == (60.0, "C")


@pytest.mark.parametrize(
    ("temp_c", "verdict"), [(-5.0, "below critical limit"), (-5.01, "open"), (97.0, "passed"), (97.01, "open")]
)
def test_what_a_piece_can_be_at_the_needle(temp_c: float, verdict: str) -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.say(m.PROBE, part="leg", vat=1)
    k.dip(temp_c * 9 / 5 + 32)
    assert [row["verdict"] for row in k.rows("checks")] == [verdict]


def test_a_disputed_reading_of_no_named_part_is_one_of_the_piece() -> None:
    k = Uneven()
    k.begin(2)
    k.fry(2)
    k.say(m.READING, number=90.0, vat=2)
    assert k.say(m.SCRATCH) == "The reading of the piece stays on record as disputed. It proves nothing now."
    assert k.say(m.SCRATCH).startswith("Refused: the reading of the piece is disputed already")


def test_a_question_about_the_best_sentence_goes_before_the_second_best() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    assert k.hear(Intent(m.HOLD_START, vat=1), Intent(m.OIL_LEVEL_OK, vat=2)).startswith("Batch 1 has 0 of 3 checks")
    k.say(m.CONFIRM)
    assert k.hear(Intent(m.SOLD, batch=1), Intent(m.OIL_LEVEL_OK, vat=2)).startswith("Batch 1: its checks are not")
    k.begin(1)
    assert k.hear(Intent(m.LID_OPEN, vat=1), Intent(m.OIL_LEVEL_OK, vat=2)) == "Oil level ok, vat 2.", "its lid is open"


def test_doubt_of_a_check_that_others_make_up_for_leaves_the_hold_as_it_is() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.check("leg", 190, vat=1)
    k.say(m.HOLD_START, vat=1)
    k.say(m.ICE_POINT)
    k.dip(40)
    assert [row.get("in_doubt") for row in k.rows("checks")] == [None, None, None, 1]
    assert [row["proven"] for row in k.rows("holds")] == [1] and k.open_of(alerts.HOLD_UNPROVEN) == []


def test_a_check_that_a_colder_spot_disputes_in_holding_makes_the_hold_unproven() -> None:
    """The needle went straight on to a colder spot after the words for another piece: nobody knows whose it is."""
    k = Uneven()
    k.hold(1)
    k.say(m.PROBE, part="wing", batch=1)
    k.dip(180, colder=True)
    disputed = [row for row in k.rows("checks") if "disputed" in row]
    assert [(row["part"], row["counts"]) for row in disputed] == [("leg", 0)]
    assert [row["proven"] for row in k.rows("holds")] == [0]
    (unproven,) = k.open_of(alerts.HOLD_UNPROVEN)
    assert (unproven.batch, dict(unproven.numbers)["passed"]) == (1, 2)


def test_food_that_came_in_with_a_warm_reading_is_cold_from_its_own_first_cold_one() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.wait(1_000)
    k.read("cabinet", 120)
    k.say(m.HOLD_START, vat=1)
    k.read("cabinet", 150)
    k.wait(10 * MINUTE)
    k.read("cabinet", 120)
    cold_ms = k.at_ms
    k.wait(20_000)
    k.read("cabinet", 150)
    k.say(m.COOK_MORE, batch=1)
    assert k.rows("batches")[0]["reheat_by_ms"] == cold_ms + 2 * HOUR


@pytest.mark.parametrize("cold_before", [False, True])
def test_a_power_gap_that_a_warm_piece_answers_for_does_not_begin_the_cold_time(cold_before: bool) -> None:
    """What was cold before it does."""
    k = Uneven()
    k.hold(1)
    k.read("cabinet", 120 if cold_before else 150)
    first_ms = k.at_ms
    k.wait(20_000)
    k.read("cabinet", 150)
    k.restart(10 * MINUTE, True)
    k.check("leg", 150, batch=1)
    k.read("cabinet", 120)
    cold_ms = k.at_ms
    k.wait(20_000)
    k.read("cabinet", 150)
    k.say(m.COOK_MORE, batch=1)
    assert k.rows("batches")[0]["reheat_by_ms"] == (first_ms if cold_before else cold_ms) + 2 * HOUR


def test_a_warning_that_nobody_has_in_hand_is_told_again_ever_more_seldom() -> None:
    """Four times, at these minutes; a critical one in test_core_edges."""
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 175, vat=1)
    began_ms = k.at_ms
    k.wait(24 * HOUR)
    told_ms = [
        event.at_ms - began_ms
        for event, effects in k.steps
        for each in effects
        if isinstance(each, Notice) and (each.alert.kind, each.change) == (alerts.CHECK_BELOW_TARGET, "repeated")
    ]
    assert [each / MINUTE for each in told_ms] == [15, 45, 105, 225]


def test_what_happened_since_the_second_of_two_struck_commands_outlives_both() -> None:
    k = Uneven()
    k.say(m.OIL_LEVEL_OK, vat=1)
    k.say(m.OIL_LEVEL_LOW, vat=1)
    k.read("vat1", 330)
    k.wait(1_000)
    k.read("vat1", 340)
    assert [k.say(m.SCRATCH) for _ in range(2)] == ["Struck: oil level low.", "Struck: oil level ok."]
    assert k.say(m.OIL_FILTERED, vat=1) == "Oil filtered, vat 1, 340 degrees."
