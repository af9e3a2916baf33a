"""A demo shift, killed with SIGKILL at named points and at random moments; `python -m tests.bench.kills` kills more."""

import random
from collections import Counter
from pathlib import Path

import pytest

from tests.conftest import Performance
from tests.kills import RANDOM, brokered
from tests.shift_under_fire import COMMITTING, POINTS

KILLS = 60
SEED = 20260226


# amqtt leaves the sockets of killed clients to the garbage collector, which may come by while the broker still runs.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_what_was_cued_is_on_disk_and_no_alert_is_lost(performance: Performance, tmp_path: Path) -> None:
    with brokered(performance.database) as story:
        shifts = list(story.shifts(tmp_path, KILLS, random.Random(SEED)))
    kills = Counter(kill.point for shift in shifts for kill in shift.kills)
    assert set(kills) == {*POINTS, RANDOM}
    assert max(kill.cued for shift in shifts for kill in shift.kills) > 10
    for shift in shifts:
        assert shift.starts == sum(kill.started for kill in shift.kills) + 1, "of each life, also of the one to the end"
        assert shift.announced == shift.starts, "every start is an alert"
    early = Counter(kill.point for shift in shifts for kill in shift.kills if not kill.started)
    assert early.keys() <= {*COMMITTING.values(), RANDOM}, (
        "only one that died in or before its first commit left no start"
    )
    print(f"{kills.total()} kills in {len(shifts)} shifts, {sum(shift.messages for shift in shifts)} messages")
    print(f"{early.total()} died before their start was committed: {dict(early)}")
