"""What goes out, in which words, and how long it is kept at."""

import json
import logging
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from recorder.clock import Stamp
from recorder.core import meanings as m
from recorder.core.events import Acknowledged, Reading, Seen, Tick
from recorder.core.station import State, step
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.notices import outbox
from recorder.notices.outbox import Messages, Outbox
from tests.appended import append, numbered
from tests.kitchen import Kitchen, kept

STAMP = Stamp(1_772_100_000_000, "boot", 7, 1_772_100_000_000, True)


class Wire:
    """A publisher that does as it is told."""

    def __init__(self) -> None:
        self.number = 1
        self.given: list[Message] = []
        self.takes = True
        self._results: list[tuple[int, bool]] = []

    def connection(self) -> int:
        return self.number

    def publish(self, message: Message) -> int | None:
        if not self.takes:
            return None
        self.given.append(message)
        return len(self.given)

    def answer(self, token: int, taken: bool = True) -> None:
        self._results.append((token, taken))

    def acknowledged(self) -> list[tuple[int, bool]]:
        results, self._results = self._results, []
        return results


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox, "IN_FLIGHT", 20)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    journal = Journal.open(tmp_path / "r.db")
    for number in range(30):
        append(journal, STAMP, Tick(number), (), numbered)
    yield journal
    journal.close()


def test_a_message_is_marked_only_when_the_broker_has_it(journal: Journal) -> None:
    wire = Wire()
    box = Outbox(journal.outbox, wire)
    box.step(0)
    assert [message.body for message in wire.given] == [str(number) for number in range(1, outbox.IN_FLIGHT + 1)]
    box.step(1)
    assert len(wire.given) == outbox.IN_FLIGHT, "no more than so many in flight"
    wire.answer(1)
    wire.answer(3)
    box.step(2)
    assert [row.id for row in journal.outbox.unsent()][:3] == [2, 4, 5] and box.sent == 2
    assert wire.given[-1].body == "22"


@pytest.mark.parametrize("seen_down", [True, False])
def test_what_was_in_flight_goes_again_on_a_new_connection(journal: Journal, seen_down: bool) -> None:
    """Whether or not a step saw that it was down between."""
    wire = Wire()
    box = Outbox(journal.outbox, wire)
    box.step(0)
    wire.answer(1)
    if seen_down:
        wire.number = 0
        box.step(1)
    wire.number = 2
    box.step(2)
    assert [message.body for message in wire.given[outbox.IN_FLIGHT :]] == [str(n) for n in range(2, 22)]
    wire.answer(3)
    box.step(3)
    assert box.sent == 1, "an answer of the old connection that came after the new one counts for nothing"


def test_an_acknowledgement_counts_once(journal: Journal) -> None:
    wire = Wire()
    box = Outbox(journal.outbox, wire)
    box.step(0)
    for _ in range(3):
        wire.answer(1)
    assert box.step(1) and box.sent == 1
    wire.answer(1)
    wire.answer(999)
    box.step(2)
    assert box.sent == 1 and journal.outbox.unsent(0, 1)[0].id == 2


def test_a_refused_message_is_kept_and_tried_again_later(journal: Journal, caplog: pytest.LogCaptureFixture) -> None:
    wire = Wire()
    box = Outbox(journal.outbox, wire)
    box.step(0)
    wire.answer(1, taken=False)
    with caplog.at_level(logging.WARNING):
        box.step(100)
        box.step(100 + outbox.FIRST_WAIT_MS - 1)
    assert "refuses message 1" in caplog.text
    assert [message.body for message in wire.given[outbox.IN_FLIGHT :]] == ["21"], "the next one has its place"
    wire.answer(2)
    box.step(100 + outbox.FIRST_WAIT_MS)
    assert wire.given[-1].body == "1" and not box.empty()


class Guard(Wire):
    """Answers at once, and refuses some."""

    def __init__(self, refuses: Callable[[int], bool]) -> None:
        super().__init__()
        self.refuses = refuses

    def publish(self, message: Message) -> int | None:
        token = super().publish(message)
        if token:
            self.answer(token, not self.refuses(int(message.body)))
        return token

    def times(self, number: int) -> int:
        return [message.body for message in self.given].count(str(number))


def test_refused_messages_hold_up_no_others(journal: Journal, caplog: pytest.LogCaptureFixture) -> None:
    """Field bug of 2026-11-25: as many refused messages as may be in flight kept every later alert back for ever."""
    wire = Guard(lambda number: number <= outbox.IN_FLIGHT + 5)
    box = Outbox(journal.outbox, wire)
    for now_ms in range(0, 600_000, 250):
        box.step(now_ms)
    assert [row.id for row in journal.outbox.unsent(most=99)] == list(range(1, outbox.IN_FLIGHT + 6)) and box.sent == 5
    assert all(4 < wire.times(number) < 20 for number in range(1, outbox.IN_FLIGHT + 6)), "each, ever more seldom"
    assert caplog.text.count("refuses") == 1, "said once"
    wire.refuses = lambda number: False
    for now_ms in range(600_000, 600_000 + outbox.LONGEST_WAIT_MS + 1000, 250):
        box.step(now_ms)
    assert box.empty() and box.sent == 30


def test_what_goes_through_does_not_hurry_what_is_refused(tmp_path: Path) -> None:
    """A broker that takes alerts and refuses one other message is not asked for it at every turn."""
    journal = Journal.open(tmp_path / "r.db")
    wire = Guard(lambda number: number == 1)
    box = Outbox(journal.outbox, wire)
    for now_ms in range(0, 600_000, 4000):
        append(journal, STAMP, Tick(now_ms), (), numbered)
        box.step(now_ms)
    assert 10 < wire.times(1) < 20
    journal.close()


def test_events_are_not_retained(tmp_path: Path) -> None:
    """An event that the broker kept would come again to each phone that subscribes: MQTT 5, 3.3.1.3, retained."""
    for publish in outbox.PUBLISH:
        (tmp_path / publish).mkdir()
        sent = messages(tmp_path / publish, publish)
        assert sent and not any(message.retain for message in sent)
    retained = Message("t", "{}", True)
    with Journal.open(tmp_path / "r.db") as journal:
        append(journal, STAMP, Tick(1), (), lambda entry, event, effects: [retained, Message("t", "{}")])
        assert [row.message for row in journal.outbox.unsent()] == [retained, Message("t", "{}", False)]


def test_of_what_is_published_each_level_holds_the_one_before(tmp_path: Path) -> None:
    ids = {}
    for publish in outbox.PUBLISH:
        (tmp_path / publish).mkdir()
        ids[publish] = [json.loads(message.body)["id"] for message in messages(tmp_path / publish, publish)]
        assert len(set(ids[publish])) == len(ids[publish])
    assert set(ids["alerts"]) < set(ids["records"]) < set(ids["all"])
    assert set(ids["all"]) - set(ids["records"]) == {f"{seq}-entry" for seq in range(1, len(ids["all"]) + 1)} & set(
        ids["all"]
    )


def test_with_nothing_to_do_a_step_says_so(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "r.db") as empty:
        assert Outbox(empty.outbox, Wire()).step(0) is False and Outbox(empty.outbox, Wire()).empty()


def test_a_refused_message_waits_for_a_place_in_flight(journal: Journal) -> None:
    wire = Wire()
    box = Outbox(journal.outbox, wire)
    box.step(0)
    wire.answer(1, taken=False)
    box.step(1)
    assert [message.body for message in wire.given[outbox.IN_FLIGHT :]] == ["21"]
    box.step(10_000)
    assert len(wire.given) == outbox.IN_FLIGHT + 1, "as many are in flight as may be"
    wire.answer(2)
    box.step(10_001)
    assert wire.given[-1].body == "1"


def test_more_refusals_while_one_waits_put_nothing_off(journal: Journal, caplog: pytest.LogCaptureFixture) -> None:
    wire = Wire()
    box = Outbox(journal.outbox, wire)
    box.step(0)
    for token in (3, 4):
        wire.answer(token, taken=False)
    with caplog.at_level(logging.WARNING):
        box.step(0)
    assert "refuses message 3;" in caplog.text
    wire.answer(5, taken=False)
    box.step(500)
    for token in (6, 7, 8):
        wire.answer(token)
    box.step(outbox.FIRST_WAIT_MS - 1)
    assert "3" not in [message.body for message in wire.given[outbox.IN_FLIGHT :]]
    wire.answer(9)
    box.step(outbox.FIRST_WAIT_MS)
    assert wire.given[-1].body == "3"


def test_what_nobody_has_done_about_an_alert_is_left_out(tmp_path: Path) -> None:
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 150)
    (alert,) = [each for each in kitchen.state.world.alerts if each.kind == "check below critical limit"]
    kitchen.feed(Seen(kitchen.at_ms, alert.id, "phone 1"))
    kitchen.feed(Acknowledged(kitchen.at_ms, alert.id, "JD"))
    journal = kept(kitchen, tmp_path / "r.db")
    raised, in_hand = [
        event["data"]
        for event in (json.loads(row.message.body) for row in journal.outbox.unsent(0, 99))
        if event["data"]["id"] == alert.id
    ]
    journal.close()
    done = {"acknowledged_ms", "acknowledged_by", "seen_ms", "seen_by"}
    assert not done & raised.keys() and raised["ended_ms"] is None
    assert {name: in_hand[name] for name in done} == {
        "acknowledged_ms": kitchen.at_ms,
        "acknowledged_by": "JD",
        "seen_ms": kitchen.at_ms,
        "seen_by": "phone 1",
    }


def test_a_wire_that_takes_nothing_is_asked_again(journal: Journal) -> None:
    wire = Wire()
    wire.takes = False
    box = Outbox(journal.outbox, wire)
    box.step(0)
    wire.takes = True
    box.step(1)
    assert wire.given[0].body == "1"


def test_an_alert_is_a_cloud_event(tmp_path: Path) -> None:
    """CloudEvents 1.0, JSON format: the required attributes are specversion, id, source and type; from memory."""
    sent = messages(tmp_path, "alerts")
    events = [json.loads(message.body) for message in sent]
    assert {message.topic for message in sent} == {"kitchen/line-1/alerts"}
    for event in events:
        assert event.keys() >= {"specversion", "id", "source", "type", "time", "datacontenttype", "data"}
        assert event["specversion"] == "1.0"
    assert len({(event["source"], event["id"]) for event in events}) == len(events)
    assert [(event["type"], event["data"]["kind"]) for event in events] == [
        ("alert.raised", "recorder started"),
        ("alert.raised", "check below critical limit"),
        ("alert.ended", "check below critical limit"),
    ]
    failed = events[1]["data"]
    assert failed["level"] == "critical" and failed["batch"] == 1 and failed["station"] == "line-1"
    assert "read 150.0 °F, needs 165 °F" in failed["text"]
    assert failed["ended_ms"] is None and failed["began_ms"] > 0
    assert events[1]["data"]["id"] == events[2]["data"]["id"]
    assert events[0]["time"].startswith("1970-01-01T00:00:00.000")


def test_every_entry_goes_out_with_its_hash_where_that_is_asked_for(tmp_path: Path) -> None:
    everything = [json.loads(message.body) for message in messages(tmp_path, "all")]
    entries = [event["data"] for event in everything if event["type"] == "entry"]
    assert [entry["entry"] for entry in entries] == list(range(1, len(entries) + 1))
    assert all(entry["previous"] == before["entry_hash"] for before, entry in pairwise(entries))
    assert {event["type"] for event in everything} == {"alert.raised", "alert.ended", "record", "entry"}
    records = [event["data"] for event in everything if event["type"] == "record"]
    assert all({"table", "id"} <= record.keys() for record in records)


def test_records_go_out_without_the_entries(tmp_path: Path) -> None:
    assert {json.loads(message.body)["type"] for message in messages(tmp_path, "records")} == {
        "alert.raised",
        "alert.ended",
        "record",
    }


def test_a_new_run_goes_on_under_the_same_source(tmp_path: Path) -> None:
    first = Messages("kitchen", "line-1", "all")
    journal = Journal.open(tmp_path / "r.db")
    entry = append(journal, STAMP, Reading(1, "needle", 70.0), (), first)
    again = Messages("kitchen", "line-1", "all")
    again.begin(journal.first())
    journal.close()
    (one,), (other,) = (each(entry, Reading(1, "needle", 70.0), ()) for each in (first, again))
    assert one == other


def messages(folder: Path, publish: str) -> list[Message]:
    """The messages of a short story, as they wait on disk."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.say(m.DISCARD)
    kitchen.say(m.CONFIRM)
    journal, made, state = Journal.open(folder / "records.db"), Messages("kitchen", "line-1", publish), State()
    for event in kitchen.events:
        state, effects = step(state, event)
        append(journal, Stamp(event.at_ms, "boot", event.at_ms, event.at_ms, True), event, effects, made)
    waiting = [row.message for row in journal.outbox.unsent(0, 1000)]
    journal.close()
    return waiting
