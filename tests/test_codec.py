"""Events to canonical JSON and back."""

import json
import math

import pytest
from hypothesis import given, settings

from recorder.core import meanings as m
from recorder.core.events import Event, Heard, Intent, ProcedureLoaded, Reading, Tick
from recorder.journal.codec import KINDS, CodecError, canonical, decode, encode
from tests.kitchen import PROCEDURE
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
    assert json.loads(encode(event)[1])["intent"] == {"meaning": "probe", "part": "thigh"}


def test_a_field_that_is_added_later_leaves_older_entries_as_they_are() -> None:
    """What is at its default is not written, so an entry from before the field has the bytes that it would have now."""
    assert encode(Reading(1, "cabinet", 70.5)) == ("reading", '{"at_ms":1,"channel":"cabinet","temp_c":70.5}')
    old = '{"at_ms":5,"engine":"sphinx","intent":{"meaning":"lid open"},"listening":"name","text":"lid open"}'
    assert encode(decode("heard", old)) == ("heard", old) and decode("heard", old).other is None  # type: ignore
    _, procedure = encode(ProcedureLoaded(1, PROCEDURE))
    assert "ask_first" not in procedure and decode("procedure loaded", procedure) == ProcedureLoaded(1, PROCEDURE)
    assert PROCEDURE.ask_first == (m.DISCARD,), "what every station did before the procedure could say it"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            '{"numbers":[1E30,4.50,333333333.33333329,2e-3,0.000000000000000000000000001],'
            r""""escaping":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}""",
            r"""{"escaping":"€$\u000f\nA'B\"\\\\\"/","literals":[null,true,false],"""
            '"numbers":[1e+30,4.5,333333333.3333333,0.002,1e-27]}',
        ),
        (
            r'{"\u20ac":"Euro Sign","1":"One","\u0080":"Control\u007f","\ud83d\ude02":"Smiley",'
            r'"\u00f6":"Latin Small Letter O With Diaeresis","\ufb33":"Hebrew Letter Dalet With Dagesh",'
            r'"</script>":"Browser Challenge"}',
            '{"1":"One","</script>":"Browser Challenge","\x80":"Control\x7f",'
            '"ö":"Latin Small Letter O With Diaeresis",'
            '"€":"Euro Sign","\U0001f602":"Smiley","\ufb33":"Hebrew Letter Dalet With Dagesh"}',
        ),
    ],
    ids=["values", "weird"],
)
def test_canonical_form_is_rfc_8785(text: str, expected: str) -> None:
    """The vectors values.json and weird.json of the RFC's author: cyberphone/json-canonicalization, testdata.

    The second tells order by UTF-16 units from order by code points.
    """
    assert canonical(json.loads(text)).decode() == expected


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
        ("heard", "[" * 100_000, "no 'heard' event"),  # a RecursionError until 2026-11-26
        ("reading", '{"at_ms":1,"channel":"needle","temp_c":1%s}' % ("0" * 400), "too large"),  # an OverflowError
    ],
)
def test_what_is_no_event_is_refused(kind: str, body: str, complaint: str) -> None:
    with pytest.raises(CodecError, match=complaint):
        decode(kind, body)


def test_whole_degrees_come_back_as_degrees() -> None:
    reading = decode("reading", '{"at_ms":1,"channel":"needle","settled":false,"spot":0,"temp_c":70}')
    assert reading == Reading(1, "needle", 70.0) and type(reading.temp_c) is float  # type: ignore[union-attr]
    assert encode(Tick(1)) == ("tick", '{"at_ms":1}')
