"""A journal keeps the rules that it was begun by: what the first release made of one long story, event by event.

The files in tests/replays were written by that release, before there were rules 5: for each event of the story the
rows and notices that it asked for, in full for rules 4, and as the beginning of their SHA-256 (over RFC 8785 JSON) for
rules 1 to 3. The story has every kind of alert that a journal can hold, and rows of every table.
"""

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from recorder.clock import ManualClock
from recorder.core.effects import EARLIER_TABLES, Effect, Notice, Record
from recorder.core.rules_1_to_4 import alerts
from recorder.core.station import State, step
from recorder.journal.codec import canonical, decode, plain
from recorder.journal.columns import TABLES
from recorder.journal.journal import Journal
from recorder.notices.outbox import Messages
from recorder.verification.examine import examine
from tests.appended import append
from tests.older_rules import story

RULES = (1, 2, 3, 4)


def kept(effects: tuple[Effect, ...]) -> list[dict[str, Any]]:
    """What stays on record of them; a cue does not."""
    return [{type(each).__name__.lower(): plain(each)} for each in effects if isinstance(each, (Record, Notice))]


@pytest.mark.parametrize("rules", RULES)
def test_a_story_by_older_rules_is_replayed_row_by_row_and_notice_by_notice(rules: int) -> None:
    state = State()
    for number, line in enumerate(story(rules), 1):
        event = decode(line["kind"], json.dumps(line["event"]))
        state, effects = step(state, event)
        found = json.loads(canonical(kept(effects)))
        if isinstance(line["effects"], str):
            found = hashlib.sha256(canonical(found)).hexdigest()[:16]
        assert found == line["effects"], f"line {number}: {line['kind']}"


@pytest.mark.parametrize("rules", RULES)
def test_a_journal_by_older_rules_is_clean_before_and_after_it_is_opened_again(rules: int, tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    messages, state, clock = Messages("kitchen", "line-1", "all"), State(), ManualClock(0)
    journal = Journal.open(path)
    for line in story(rules):
        event = decode(line["kind"], json.dumps(line["event"]))
        clock.at_ms = clock.wall_ms = max(clock.at_ms, event.at_ms)
        state, effects = step(state, event)
        append(journal, clock.stamp(), event, effects, messages)
    assert journal.rules() == rules
    journal.close()
    assert examine(path).faults == ()
    Journal.open(path).close()
    assert examine(path).faults == ()


def test_the_story_has_all_that_there_was() -> None:
    effects = [effect for line in story(4) for effect in line["effects"]]
    told = {effect["notice"]["alert"]["kind"] for effect in effects if "notice" in effect}
    tables = {effect["record"]["table"] for effect in effects if "record" in effect}
    kinds = {value for name, value in vars(alerts).items() if name.isupper() and isinstance(value, str)}
    assert told == kinds - {alerts.NOT_RECORDING} and len(told) == 22
    assert tables <= {EARLIER_TABLES.get(table, table) for table in TABLES} and len(tables) == 13
    changes = {effect["notice"]["change"] for effect in effects if "notice" in effect}
    assert changes == {"raised", "repeated", "acknowledged", "ended"}
