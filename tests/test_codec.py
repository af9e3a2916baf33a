"""Events to canonical JSON and back."""

import json
import math

import pytest
from hypothesis import given, settings

from recorder.core.events import Event, Heard, Intent, Reading, Tick
from recorder.journal.codec import KINDS, CodecError, canonical, decode, encode
from tests.strategies import events


@settings(max_examples=400)
@given(events())
def test_every_event_comes_back_as_it_was(event: Event) -> None:
    kind, body = encode(event)
    again = decode(kind, body)
    assert again == event and encode(again) == (kind, body)
    assert KINDS[kind] is type(event)


def test_the_body_is_plain_to_read() -> None:
    event = Heard(5, "probe thigh", Intent("probe", part="thigh"), "sphinx", "name", -1.5)
    assert json.loads(encode(event)[1])["intent"]["part"] == "thigh"


def test_canonical_form_is_rfc_8785() -> None:
    """RFC 8785, section 3.2.2 (literals, numbers, strings) and 3.2.3 (key order by UTF-16); from memory."""
    value = {"numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001], "literals": [None, True]}
    assert canonical(value) == (b'{"literals":[null,true],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27]}')
    assert (
        canonical({"\u20ac": 1, "\r": 2, "1": 3, "\U0001f600": 4})
        == '{"\\r":2,"1":3,"\u20ac":1,"\U0001f600":4}'.encode()
    )


@pytest.mark.parametrize("value", [math.nan, math.inf, 2**60])
def test_what_json_cannot_hold_is_refused(value: float) -> None:
    with pytest.raises(CodecError):
        canonical({"value": value})


@pytest.mark.parametrize(
    ("kind", "body", "complaint"),
    [
        ("dance", "{}", "no event is of the kind 'dance'"),
        ("tick", "{", "no 'tick' event"),
        ("tick", "{}", "no 'tick' event"),
        ("tick", '{"at_ms":"soon"}', "'soon' is not int"),
        ("tick", '{"at_ms":true}', "True is not int"),
        ("tick", '{"at_ms":1,"more":2}', "more"),
        ("tick", "[1]", "no 'tick' event"),
        ("heard", '{"intent":3}', "no 'heard' event"),
    ],
)
def test_what_is_no_event_is_refused(kind: str, body: str, complaint: str) -> None:
    with pytest.raises(CodecError, match=complaint):
        decode(kind, body)


def test_whole_degrees_come_back_as_degrees() -> None:
    reading = decode("reading", '{"at_ms":1,"channel":"needle","settled":false,"spot":0,"temp_c":70}')
    assert reading == Reading(1, "needle", 70.0) and type(reading.temp_c) is float  # type: ignore[union-attr]
    assert encode(Tick(1)) == ("tick", '{"at_ms":1}')
