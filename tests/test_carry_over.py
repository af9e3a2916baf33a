"""A station that an earlier version ran goes on by this one: nothing that stands on record is told otherwise.

At many moments of the stories in tests/replays (what the first release made of them by rules 1 to 4) this version
starts on what it left. What this version would write of everything that is open then is what is written already.
"""

import json
from typing import Any

import pytest

from recorder.core import meanings as m
from recorder.core.batch import Stage
from recorder.core.effects import EARLIER_TABLES, Notice, Record
from recorder.core.events import RULES, Heard, Intent, Started, Tick
from recorder.core.records import changes
from recorder.core.station import State, current, deadline, step
from recorder.core.subjects import SUBJECTS
from recorder.core.world import World
from recorder.journal.codec import decode
from tests.older_rules import story

EVERY = 7
"""Events between two moments that are looked at."""


NEW = {"batches": {"missing"}, "checks": {"counts"}, "holds": {"counted_from_ms", "limit_kind"}}
"""Columns that earlier versions did not have and that this one gives each row."""


def moments(rules: int) -> list[tuple[State, dict[tuple[str, Any], dict[str, Any]]]]:
    """The state, and the rows as they are written, after some of the events."""
    found, state, rows = [], State(), dict[tuple[str, Any], dict[str, Any]]()
    for number, line in enumerate(story(rules), 1):
        state, effects = step(state, decode(line["kind"], json.dumps(line["event"])))
        rows |= {(each.table, each.id): dict(each.row) for each in effects if isinstance(each, Record)}
        if number % EVERY == 0:
            found.append((state, dict(rows)))
    return found


def started(state: State) -> Started:
    return Started(
        state.at_ms,
        "boot-2" if state.earlier and state.earlier.world.boot_id == "boot-2" else "boot-1",
        True,
        "new",
        "line-1",
        (1, 2),
        RULES,
    )


@pytest.mark.parametrize("rules", [1, 2, 3, 4])
def test_what_is_open_is_written_as_it_is_written_already(rules: int) -> None:
    tables = set()
    for state, rows in moments(rules):
        world = current(state).world
        for record in changes(SUBJECTS, World(), world):
            now, then = dict(record.row), rows[EARLIER_TABLES.get(record.table, record.table), record.id]
            if record.table == "oil" and now["unit"] != then["unit"]:
                continue  # shown by the procedure of now; the row itself is not written again
            tables.add(record.table)
            differ = {name: (then[name], now.get(name)) for name in then if now.get(name) != then[name]}
            assert differ == {}, (state.seq, record.table, record.id)
            assert set(now) - set(then) <= NEW.get(record.table, set()), "a column that this version alone has"
    assert tables >= {"shifts", "batches", "loads", "fryings", "checks", "holds", "oil", "probe_checks", "alerts"}


@pytest.mark.parametrize("rules", [1, 2, 3, 4])
def test_a_start_of_this_version_says_only_that_it_started(rules: int) -> None:
    """In the same boot nothing of time is in doubt; waits that only this version knows come to their end later."""
    for state, _ in moments(rules):
        before = current(state).world
        after, effects = step(state, started(state))
        told = [each for each in effects if isinstance(each, Notice)]
        new = {each.alert.kind for each in told if each.change == "raised"} - {"recorder started"}
        assert new <= {"pieces wait too long", "probe check overdue", "hold past limit", "hold near limit"}, (
            state.seq,
            new,
        )
        assert after.earlier is None and after.seq == state.seq + 1
        assert [(b.number, b.stage, b.pieces, b.passed) for b in after.world.batches] == [
            (b.number, b.stage, b.pieces, b.passed) for b in before.batches if b.stage is not Stage.CLOSED
        ]
        open_before = {alert.id: alert.text for alert in before.alerts if alert.ended_ms is None}
        open_after = {alert.id: alert.text for alert in after.world.alerts}
        assert open_before.items() <= open_after.items()
        assert after.world.procedure == before.procedure and after.world.shift == before.shift
        assert (due := deadline(after)) is None or due > after.at_ms


@pytest.mark.parametrize("rules", [1, 2, 3, 4])
def test_each_batch_that_is_left_can_be_brought_to_its_end(rules: int) -> None:
    for state, _ in moments(rules):
        state, _ = step(state, started(state))
        for batch in state.world.batches:
            for intent in (Intent(m.DISCARD, batch=batch.number), Intent(m.CONFIRM)):
                state, _ = step(state, Heard(state.at_ms + 1, intent.meaning, intent, "test", "open"))
        for _ in range(2):  # a closed batch stays for a while, since a colder spot of its last piece may be found
            state, _ = step(state, Tick(state.at_ms + 60_000))
        assert state.world.batches == ()
        assert not [alert for alert in state.world.alerts if alert.batch is not None]
