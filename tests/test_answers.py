"""What phones send back, honest and hostile."""

import json
import logging
import os
from dataclasses import asdict, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.app import App, open_journal
from recorder.clock import SystemClock
from recorder.config import load
from recorder.core.effects import Alert, Level
from recorder.core.events import Acknowledged, Seen, Signed
from recorder.core.world import World
from recorder.journal.codec import decode, encode
from recorder.notices.answers import ACKNOWLEDGE, LONGEST, SEEN, SIGN, Gate, Reception, parse


def test_an_answer_to_the_letter_is_an_event() -> None:
    said = json.dumps({"alert": "41-cook-overdue", "by": "JD"}).encode()
    assert parse(ACKNOWLEDGE, said, 7) == Acknowledged(7, "41-cook-overdue", "JD")
    seen = json.dumps({"alert": "41-cook-overdue", "by": "office phone 2"}).encode()
    assert parse(SEEN, seen, 7) == Seen(7, "41-cook-overdue", "office phone 2")


@pytest.mark.parametrize(
    ("what", "payload", "complaint"),
    [
        ("alerts", b"{}", "nothing is expected on 'alerts'"),
        (ACKNOWLEDGE, b" " * (LONGEST + 1), "longer than 1024 bytes"),
        (ACKNOWLEDGE, b"\xff", "it is not JSON"),
        (ACKNOWLEDGE, b"[" * 1000, "it is not JSON"),
        (ACKNOWLEDGE, b"[]", "and nothing else"),
        (ACKNOWLEDGE, b'{"alert": "1-x"}', "and nothing else"),
        (ACKNOWLEDGE, b'{"alert": "1-x", "by": "J", "close": true}', "and nothing else"),
        (ACKNOWLEDGE, b'{"alert": 1, "by": "J"}', "no id of an alert"),
        (ACKNOWLEDGE, b'{"alert": "1-x\\n", "by": "J"}', "no id of an alert"),
        (ACKNOWLEDGE, b'{"alert": "1-x", "by": ""}', "its by is no name"),
        (ACKNOWLEDGE, b'{"alert": "1-x", "by": "J\\u001b[2J"}', "its by is no name"),
        (ACKNOWLEDGE, b'{"alert": "1-x", "by": "office phone"}', "its by is no name"),
        (ACKNOWLEDGE, '{"alert": "1-x", "by": "\uff2d\uff2b"}'.encode(), "A to Z"),
        (ACKNOWLEDGE, '{"alert": "1-x", "by": "\u041c\u041a"}'.encode(), "A to Z"),
        (ACKNOWLEDGE, '{"alert": "1-x", "by": "M\u0301K"}'.encode(), "A to Z"),
        (ACKNOWLEDGE, '{"alert": "1-x", "by": "\u0661\u0662"}'.encode(), "A to Z"),
        (ACKNOWLEDGE, b'{"alert": "1-x", "by": "MK", "by": "JD"}', "each name once"),
        (ACKNOWLEDGE, '{"alert": "1-x", "by": "MK"}'.encode("utf-16"), "not JSON in UTF-8"),
        (SEEN, '{"alert": "1-x", "by": "\uff4d\uff4b phone"}'.encode(), "A to Z"),
        (SEEN, b'{"alert": "1-x", "by": " "}', "its by is no name"),
        (SEEN, b'{"alert": "1-x", "by": "MK "}', "its by is no name"),
        (SIGN, '{"day": "2026-02-26", "by": "\uff2d\uff2b", "note": ""}'.encode(), "A to Z"),
        (SIGN, '{"day": "\uff12026-02-26", "by": "MK", "note": ""}'.encode(), "its day is no date"),
        (SIGN, b'{"day": "20260226", "by": "MK", "note": ""}', "its day is no date"),
        (SIGN, b'{"day": "2026-02-26", "by": "MK", "note": "\\u3164"}', "can't be seen"),
        (SIGN, b'{"day": "2026-02-26", "by": "MK", "note": "a\\u00a0b"}', "can't be seen"),
        (SIGN, b'{"day": "2026-02-26", "by": "MK", "note": " . "}', "says nothing"),
        (SIGN, b'{"day": "2026-02-26", "by": "MK", "note": "a' + b"\\u0301" * 4 + b'"}', "marks on one letter"),
        (SEEN, b'{"alert": "1-x", "by": "a\\nb"}', "its by is no name"),
        (SIGN, b'{"day": "2026-02-26", "by": "JD", "note": "\\ud800"}', "can't be seen"),
        (SIGN, b'{"day": "2026-02-26", "by": "JD", "note": "a\\u2028b"}', "can't be seen"),
        (SIGN, b'{"day": "2026-02-26", "by": "JD", "note": "\\u202eb"}', "can't be seen"),
        (SIGN, b'{"day": "2026-02-26", "by": "\\ud800", "note": ""}', "its by is no name"),
        (SIGN, b'{"day": "2026-02-26", "by": "JD", "note": "' + b"x" * 401 + b'"}', "up to 400 letters"),
    ],
)
def test_anything_else_is_refused(what: str, payload: bytes, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        parse(what, payload, 0)


def letters() -> st.SearchStrategy[str]:
    """Any code point at all, lone surrogates too: JSON can carry them."""
    return st.text(
        st.characters(categories=None) | st.sampled_from("\ud800\udfff\x00\x1b\n\u2028\u202e\x9f"), max_size=12
    )


fields = st.one_of(
    letters(),
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.lists(letters(), max_size=2),
    st.sampled_from(["41-cook-overdue", "1-x", "2026-02-26", "JD", "office phone"]),
)
shapes = st.dictionaries(st.sampled_from(["alert", "by", "day", "note"]) | letters(), fields, max_size=4) | st.one_of(
    st.fixed_dictionaries({"alert": fields, "by": fields}),
    st.fixed_dictionaries({"day": fields, "by": fields, "note": fields}),
    st.builds(lambda note: {"day": "2026-02-26", "by": "JD", "note": note}, letters()),
)
payloads = st.one_of(
    st.binary(max_size=1_100),
    shapes.map(lambda value: json.dumps(value).encode()),
    letters().map(ascii).map(str.encode),
)


@settings(max_examples=int(os.environ.get("ANSWERS", "300")), deadline=None)
@given(st.sampled_from([ACKNOWLEDGE, SEEN, SIGN]), payloads)
def test_no_bytes_do_more_than_be_refused(what: str, payload: bytes) -> None:
    """What is taken can be written to the journal, is read back as it was, and is seen as it is in a log or a page."""
    try:
        event = parse(what, payload, 0)
    except ValueError as error:
        assert str(error).isprintable() and len(str(error)) < 150
        return
    said = {name: value for name, value in asdict(event).items() if name != "at_ms"}
    assert json.loads(payload) == said
    assert decode(*encode(event)) == event
    assert all(value.isprintable() for value in said.values() if value.isascii())


def test_nothing_that_is_taken_stops_the_recorder() -> None:
    """Field bug of 2026-11-26: a note with half a surrogate pair could not be written, and the journal took no more."""
    half = b'{"day": "2026-02-26", "by": "JD", "note": "\\ud800"}'
    assert Reception(World).event(SIGN, half, 0) is None


def test_only_a_day_that_is_on_record_is_signed(caplog: pytest.LogCaptureFixture) -> None:
    """A signature under a day that nothing happened on, or that is still to come, would say that somebody read it."""
    asked: list[str] = []

    def signable(event: Signed) -> str | None:
        asked.append(event.day)
        return None if event.day == "2026-02-26" else f"nothing is on record for {event.day}"

    desk = Reception(World, signable)
    said = [b'{"day": "%s", "by": "MK", "note": ""}' % day for day in (b"2026-02-26", b"2027-01-01", b"1999-12-31")]
    assert [bool(desk.event(SIGN, each, 0)) for each in said] == [True, False, False]
    assert "nothing is on record for 2027-01-01" in caplog.text and "1999" not in caplog.text, "once for its kind"
    assert sum(desk.event(SIGN, said[1], ms) is not None for ms in range(100)) == 0
    assert len(asked) == 10, "each question reads the records, so a flood asks no more than it could sign"


def test_a_recorder_takes_a_signature_for_today_and_none_for_tomorrow(tmp_path: Path) -> None:
    """The station itself: what a phone sends, its journal, and what stands in its table of signatures."""
    (tmp_path / "station.toml").write_text('station = "line-1"\n')
    settings = load(tmp_path / "station.toml")
    app = App(settings, open_journal(settings), SystemClock(None), lambda cue: None)
    app.open()
    today = datetime.now().astimezone().date()
    for day in (today + timedelta(1), today - timedelta(3), date(9999, 12, 31), date(1, 1, 1), today):
        app._answer(SIGN, json.dumps({"day": str(day), "by": "MK", "note": "read"}).encode())
    while app.turn(0.01):
        pass
    rows = app.journal.table("signatures")
    app.close()
    assert [row["day"] for row in rows] == [str(today)]


def known(*alerts: Alert) -> Reception:
    return Reception(lambda: World(alerts=alerts))


OVERDUE = Alert("41-cook-overdue", "cook overdue", Level.WARNING, "take it out", 1, (), 5)


def test_only_an_open_alert_of_this_station_is_acknowledged_and_once() -> None:
    said = b'{"alert": "41-cook-overdue", "by": "JD"}'
    assert known(OVERDUE).event(ACKNOWLEDGE, said, 7) == Acknowledged(7, "41-cook-overdue", "JD")
    assert known(OVERDUE).event(SEEN, said, 7) == Seen(7, "41-cook-overdue", "JD")
    assert known().event(ACKNOWLEDGE, said, 7) is None, "of no station, or of another"
    assert known(replace(OVERDUE, id="42-cook-overdue")).event(ACKNOWLEDGE, said, 7) is None
    assert known(replace(OVERDUE, ended_ms=6)).event(ACKNOWLEDGE, said, 7) is None, "it is over"
    in_hand = known(replace(OVERDUE, acknowledged_ms=6, acknowledged_by="MK"))
    assert in_hand.event(ACKNOWLEDGE, said, 7) is None, "somebody was faster"
    assert in_hand.event(SEEN, said, 7) is not None


def test_a_flood_of_what_looks_right_is_bounded_and_each_kind_by_itself(caplog: pytest.LogCaptureFixture) -> None:
    desk = known(OVERDUE)
    said = dict.fromkeys((ACKNOWLEDGE, SEEN), b'{"alert": "41-cook-overdue", "by": "JD"}')
    said[SIGN] = b'{"day": "2026-02-26", "by": "JD", "note": "all well"}'
    with caplog.at_level(logging.INFO):
        let_in = [desk.event(SIGN, said[SIGN], ms) for ms in range(0, 3_600_000, 1_000)]
        assert sum(map(bool, let_in)) == 10, "signatures in an hour"
        assert desk.event(ACKNOWLEDGE, said[ACKNOWLEDGE], 3_500_000), "a flood of one kind holds up no other"
        for number in range(10_000):
            desk.event(SEEN, b'{"alert": "%d-x", "by": "\\n"}' % number, 0)
            desk.event(SEEN, b'{"alert": "%d-x", "by": "JD"}' % number, 0)
            desk.event(ACKNOWLEDGE, b"\x1b[2J" * (number % 300), 0)
    assert len(caplog.records) < 10 and caplog.text.count("too many of them") == 1
    assert all(record.getMessage().isprintable() for record in caplog.records)


def test_a_flood_is_held_back_and_then_let_through_again() -> None:
    gate = Gate(most=3, within_ms=1_000)
    assert [gate.open(ms) for ms in (0, 1, 2, 3, 999)] == [True, True, True, False, False]
    assert [gate.open(ms) for ms in (1_000, 1_001, 1_002, 1_003)] == [True, True, True, False]
