"""Events to canonical JSON and back."""

import json
import math

import pytest
from hypothesis import given, settings

from recorder.core import meanings as m
from recorder.core.events import Event, Heard, Intent, ProcedureLoaded, Reading, Tick
from recorder.journal.codec import KINDS, CodecError, canonical, decode, encode, plain
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


AS_STORED = {
    "started": '{"at_ms":1,"boot_id":"b","rules":3,"station":"line-1","vats":[1,2],"version":"0.1","wall_known":true}',
    "reading": '{"at_ms":2,"channel":"needle","colder":true,"settle_ms":9000,"settled":true,"spot":7,"temp_c":85.5,'
    '"uncertainty_c":0.25}',
    "probe lost": '{"at_ms":3,"channel":"vat1","reason":"unplugged"}',
    "probe back": '{"at_ms":4,"channel":"vat1"}',
    "probe charge": '{"at_ms":5,"channel":"needle","percent":85}',
    "heard": '{"at_ms":6,"engine":"moonshine","intent":{"count":12,"meaning":"load","part":"thigh","vat":2},'
    '"listening":"name","other":{"batch":1,"meaning":"discard batch"},"other_text":"discard batch one","score":-1.5,'
    '"text":"load thighs twelve vat two"}',
    "not understood": '{"at_ms":7,"engine":"sphinx","listening":"switch","reason":"not sure enough","score":-30.5,'
    '"text":"lid"}',
    "ear lost": '{"at_ms":8,"reason":"busy"}',
    "ear back": '{"at_ms":9}',
    "ear trouble": '{"at_ms":10,"what":"silent"}',
    "ear clear": '{"at_ms":11}',
    "link down": '{"at_ms":12,"reason":"refused"}',
    "link up": '{"at_ms":13}',
    "acknowledged": '{"alert":"41-cook-overdue","at_ms":14,"by":"JD"}',
    "seen": '{"alert":"41-cook-overdue","at_ms":15,"by":"office phone"}',
    "signed": '{"at_ms":16,"by":"JD","day":"2026-02-26","note":"reviewed"}',
    "records set aside": '{"at_ms":17,"file":"records.db.damaged-1","reason":"malformed"}',
    "space low": '{"at_ms":18,"free_mb":90,"least_mb":200}',
    "space back": '{"at_ms":19,"free_mb":900}',
    "tick": '{"at_ms":20}',
    "clock set": '{"at_ms":21,"delta_ms":-5000,"wall_known":true}',
    "stopped": '{"at_ms":22}',
}
"""One entry of each kind but the procedure's, as journals hold them since their first release."""


@pytest.mark.parametrize(("kind", "body"), AS_STORED.items(), ids=AS_STORED)
def test_each_kind_is_spelled_as_it_ever_was(kind: str, body: str) -> None:
    event = decode(kind, body)
    assert type(event) is KINDS[kind] and encode(event) == (kind, body)
    assert AS_STORED.keys() | {"procedure loaded"} == KINDS.keys()
    for name, value in json.loads(body).items():
        if not isinstance(value, (dict, list)):
            assert getattr(event, name) == value


def test_a_part_that_is_none_or_of_another_kind_is_refused_where_there_must_be_one() -> None:
    """A body may be valid JSON and no event: each part must be of its own kind, to the letter."""
    started = json.loads(AS_STORED["started"])
    for name, wrong in [("vats", [1, "2"]), ("vats", [1, None]), ("wall_known", 1), ("station", None), ("rules", 3.5)]:
        with pytest.raises(CodecError, match="no 'started' event"):
            decode("started", json.dumps(started | {name: wrong}))
    reading = json.loads(AS_STORED["reading"])
    for name, wrong in [("settle_ms", "9"), ("uncertainty_c", "0.2"), ("temp_c", None), ("settled", "true")]:
        with pytest.raises(CodecError, match="no 'reading' event"):
            decode("reading", json.dumps(reading | {name: wrong}))
    assert decode("reading", json.dumps(reading | {"uncertainty_c": None, "settle_ms": None})) is not None


def test_a_plain_value_has_every_field_and_a_brief_one_only_what_differs() -> None:
    reading = Reading(1, "needle", 70.5)
    assert plain(reading) == {
        "at_ms": 1,
        "channel": "needle",
        "temp_c": 70.5,
        "settled": False,
        "spot": 0,
        "uncertainty_c": None,
        "settle_ms": None,
        "colder": False,
        "medium": "",
    }
    assert plain(reading, brief=True) == {"at_ms": 1, "channel": "needle", "temp_c": 70.5}
    with pytest.raises(CodecError, match="intent is 3; it must be a table"):
        decode("heard", '{"at_ms":1,"engine":"e","intent":3,"listening":"name","text":"t"}')


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
        ("tick", '{"at_ms":"soon"}', "at_ms is 'soon'; it must be a whole number"),
        ("tick", '{"at_ms":true}', "at_ms is True; it must be a whole number"),
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
    assert reading == Reading(1, "needle", 70.0) and type(reading.temp_c) is float
    assert encode(Tick(1)) == ("tick", '{"at_ms":1}')
