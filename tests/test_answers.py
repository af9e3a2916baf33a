"""What phones send back, honest and hostile."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.core.events import Acknowledged, Seen
from recorder.notices.answers import ACKNOWLEDGE, LONGEST, SEEN, Gate, parse


def test_an_answer_to_the_letter_is_an_event() -> None:
    said = json.dumps({"alert": "41-cook-overdue", "by": "JD"}).encode()
    assert parse(ACKNOWLEDGE, said, 7) == Acknowledged(7, "41-cook-overdue", "JD")
    seen = json.dumps({"alert": "41-cook-overdue", "by": "office phone 2"}).encode()
    assert parse(SEEN, seen, 7) == Seen(7, "41-cook-overdue", "office phone 2")


@pytest.mark.parametrize(
    ("what", "payload", "complaint"),
    [
        ("alerts", b"{}", "nothing is expected on 'alerts'"),
        (ACKNOWLEDGE, b" " * (LONGEST + 1), "1025 bytes are more than 1024"),
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
        (SEEN, b'{"alert": "1-x", "by": "a\\nb"}', "its by is no name"),
    ],
)
def test_anything_else_is_refused(what: str, payload: bytes, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        parse(what, payload, 0)


@given(st.sampled_from([ACKNOWLEDGE, SEEN]), st.binary(max_size=200) | st.text(max_size=100).map(str.encode))
def test_no_bytes_do_more_than_be_refused(what: str, payload: bytes) -> None:
    try:
        event = parse(what, payload, 0)
    except ValueError:
        return
    assert json.loads(payload) == {"alert": event.alert, "by": event.by}


def test_a_flood_is_held_back_and_then_let_through_again() -> None:
    gate = Gate(most=3, within_ms=1_000)
    assert [gate.open(ms) for ms in (0, 1, 2, 3, 999)] == [True, True, True, False, False]
    assert [gate.open(ms) for ms in (1_000, 1_001, 1_002, 1_003)] == [True, True, True, False]
