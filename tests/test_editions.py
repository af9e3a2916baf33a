"""Editions: versions that judged otherwise under one rules number, each at the step where its way begins.

What each was is told in `recorder/core/editions.py`; records that they left are in fixtures/records (test_released).
"""

from dataclasses import replace

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.editions import (
    COLDEST_SPOT,
    FREE_NUMBER,
    NEWEST,
    ONE_FOR_A_BOARD,
    OWN_TIME,
    READ_AGAIN,
    RULES_OF,
    UNANSWERED,
)
from recorder.core.events import Intent, ProbeLost
from tests.kitchen import PROCEDURE, Kitchen


@pytest.fixture(params=RULES_OF)
def edition(request: pytest.FixtureRequest) -> int:
    return int(request.param)


@pytest.fixture
def kitchen(edition: int) -> Kitchen:
    """A shift as that edition judges it."""
    kitchen = Kitchen((1, 2), replace(PROCEDURE, polar_limit=24.0), rules=RULES_OF[edition])
    earlier = kitchen.state.earlier
    assert earlier and earlier.world.edition == NEWEST, "which is how a journal is gone on with"
    kitchen.state = replace(kitchen.state, earlier=replace(earlier, world=replace(earlier.world, edition=edition)))
    kitchen.say(m.SHIFT_START, cook=4)
    return kitchen


def test_the_rules_of_each_edition_only_grow() -> None:
    assert [RULES_OF[edition] for edition in sorted(RULES_OF)] == [1, 1, 1, 2, 3, 3, 3, 3, 4]
    assert sorted(RULES_OF) == list(range(1, NEWEST + 1))
    assert RULES_OF[OWN_TIME] == RULES_OF[READ_AGAIN] == RULES_OF[ONE_FOR_A_BOARD] == 3 and RULES_OF[COLDEST_SPOT] == 2


def test_batches_are_numbered_from_one_in_each_shift_since_the_third(kitchen: Kitchen, edition: int) -> None:
    for vat in (1, 2):
        kitchen.say(m.BATCH_START, vat=vat)
    kitchen.say(m.DISCARD, batch=1)
    kitchen.say(m.CONFIRM)
    kitchen.say(m.SHIFT_END)
    kitchen.say(m.SHIFT_START, cook=5)
    assert kitchen.say(m.BATCH_START, vat=1) == ("Batch 1, vat 1." if edition >= 3 else "Batch 3, vat 1.")
    assert FREE_NUMBER == 3


def test_a_question_with_nothing_to_tell_gives_way_since_the_second(kitchen: Kitchen, edition: int) -> None:
    said = kitchen.hear(Intent(m.TIME_LEFT), Intent(m.OIL_LEVEL_OK, vat=1))
    assert said == ("Oil level ok, vat 1." if edition >= 2 else "Nothing is cooking or holding.")
    assert UNANSWERED == 2


def test_the_coldest_of_fresh_spots_counts_since_the_fourth(kitchen: Kitchen, edition: int) -> None:
    kitchen.cook(vat=1)
    kitchen.dip(170)
    kitchen.dip(190)
    kitchen.say(m.PROBE, part="thigh", vat=1)
    kitchen.read("needle", 191, settled=True, spot=kitchen.spot)
    assert [row["temperature"] for row in kitchen.rows("checks")] == [170 if edition >= 4 else 191]


def test_an_unplugged_board_is_one_alert_since_the_sixth(kitchen: Kitchen, edition: int) -> None:
    for channel in ("vat1", "vat2"):
        kitchen.feed(ProbeLost(kitchen.at_ms, channel, "unplugged"))
    lost = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.PROBE_LOST]
    assert len(lost) == (1 if edition >= 6 else 2)


def test_polar_compounds_that_are_met_end_by_reading_since_the_eighth(kitchen: Kitchen, edition: int) -> None:
    for percent in (25.0, 12.0):
        kitchen.say(m.OIL_POLAR, percent=percent, vat=1)
    (row,) = [row for row in kitchen.rows("alerts") if row["kind"] == alerts.OIL_POLAR]
    assert row["ended_by"] == ("read again" if edition >= 8 else "at or below it again")
