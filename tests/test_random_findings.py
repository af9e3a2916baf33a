"""What random kitchens (`tests/random_kitchen.py`) found, each as the short history that was left of it."""

from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from tests.kitchen import MINUTE, PROCEDURE, Kitchen

ONE_CHECK = replace(PROCEDURE, checks_per_batch=1, altitude_m=0.0)


def kitchen(vats: tuple[int, ...] = (1,)) -> Kitchen:
    """With a shift, and a procedure that wants one check."""
    made = Kitchen(vats, ONE_CHECK)
    made.say(m.SHIFT_START, cook=4)
    return made


def cooked(made: Kitchen, vat: int | None = None, count: int | None = 6) -> None:
    """A batch of thighs up to its open lid."""
    made.say(m.BATCH_START, vat=vat)
    made.say(m.LOAD, part="thigh", count=count, vat=vat)
    made.say(m.LID_LOCKED, vat=vat)
    made.wait(12 * MINUTE)
    made.say(m.LID_OPEN, vat=vat)


def is_open(made: Kitchen, kind: str) -> bool:
    return any(row["kind"] == kind and row["ended_ms"] is None for row in made.rows("alerts"))


def test_a_sale_despite_a_deviation_stays_an_alert_when_the_rest_goes() -> None:
    made = kitchen()
    cooked(made)
    made.say(m.HOLD_START)
    made.say(m.CONFIRM)
    made.say(m.SOLD, count=2)
    made.say(m.CONFIRM)
    made.say(m.DISCARD)
    made.say(m.CONFIRM)
    assert is_open(made, alerts.SOLD_DESPITE)


def test_a_pass_that_is_taken_back_leaves_the_needle_failed() -> None:
    made = kitchen()
    cooked(made)
    made.check("thigh", 185)
    made.say(m.ICE_POINT)
    made.dip(40)
    made.say(m.ICE_POINT)
    made.dip(32)
    assert not is_open(made, alerts.PROBE_CHECK_FAILED)
    assert "disputed" in made.say(m.SCRATCH)
    assert is_open(made, alerts.PROBE_CHECK_FAILED)
    made.check("thigh", 185)
    assert [(row.get("probe_was"), row["counts"]) for row in made.rows("checks")] == [(None, 0), ("failed", 0)]
    made.say(m.ICE_POINT)
    made.dip(40)
    doubts = [row.get("checks_in_doubt") for row in made.rows("probe_checks")]
    first, second = [str(row["id"]) for row in made.rows("checks")]
    assert doubts == [first, None, second], "each is in doubt by the first check that failed after it"


def test_a_pass_that_is_taken_back_spoke_for_nothing() -> None:
    """What the needle gave before it is in doubt by the next one that fails; so is what a spare thermometer gave."""
    made = kitchen()
    cooked(made)
    made.check("thigh", 185)
    made.say(m.ICE_POINT)
    made.dip(32)
    made.say(m.SCRATCH)
    made.say(m.ICE_POINT)
    made.dip(40)
    made.say(m.READING, number=186)
    made.say(m.SPARE_ICE, ice=32.0)
    made.say(m.SCRATCH)
    made.say(m.SPARE_ICE, ice=40.0)
    assert [row.get("in_doubt") for row in made.rows("checks")] == [1, 1]


def test_passes_that_are_taken_back_one_after_another_leave_it_failed() -> None:
    made = kitchen()
    made.say(m.ICE_POINT)
    made.dip(40)
    for _ in range(2):
        made.say(m.ICE_POINT)
        made.dip(32)
        made.say(m.SCRATCH)
    cooked(made)
    made.check("thigh", 185)
    assert [(row["probe_was"], row["counts"]) for row in made.rows("checks")] == [("failed", 0)]


def test_a_hold_after_a_struck_one_does_not_begin_before_its_lid_was_opened() -> None:
    """The pieces went back into the oil in between."""
    made = kitchen()
    cooked(made)
    made.check("thigh", 185)
    made.say(m.HOLD_START)
    made.say(m.SCRATCH)
    made.say(m.COOK_MORE)
    made.say(m.LID_LOCKED)
    made.wait(3 * MINUTE)
    made.say(m.LID_OPEN)
    made.check("thigh", 185)
    made.say(m.HOLD_START)
    assert [row["started_ms"] for row in made.rows("holds")][1] == made.at_ms


def test_a_probe_check_that_another_replaces_got_no_reading() -> None:
    made = kitchen()
    made.say(m.ICE_POINT)
    made.say(m.ICE_POINT)
    assert [row["verdict"] for row in made.rows("probe_checks")] == ["no reading", "open"]
    made.say(m.SCRATCH)
    assert [(row["verdict"], row["struck"]) for row in made.rows("probe_checks")] == [("open", 0), ("open", 1)]


def test_a_batch_that_goes_back_does_not_share_a_vat() -> None:
    made = kitchen((1, 2))
    cooked(made, 1)
    made.check("thigh", 185)
    made.say(m.HOLD_START)
    made.say(m.BATCH_START, vat=1)
    assert made.say(m.COOK_MORE) == "Batch 1 goes back, vat 2, and counts as unchecked."
    assert [row["vat"] for row in made.rows("batches")] == [2, 1]
    assert made.say(m.LID_LOCKED, vat=2) == "Batch 1 cooking, vat 2."


def test_it_is_refused_where_every_vat_is_taken() -> None:
    made = kitchen()
    cooked(made)
    made.check("thigh", 185)
    made.say(m.HOLD_START)
    made.say(m.BATCH_START)
    assert made.say(m.COOK_MORE).startswith("Refused: batch 1 is in holding, and its vat 1 has batch 2. Words that")


def test_a_colder_spot_counts_though_a_check_waits_that_it_is_too_old_for() -> None:
    """The needle sinks in a spot that it came to before the next part was named."""
    made = kitchen()
    cooked(made)
    made.check("thigh", 185)
    made.wait(1000)
    made.spot += 1
    made.read("needle", 186, settled=True, spot=made.spot, colder=True)
    made.wait(15_000)
    made.say(m.PROBE, part="wing")
    made.wait(1000)
    made.read("needle", 160, settled=True, spot=made.spot, colder=True)
    assert [row["verdict"] for row in made.rows("checks")] == ["below critical limit", "open"]


def test_pieces_left_are_never_fewer_than_none() -> None:
    made = kitchen()
    made.say(m.BATCH_START)
    made.say(m.LID_LOCKED)
    made.say(m.DROPPED, count=3)
    said = made.say(m.LOAD, part="thigh", count=1)
    assert said == "Refused: 3 pieces of batch 1 are gone already, more than 1."
    assert made.say(m.LOAD, part="thigh", count=4) == "Batch 1, thigh 4, said late."


def test_a_strike_leaves_an_earlier_probe_check_as_it_was_read() -> None:
    """The ice point that waits again takes the reading that came meanwhile, and is the newest one by that."""
    made = kitchen()
    made.say(m.ICE_POINT)
    made.dip(40)
    made.say(m.ICE_POINT)
    made.say(m.BOILING_POINT)
    made.dip(36)
    made.say(m.SCRATCH)
    read = [(row["temperature"], row["verdict"], row["struck"]) for row in made.rows("probe_checks")]
    assert read == [(40, "failed", 0), (36, "failed", 0), (None, "open", 1)]


def test_a_reading_that_may_be_of_the_piece_before_disputes_that_one_in_the_same_batch_too() -> None:
    made = kitchen()
    cooked(made)
    made.check("thigh", 185)
    made.say(m.PROBE, part="thigh")
    made.dip(150, colder=True)
    assert [row["counts"] for row in made.rows("checks")] == [0, 0]
    assert [bool(row.get("disputed")) for row in made.rows("checks")] == [True, False]


def test_a_sale_that_becomes_one_against_safety_is_critical() -> None:
    made = kitchen()
    cooked(made)
    made.check("thigh", 185)
    made.say(m.HOLD_START)
    made.wait(90 * MINUTE)
    made.say(m.SOLD, count=1)
    made.say(m.CONFIRM)
    made.check("thigh", 100)
    made.say(m.SOLD, count=1)
    made.say(m.CONFIRM)
    assert [row["level"] for row in made.rows("alerts") if row["kind"] == alerts.SOLD_DESPITE] == ["critical"]


def test_a_misheard_failure_that_is_taken_back_ends_what_the_pass_before_it_had_ended() -> None:
    made = kitchen()
    cooked(made)
    made.check("thigh", 150)
    made.say(m.COOK_MORE)
    made.say(m.LID_LOCKED)
    made.wait(4 * MINUTE)
    made.say(m.LID_OPEN)
    made.check("thigh", 185)
    assert not is_open(made, alerts.CHECK_BELOW_CRITICAL)
    made.say(m.READING, number=170.0)
    assert is_open(made, alerts.CHECK_BELOW_CRITICAL), "the checks are not complete"
    assert "disputed" in made.say(m.SCRATCH)
    assert not is_open(made, alerts.CHECK_BELOW_CRITICAL)
    assert not is_open(made, alerts.CHECK_BELOW_TARGET)
