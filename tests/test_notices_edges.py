"""Notices at their edges: what is said again and how often, to the millisecond."""

import hashlib
import json
import re
import shutil
import threading
import time
from base64 import b64decode
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from recorder.clock import Stamp
from recorder.core import meanings as m
from recorder.core.alerts import HEARS_BADLY, NOT_HEARING
from recorder.core.editions import NEWEST, OWN_TIME
from recorder.core.effects import Alert, Level, Notice, Record
from recorder.core.events import RULES, Acknowledged, Event, Heard, Intent, Reading, Signed, Started, Tick
from recorder.core.world import World
from recorder.journal.chain import Entry
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.notices import alive, answers, client, log_limit, mqtt, passwords, states
from recorder.notices.alive import Alive
from recorder.notices.anchoring import Anchoring
from recorder.notices.answers import ACKNOWLEDGE, SEEN, SIGN, Reception, parse
from recorder.notices.log_limit import LogLimit
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.outbox import Messages, Outbox
from recorder.notices.page_access import PageAccess, acl
from recorder.notices.settings import MqttSettings
from recorder.notices.state_publisher import StatePublisher
from recorder.notices.uplink import Uplink
from tests.appended import append, numbered
from tests.faulty import ScriptedBroker, mute
from tests.kitchen import Kitchen
from tests.waiting import PATIENCE_S, until


def test_a_complaint_comes_again_after_an_hour_with_how_many_were_kept_back(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    now = SimpleNamespace(s=5.0)
    monkeypatch.setattr(log_limit, "time", SimpleNamespace(monotonic=lambda: now.s))
    said = LogLimit()
    for at_s, kind in [
        (5.0, "a"),
        (6.0, "a"),
        (3604.9, "a"),
        (3604.9, "b"),
        (3605.0, "a"),
        (3606.0, "a"),
        (7205.0, "a"),
        (10_805.0, "a"),
    ]:
        now.s = at_s
        said.warn(kind, f"{kind} at {at_s:g}")
    assert [each.getMessage() for each in caplog.records] == [
        "a at 5",
        "b at 3604.9",
        "a at 3605 (and 2 more like it before)",
        "a at 7205 (and 1 more like it before)",
        "a at 10805",
    ]
    assert {each.levelname for each in caplog.records} == {"WARNING"}


def test_a_sign_of_life_goes_out_each_ten_seconds_and_on_each_new_connection() -> None:
    sent: list[tuple[str, dict[str, Any]]] = []
    newest = {"open": 3}
    signs = Alive(lambda name, value: sent.append((name, value)), newest)
    beats = [(0, 5), (1, 7), (1, 8), (1, 10_006), (1, 10_007), (1, 10_008), (2, 10_009), (0, 30_000), (2, 30_001)]
    for connection, at_ms in beats:
        signs.beat(connection, at_ms)
    assert [value["at_ms"] for _, value in sent] == [7, 10_007, 10_009, 30_001]
    assert {name for name, _ in sent} == {"alive"} and sent[0][1] == {"at_ms": 7, "newest": {"open": 3}}
    newest["open"] = 9
    assert sent[0][1]["newest"] == {"open": 3}, "as it was then"
    assert alive.EVERY_MS == 10_000


def taken(what: str, **said: object) -> bool:
    try:
        event = parse(what, json.dumps(said, ensure_ascii=False).encode(), 7)
    except ValueError as error:
        assert str(error).startswith("its ")
        return False
    assert event.at_ms == 7
    return True


def test_an_answer_at_the_ends_of_what_is_taken() -> None:
    for digits, letters, good in [(15, 60, True), (16, 60, False), (15, 61, False), (1, 1, True), (1, 0, False)]:
        assert taken(SEEN, alert="1" * digits + "-" + "x" * letters, by="JD") is good
    assert not taken(SEEN, alert="-x", by="JD") and not taken(SEEN, alert="1-X", by="JD")
    for count in (8, 9):
        for what in (ACKNOWLEDGE, SIGN):
            rest = {"alert": "1-x"} if what == ACKNOWLEDGE else {"day": "2026-02-26", "note": ""}
            assert taken(what, by="A" * count, **rest) is (count == 8)
    for name, good in [("a" * 32, True), ("a" * 33, False), ("a-_9 b", True), ("a  b", False), (7, False)]:
        assert taken(SEEN, alert="1-x", by=name) is good, name
    for day, good in [
        ("1970-01-01", True),
        ("1969-12-31", False),
        ("2199-12-31", True),
        ("2200-01-01", False),
        ("2026-02-29", False),
        ("2024-02-29", True),
        (20260226, False),
    ]:
        assert taken(SIGN, day=day, by="JD", note="") is good, day
    assert answers.LONGEST == 1_024
    padded = b'{"alert": "1-x", "by": "JD"}'
    assert parse(ACKNOWLEDGE, padded + b" " * (1_024 - len(padded)), 0) == Acknowledged(0, "1-x", "JD")


@pytest.mark.parametrize(
    ("note", "good"),
    [
        ("", True),
        ("x" * 400, True),
        ("x" * 401, False),
        ("two words", True),
        ("7", True),
        ("a\u0301\u0301\u0301", True),
        ("a\u0301\u0301\u0301\u0301", False),
        ("a\u0301\u0301b\u0301\u0301", True),
        ("\u0301\u0301\u0301 \u0301", False),
        (".", False),
        (" ", False),
        (None, False),
        *(
            (f"a{letter}b", False)
            for letter in "\u034f\u115f\u1160\u17b4\u17b5\u180b\u180e\u180f\u2800\u3164\ufe00\ufe0f"
        ),
        *(
            (f"a{letter}b", False)
            for letter in "\uffa0\U000e0100\U000e01ef\x00\x9f\u200b\ue000\u0378\u2028\u2029\u00a0\u3000"
        ),
        *((f"a{letter}b", True) for letter in "\u034e\u1161\u2801\u3163\ufe10\uffa1\u20ac😀"),
    ],
)
def test_a_note_is_one_line_that_is_seen_as_it_is(note: str | None, good: bool) -> None:
    """Categories and ignorable code points by the Unicode Character Database."""
    assert taken(SIGN, day="2026-02-26", by="JD", note=note) is good


OPEN = Alert("41-cook-overdue", "cook overdue", Level.WARNING, "take it out", 1, (), 5)


def desk(*alerts: Alert, why: str | None = None) -> Reception:
    return Reception(lambda: World(alerts=alerts), lambda event: why)


def test_an_answer_counts_where_one_of_many_alerts_waits_for_it() -> None:
    other = replace(OPEN, id="42-cook-overdue")
    for what in (ACKNOWLEDGE, SEEN):
        said = b'{"alert": "41-cook-overdue", "by": "JD"}'
        assert desk(other, OPEN).event(what, said, 7) and desk(OPEN, other).event(what, said, 7)
        over = replace(OPEN, ended_ms=6)
        assert desk(over, other).event(what, said, 7) is None
        done = replace(OPEN, acknowledged_ms=6) if what == ACKNOWLEDGE else replace(OPEN, seen_ms=6)
        assert desk(done, other).event(what, said, 7) is None
        other_way = replace(OPEN, acknowledged_ms=6) if what == SEEN else replace(OPEN, seen_ms=6)
        assert desk(other_way).event(what, said, 7)


def test_each_refusal_is_told_with_its_reason(caplog: pytest.LogCaptureFixture) -> None:
    said = b'{"day": "2026-02-26", "by": "JD", "note": ""}'
    assert desk(why="that day is open").event(SIGN, said, 0) is None
    assert desk().event(SIGN, said, 3) == Signed(3, "2026-02-26", "JD")
    busy = desk(OPEN)
    seen = b'{"alert": "41-cook-overdue", "by": "JD"}'
    assert [bool(busy.event(SEEN, seen, ms)) for ms in [*range(31), 59_999, 60_000, 60_000]] == [
        *[True] * 30,
        False,
        False,
        True,
        False,
    ]
    assert busy.event(ACKNOWLEDGE, b'{"alert": "9-x", "by": "JD"}', 0) is None
    assert busy.event("alerts", b"{}", 0) is None
    assert [each.getMessage() for each in caplog.records] == [
        "a message on sign is refused: that day is open",
        "a message on seen is refused: too many of them",
        "a message on acknowledge is refused: no alert waits for it",
        "a message on alerts is refused: nothing is expected on 'alerts'",
    ]
    assert answers.MOST == {"acknowledge": (30, 60_000), "seen": (30, 60_000), "sign": (10, 3_600_000)}


def test_a_gate_without_figures_lets_thirty_through_in_a_minute() -> None:
    gate = answers.Gate()
    assert [gate.open(0) for _ in range(31)] == [True] * 30 + [False]
    assert not gate.open(59_999) and gate.open(60_000)


# ---- the outbox ----


class Wire:
    """A publisher that takes all and answers when it is told."""

    def __init__(self, number: int = 1) -> None:
        self.number, self.given, self.answers = number, list[str](), list[tuple[int, bool]]()
        self.takes = True

    def connection(self) -> int:
        return self.number

    def publish(self, message: Message) -> int | None:
        self.given.append(message.body)
        return len(self.given)

    def acknowledged(self) -> list[tuple[int, bool]]:
        said, self.answers = self.answers, []
        return said


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "r.db") as journal:
        for number in range(230):
            append(journal, Stamp(0, "b", 0, 0, True), Tick(number), (), numbered)
        yield journal


def test_two_hundred_are_under_way_and_each_step_says_whether_more_is(journal: Journal) -> None:
    wire = Wire(0)
    box = Outbox(journal.outbox, wire)
    assert box.step(0) is False and wire.given == [] and not box.empty()
    wire.number = 1
    assert box.step(0) is True and len(wire.given) == 200
    assert box.step(1) is False and len(wire.given) == 200
    wire.answers = [(1, True), (2, True), (999, True)]
    assert box.step(2) is True and wire.given[200:] == ["201", "202"] and box.sent == 2
    wire.answers = [(token, True) for token in range(3, 203)]
    assert box.step(3) is True and len(wire.given) == 230
    wire.answers = [(token, True) for token in range(203, 231)]
    assert not box.empty() and box.step(4) is True and box.empty() and box.sent == 230
    assert box.step(5) is False


def test_a_refused_message_is_tried_again_after_one_two_four_seconds_and_then_each_minute(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    wire, now_ms, tried = Wire(), 0, list[int]()
    box = Outbox(journal.outbox, wire)
    box.step(0)
    wire.answers = [(token, token != 5) for token in range(1, 201)]
    box.step(1_000)
    wire.answers = [(token, True) for token in range(201, 231)]
    for now_ms in range(1_000, 400_000, 250):
        count = len(wire.given)
        box.step(now_ms)
        for place, body in enumerate(wire.given[count:], count + 1):
            if body == "5":
                tried.append(now_ms)
                wire.answers.append((place, False))
    waits = [later - earlier for earlier, later in pairwise([1_000, *tried])]
    assert waits[:7] == [1_000, 2_250, 4_250, 8_250, 16_250, 32_250, 60_250], "a refusal takes 250 ms here"
    assert [each.getMessage() for each in caplog.records] == [
        "the broker refuses message 5; it is kept and tried again"
    ]
    assert not box.empty() and [row.id for row in journal.outbox.unsent()] == [5]


def test_a_refused_message_that_went_through_at_last_makes_the_next_wait_short_again(journal: Journal) -> None:
    wire = Wire()
    box = Outbox(journal.outbox, wire)

    def again(now_ms: int, wanted: str) -> bool:
        """Whether this step gives the message again."""
        count = len(wire.given)
        box.step(now_ms)
        return wanted in wire.given[count:]

    box.step(0)
    wire.answers = [(token, token not in (5, 9)) for token in range(1, 201)]
    assert again(0, "201") and not again(999, "5") and again(1_000, "5")
    wire.answers = [(wire.given.index("9", 200) + 1, True)]
    assert not again(1_001, "5")
    wire.answers = [(wire.given.index("5", 200) + 1, False)]
    assert not again(1_002, "5") and not again(2_001, "5") and again(2_002, "5"), "a second, as at the first time"


def test_a_refusal_is_waited_for_to_the_millisecond_and_never_longer_than_a_minute(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "r.db") as journal:
        append(journal, Stamp(0, "b", 0, 0, True), Tick(0), (), numbered)
        wire, now_ms = Wire(), 0
        box = Outbox(journal.outbox, wire)
        box.step(now_ms)
        for number, wait_ms in enumerate((1_000, 2_000, 4_000, 8_000, 16_000, 32_000, 60_000, 60_000), 1):
            wire.answers = [(number, False)]
            box.step(now_ms)
            box.step(now_ms + wait_ms - 1)
            assert len(wire.given) == number
            now_ms += wait_ms
            box.step(now_ms)
            assert len(wire.given) == number + 1


@pytest.mark.parametrize(
    ("edition", "rules", "own"),
    [
        (NEWEST, 1, False),
        (NEWEST, 2, False),
        (NEWEST, 3, True),
        (NEWEST, 4, True),
        (NEWEST, RULES, True),
        (OWN_TIME, 3, True),
        (OWN_TIME - 1, 3, False),
    ],
)
@pytest.mark.parametrize("by_start", [True, False])
def test_a_rows_own_time_goes_out_since_rules_3_in_the_editions_that_kept_it(
    edition: int, rules: int, own: bool, by_start: bool
) -> None:
    """Known by the recorder that starts, or by the one before, whose journal is gone on with."""
    messages = Messages("kitchen", "line-1", "records", edition)
    start = Started(0, "b", True, "t", "line-1", (1,), rules)
    messages.begin(None, 1 if by_start else rules)
    event = start if by_start else Tick(9)
    assert row_time(messages, event) == (7 if own else 9)


def test_messages_that_follow_no_start_have_the_entrys_time_and_name_the_first_entry_that_comes() -> None:
    """Rules 1 knew no rules number: a journal that does not say has the first ones."""
    messages = Messages("kitchen", "line-1", "records")
    assert row_time(messages, Tick(9)) == 9
    messages.begin(None)
    assert row_time(messages, Tick(9)) == 9


def row_time(messages: Messages, event: Event) -> int:
    """The time in the message of a row that has 7 for its own, of an entry at 9; its source is looked at too."""
    entry = Entry(4, Stamp(9, "b", 9, 9, True), "tick", "{}", "cd" * 32, "ab" * 32)
    (message,) = messages(entry, event, (Record("oil", 4, (("at_ms", 7), ("struck", 0))),))
    body = json.loads(message.body)
    assert body["source"] == "/stations/line-1/journals/abababababab"
    return int(body["data"]["at_ms"])


def test_an_alert_must_go_out_and_a_row_may() -> None:
    """By which `verify` knows what is missing: rows go out where they are published."""
    entry = Entry(4, Stamp(9, "b", 9, 9, True), "tick", "{}", "cd" * 32, "ab" * 32)
    effects = (Notice(OPEN, "raised"), Record("oil", 4, (("at_ms", 7), ("struck", 0))))
    possible = Messages("kitchen", "line-1", "records").possible(entry, Tick(9), effects)
    assert [(each.id, each.must) for each in possible] == [("4-0", True), ("4-1", False)]


def test_what_a_wire_does_not_take_is_not_under_way(tmp_path: Path) -> None:
    class Deaf(Wire):
        def publish(self, message: Message) -> int | None:
            return super().publish(message) if self.takes else None

    with Journal.open(tmp_path / "r.db") as journal:
        append(journal, Stamp(0, "b", 0, 0, True), Tick(0), (), numbered)
        wire = Deaf()
        wire.takes = False
        box = Outbox(journal.outbox, wire)
        assert box.step(0) is False and not box.empty()
        wire.takes = True
        assert box.step(1) is True
        wire.answers = [(1, True)]
        assert box.step(2) is True and box.empty()


def test_an_anchor_goes_out_each_minute_at_most(tmp_path: Path) -> None:
    given: list[int] = []
    with Journal.open(tmp_path / "r.db") as journal:
        anchoring = Anchoring(lambda name, value: given.append(value["entry"]), journal, "line-1")
        for entry, at_ms in enumerate((5, 60_004, 60_005, 120_004, 120_005), 1):
            append(journal, Stamp(at_ms, "b", at_ms, at_ms, True), Tick(at_ms))
            anchoring.beat(at_ms)
            assert given[-1] == {1: 1, 2: 1, 3: 3, 4: 3, 5: 5}[entry]


def test_a_check_that_was_taken_back_is_no_more_among_the_last(tmp_path: Path) -> None:
    given: dict[str, dict[str, Any]] = {}
    with Journal.open(tmp_path / "r.db") as records:
        made = StatePublisher(lambda name, value: given.update({name: value}), records, tmp_path / "r.db", ())
        made._checks[3] = {"batch": 1}
        made.update(Heard(1, "status", Intent(m.STATUS), "test", "open"), World(), 1)
        assert given["checks"]["checks"] == [{"batch": 1}]
        made.update(Heard(2, "scratch that", Intent(m.SCRATCH), "test", "open"), World(), 2)
        assert given["checks"]["checks"] == []


# ---- the way to the broker ----


@pytest.fixture
def broker() -> Iterator[ScriptedBroker]:
    broker = ScriptedBroker([])
    yield broker
    broker.stop()


@pytest.fixture
def uplink(broker: ScriptedBroker, journal: Journal, tmp_path: Path) -> Iterator[Uplink]:
    """Connected, with 230 messages that wait."""
    settings = MqttSettings("line-1", port=broker.port)
    made = Uplink(settings, journal, tmp_path / "r.db", ("needle",), None, lambda *_: None, lambda *_: None)
    made.start()
    until(made.publisher.connected, "it is connected")
    yield made
    made.publisher.close()


def bodies(broker: ScriptedBroker) -> list[dict[str, Any]]:
    return [value for value in map(json.loads, list(broker.given)) if isinstance(value, dict)]


def test_each_beat_sends_what_waits_and_what_is_due(uplink: Uplink, broker: ScriptedBroker) -> None:
    """Messages, health, an anchor of the newest entry, a sign of life."""

    def beaten(wanted: Callable[[dict[str, Any]], bool]) -> bool:
        uplink.beat(World(), 100_000)
        return any(map(wanted, bodies(broker)))

    until(lambda: beaten(lambda body: body.get("entry") == 230 and "entry_hash" in body), "an anchor came")
    until(lambda: beaten(lambda body: "unsent" in body), "health came")
    until(lambda: beaten(lambda body: "newest" in body), "a sign of life came")
    until(lambda: beaten(lambda body: False) or {str(n) for n in range(1, 231)} <= {*broker.given}, "messages came")
    until(lambda: not uplink.beat(World(), 100_000) and uplink.outbox.empty(), "nothing is under way any more")


def test_a_stop_sends_the_last_anchor_and_what_waits(
    uplink: Uplink, broker: ScriptedBroker, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("recorder.notices.uplink.GOODBYE_S", PATIENCE_S)
    began_s = time.monotonic()
    uplink.close(lambda: 5)
    assert time.monotonic() - began_s < PATIENCE_S / 2, "it ends once nothing waits"
    assert journal.outbox.count_unsent() == 0 and uplink.outbox.sent == 230
    until(lambda: any(body.get("entry") == 230 for body in bodies(broker)), "the anchor came")
    assert not uplink.publisher.connected()
    assert {at_ms for (at_ms,) in journal.rows("SELECT sent_ms FROM outbox")} == {5}


def test_a_goodbye_that_nobody_takes_keeps_no_program_from_ending(journal: Journal, tmp_path: Path) -> None:
    """Python waits at its end for each thread that is no daemon (library reference, threading)."""
    broker = ScriptedBroker([mute])
    settings = MqttSettings("line-1", port=broker.port)
    made = Uplink(settings, journal, tmp_path / "r.db", (), None, lambda *_: None, lambda *_: None)
    made.start()
    until(made.publisher.connected, "it is connected")
    made.close(lambda: 5)
    (goodbye,) = [each for each in threading.enumerate() if each.name == "goodbye"]
    assert goodbye.daemon
    goodbye.join(PATIENCE_S)
    broker.stop()


def test_an_entry_goes_out_with_its_kind_its_body_and_the_hash_before(tmp_path: Path) -> None:
    entry = Entry(3, Stamp(5, "b", 5, 1_772_100_000_000, False), "tick", '{"at_ms":5}', "cd" * 32, "ab" * 32)
    messages = Messages("kitchen", "line-1", "all")
    messages.begin(replace(entry, seq=1, hash="ef" * 32), 5)
    (message,) = messages(entry, Tick(5), ())
    assert message.topic == "kitchen/line-1/journal" and not message.retain
    assert json.loads(message.body) == {
        "specversion": "1.0",
        "id": "3-entry",
        "source": "/stations/line-1/journals/efefefefefef",
        "type": "entry",
        "time": "2026-02-26T10:00:00.000+00:00",
        "datacontenttype": "application/json",
        "data": {
            "station": "line-1",
            "kind": "tick",
            "previous": "cd" * 32,
            "body": {"at_ms": 5},
            "entry": 3,
            "entry_hash": "ab" * 32,
            "at_ms": 5,
            "wall_known": False,
        },
    }


def test_a_password_is_five_groups_of_four_letters_that_look_like_no_other() -> None:
    words = {passwords.made() for _ in range(200)}
    assert len(words) == 200 and all(re.fullmatch("([2-9a-hjkmnp-z]{4}-){4}[2-9a-hjkmnp-z]{4}", word) for word in words)
    assert {*"".join(words)} == {*"23456789abcdefghjkmnpqrstuvwxyz-"}


def test_a_hash_is_that_of_mosquittos_own_tool() -> None:
    """mosquitto_passwd(1) writes $7$, the rounds, salt and PBKDF2-HMAC-SHA512 (RFC 8018) in base64."""
    one, two = passwords.hashed("fries"), passwords.hashed("fries")
    assert one != two
    for each in (one, two):
        empty, seven, rounds, salt, digest = each.split("$")
        assert (empty, seven, rounds, len(b64decode(salt))) == ("", "7", "10000", 12)
        assert b64decode(digest) == hashlib.pbkdf2_hmac("sha512", b"fries", b64decode(salt), 10_000)


# ---- the states ----


def test_only_the_newest_checks_are_kept_and_told(tmp_path: Path) -> None:
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    told: dict[str, dict[str, Any]] = {}
    with Journal.open(tmp_path / "r.db") as records:
        rows = [Record("checks", n, (("temp_c", 70.0 + n), ("struck", 0))) for n in (30, 4, 5, *range(6, 30))]
        append(records, Stamp(0, "b", 0, 0, True), Tick(0), rows)
        teller = StatePublisher(lambda name, value: told.update({name: value}), records, tmp_path / "r.db", ())
        teller._checks |= {n: {"batch": n} for n in (3, 1, 2)}
        teller.update(Tick(1), kitchen.state.world, 1)
        assert len(told["checks"]["checks"]) == 24 and sorted(teller._checks) == list(range(7, 31))
        assert told["checks"]["at_ms"] == 1 and teller.newest.keys() == {"open", "batches", "checks", "health"}
        before = dict(told)
        teller.update(Tick(2), kitchen.state.world, 2)
        assert told == before, "what did not change is not told again"
        teller.update(Reading(3, "needle", 70.5, True), kitchen.state.world, 3)
        assert told["reading/needle"] == {"at_ms": 3, "temp_c": 70.5, "settled": True}
        assert told["health"]["version"] == version("batch-recorder")


def test_of_two_troubles_of_the_ear_the_first_is_told() -> None:
    first = replace(OPEN, id="1-not-hearing", kind=NOT_HEARING, text="the microphone is gone")
    world = World(alerts=(OPEN, first, replace(OPEN, id="2-hears-badly", kind=HEARS_BADLY, text="too loud")))
    assert states.health(world, (), "1", 0, 0)["hearing"] == "the microphone is gone"
    over = replace(world, alerts=tuple(replace(alert, ended_ms=9) for alert in world.alerts))
    assert states.health(over, (), "1", 0, 0)["hearing"] == "well"


@pytest.mark.parametrize("proven", [True, False])
def test_the_time_of_a_batch_that_cooks_is_its_cooks(proven: bool) -> None:
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh", count=12)
    kitchen.say(m.LID_LOCKED)
    (batch,) = kitchen.state.world.batches
    batch = replace(batch, wait_known=not proven, fryings=(replace(batch.fryings[-1], time_proven=proven),))
    (told,) = states.batches(World(batches=(batch,)))["open"]
    assert told["time_proven"] is proven


def test_the_brokers_list_has_a_line_for_each_sensor_and_a_part_for_each_phone() -> None:
    """mosquitto.conf(5), acl_file: "user NAME", then "topic [read|write|readwrite] TOPIC" a line."""
    about = PageAccess("kitchen", "line-1", "fry", ("ana", "bo"), "/page", "/etc/x", sensors=("s/1", "s/2"))
    here = "kitchen/line-1/"
    phone = ["topic read kitchen/line-1/#", *(f"topic write {here}{what}" for what in (ACKNOWLEDGE, SEEN, SIGN))]
    recorder = ["user fry", f"topic readwrite {here}#", "topic read s/1", "topic read s/2"]
    lines = [line for line in acl(about).splitlines() if line and not line.startswith("#")]
    assert lines == [*recorder, "user ana", *phone, "user bo", *phone]


# ---- the connection ----


@pytest.fixture
def reached(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[MqttPublisher, SimpleNamespace, list[bool]]]:
    """As paho's callbacks leave it after a first connection, the time in the test's hand, and what was reported."""
    now, links = SimpleNamespace(s=1_000.0), list[bool]()
    monkeypatch.setattr(mqtt, "time", SimpleNamespace(monotonic=lambda: now.s))
    publisher = MqttPublisher(MqttSettings("line-1"), lambda up, reason: links.append(up))
    publisher._up, publisher._number = True, 1
    assert publisher.connection() == 0, "not yet seen"
    assert publisher.acknowledged() == [] and publisher.connection() == 1
    publisher._up = False
    assert publisher.connection() == 0
    publisher._up = True
    yield publisher, now, links


def test_the_token_of_a_sign_that_was_lost_with_its_connection_means_a_message_later(
    reached: tuple[MqttPublisher, SimpleNamespace, list[bool]],
) -> None:
    """MQTT gives out packet identifiers again: there are 65,535 of them (OASIS MQTT 5.0, 2.2.1)."""
    publisher, _, _ = reached
    publisher._passing.add(7)
    publisher._acknowledged.put((7, True))
    assert publisher.acknowledged() == [], "a sign that went out"
    publisher._passing.add(8)
    publisher._number = 2
    publisher.acknowledged()
    publisher._acknowledged.put((8, True))
    assert publisher.acknowledged() == [(8, True)]


def test_patience_counts_from_the_last_acknowledgement_and_from_when_nothing_waited(
    reached: tuple[MqttPublisher, SimpleNamespace, list[bool]], caplog: pytest.LogCaptureFixture
) -> None:
    publisher, now, _ = reached
    now.s += 1_000
    publisher.acknowledged()
    publisher._waiting |= {1, 2}
    now.s += 50
    publisher._acknowledged.put((1, True))
    assert publisher.acknowledged() == [(1, True)]
    now.s += 60
    publisher.acknowledged()
    assert caplog.text == ""
    now.s += 0.1
    publisher.acknowledged()
    assert "the broker has acknowledged nothing for 60 s; reconnecting" in caplog.text


def test_a_connection_that_flaps_is_reported_six_times_in_ten_minutes(
    reached: tuple[MqttPublisher, SimpleNamespace, list[bool]],
) -> None:
    publisher, now, links = reached
    for number in range(20):
        publisher._up = True
        publisher._acknowledged.put((number, True))
        publisher.acknowledged()
        publisher._down("gone")
        publisher.acknowledged()
        publisher._reason = ""
        now.s += 1
    assert links == [True, False] * 6
    now.s += 600
    publisher._up = True
    publisher.acknowledged()
    assert links[12:] == [True]


def test_a_client_has_a_password_only_where_a_file_holds_one(tmp_path: Path) -> None:
    (tmp_path / "word").write_text("fries\n")
    for file, word in ((None, None), (tmp_path / "word", "fries")):
        made = client.make(MqttSettings("line-1", username="fry", password_file=file), "")
        assert (made.username, made.password) == ("fry", word)


def test_a_broker_that_is_not_reached_for_a_reason_that_nobody_holds_is_said_to_be_so() -> None:
    assert client.unreached() == "not reached"
    try:
        raise OSError("no route")
    except OSError:
        assert client.unreached() == "no route"


def test_settings_that_nobody_writes_are_these() -> None:
    made = MqttSettings("line-1")
    assert (made.host, made.port, made.protocol, made.root, made.tls) == ("127.0.0.1", 1883, "5", "kitchen", False)
    assert (made.username, made.password_file, made.ca_file, made.cert_file, made.key_file) == (None,) * 5
    assert made.keepalive_s == 30 and MqttSettings("line-1", host="far").port == 8883


@pytest.mark.parametrize(("free", "told_mb"), [(0, 0), (99_999_999, 0), (100_000_000, 100), (25_099_999_999, 25_000)])
def test_health_says_how_much_room_the_records_disk_has_in_hundreds_of_mb(
    free: int, told_mb: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MB as the SI has it: a million bytes."""
    given: dict[str, dict[str, Any]] = {}
    asked: list[Path] = []

    def disk(folder: Path) -> SimpleNamespace:
        asked.append(folder)
        return SimpleNamespace(free=free)

    with Journal.open(tmp_path / "r.db") as records:
        publisher = StatePublisher(lambda name, value: given.update({name: value}), records, tmp_path / "r.db", ())
        monkeypatch.setattr(shutil, "disk_usage", disk)
        publisher.beat(World(), 60_000)
        monkeypatch.undo()
    assert given["health"]["free_mb"] == told_mb and asked == [tmp_path]


def test_a_key_without_its_certificate_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="key_file does nothing without cert_file; name it too"):
        MqttSettings("broker", "far", key_file=Path("key.pem"))


@pytest.mark.parametrize("file", ["ca_file", "cert_file", "key_file"])
def test_each_file_of_tls_is_refused_where_no_tls_is_spoken(file: str) -> None:
    said: dict[str, Any] = {file: Path("x.pem")}
    with pytest.raises(ValueError, match="tls is false, and ca_file, cert_file and key_file do nothing then"):
        MqttSettings("line-1", "far", tls=False, **said)
