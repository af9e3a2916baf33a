"""What a procedure may say: each number at its very limit and just past it, with the sentence that names the fault.

Published limits: FDA Food Code 2022, 3-401.11(A)(3) 165 °F / 74 °C for poultry; 3-501.16(A)(1) 135 °F / 57 °C for hot
holding, 130 °F / 54 °C for roasts; 3-501.19(B) 4 hours by time alone. 57.8 °C (136 °F) is where the tables of FSIS's
Cooking Guideline for poultry begin. 100 °C is boiling water at sea level. Oil of 100 to 230 °C: common practice, no
source. -500 to 5,000 m: where the standard atmosphere is worked out.
"""

from dataclasses import replace
from typing import Any

import pytest

from recorder.core import meanings as m
from recorder.core.events import ProcedureLoaded
from recorder.core.limits import lasting
from recorder.core.own_words import NO_WORDS
from recorder.core.procedure import BY_TIME, Procedure
from tests.kitchen import MINUTE
from tests.uneven import CELSIUS, FAHRENHEIT, Uneven, c, f

HOUR = 60 * MINUTE

MEANT = 'write less_safe_because = "WHY" where that is on purpose, such as a variance of your authority'


def thigh(procedure: Procedure, **limits: Any) -> dict[str, Any]:
    """The first part's limits changed."""
    first, *others = procedure.parts
    return {"parts": (replace(first, **limits), *others)}


SOUND: list[dict[str, Any]] = [
    {"shortest_cook_ms": 1, "planned_cook_ms": 1},
    {"shortest_cook_ms": MINUTE, "planned_cook_ms": MINUTE, "longest_cook_ms": MINUTE},
    {"longest_cook_ms": 3 * HOUR},
    {"hold_warning_ms": 1, "hold_limit_ms": MINUTE},
    {"hold_limit_ms": 24 * HOUR},
    {"pieces_per_load": 1, "checks_per_batch": 1},
    {"pieces_per_load": 500, "checks_per_batch": 500},
    {"settle_window_ms": 10_000, "hold_repeat_ms": MINUTE},
    {"settle_window_ms": 5 * MINUTE, "hold_repeat_ms": 2 * HOUR},
    {"raw_wait_ms": MINUTE, "open_wait_ms": MINUTE, "returned_wait_ms": MINUTE, "more_cook_ms": 10_000},
    {"raw_wait_ms": 4 * HOUR, "open_wait_ms": 4 * HOUR, "returned_wait_ms": 4 * HOUR, "more_cook_ms": HOUR},
    {"probe_check_every_ms": HOUR},
    {"probe_check_every_ms": 31 * 24 * HOUR},
    {"probe_check_every_ms": None},
    {"altitude_m": -500.0},
    {"altitude_m": 5_000.0},
    {"altitude_m": 0.0},
    {"polar_limit": 0.1},
    {"polar_limit": 0.9},
    {"polar_limit": 99.9},
    {"oil_low": f(325), "oil_high": f(325.1)},
    {"ask_first": m.COMMANDS},
    {"ask_first": ()},
    thigh(FAHRENHEIT, target=f(165), critical=f(165)),
    thigh(FAHRENHEIT, target=f(212), critical=f(212)),
    {"hold_minimum": f(135)},
    {"hold_minimum": f(212)},
    {"oil_low": f(212), "oil_high": f(446)},
    {"hold_by": BY_TIME, "hold_limit_ms": 4 * 3_600_000, "hold_minimum": f(40)},
    {"hold_limit_ms": 9 * 3_600_000},
]

FAULTY: list[tuple[dict[str, Any], list[str]]] = [
    ({"hold_minimum": c(60)}, ["hold.minimum is 60 °C; write it in the procedure's one unit, F"]),
    ({"oil_low": c(170)}, ["oil.low is 170 °C; write it in the procedure's one unit, F"]),
    (
        {"oil_high": c(170)},
        [
            "oil.high is 170 °C; write it in the procedure's one unit, F",
            "oil.low is 325 °F; write less than high, 170 °C",
        ],
    ),
    (thigh(FAHRENHEIT, target=c(185)), ["part.target of thigh is 185 °C; write it in the procedure's one unit, F"]),
    (thigh(FAHRENHEIT, critical=c(75)), ["part.critical of thigh is 75 °C; write it in the procedure's one unit, F"]),
    ({"parts": ()}, ["part is missing; write a [[part]] for each cut"]),
    ({"parts": FAHRENHEIT.parts[:1] * 2}, ["part.name of thigh stands twice; name each part once"]),
    ({"shortest_cook_ms": 0}, ["cook.shortest is 0 s; write more than zero"]),
    ({"planned_cook_ms": 0}, [f"cook.planned is 0 s; write at least shortest, {lasting(FAHRENHEIT.shortest_cook_ms)}"]),
    (
        {"longest_cook_ms": FAHRENHEIT.planned_cook_ms - MINUTE},
        [
            f"cook.longest is {lasting(FAHRENHEIT.planned_cook_ms - MINUTE)}; write at least planned,"
            f" {lasting(FAHRENHEIT.planned_cook_ms)}"
        ],
    ),
    ({"hold_warning_ms": 0}, ["hold.warning is 0 s; write more than zero"]),
    (
        {"hold_warning_ms": FAHRENHEIT.hold_limit_ms},
        ["hold.warning is {0}; write less than limit, {0}".format(lasting(FAHRENHEIT.hold_limit_ms))],
    ),
    *(({name: 0}, [f"{name} is 0; write 1 or more"]) for name in ("pieces_per_load", "checks_per_batch")),
    *(
        ({name: 0}, [f"{key} is 0 s; write more than zero"])
        for name, key in (
            ("settle_window_ms", "settle_window"),
            ("hold_repeat_ms", "hold.repeat"),
            ("probe_check_every_ms", "probe_check.every"),
            ("raw_wait_ms", "longest_wait.raw"),
            ("open_wait_ms", "longest_wait.open"),
            ("returned_wait_ms", "longest_wait.returned"),
            ("more_cook_ms", "cook.more"),
        )
    ),
    (
        thigh(FAHRENHEIT, target=f(164.9)),
        ["part.target of thigh is 164.9 °F, below its critical limit of 165 °F; correct one of them"],
    ),
    ({"altitude_m": -500.1}, ["probe_check.altitude_m is -500.1; write -500 to 5000, in metres above the sea"]),
    ({"altitude_m": 5_000.1}, ["probe_check.altitude_m is 5000.1; write -500 to 5000, in metres above the sea"]),
    ({"polar_limit": 0.0}, ["oil.polar_limit is 0; write above 0 and below 100, in %"]),
    ({"polar_limit": 100.0}, ["oil.polar_limit is 100; write above 0 and below 100, in %"]),
    ({"oil_low": f(350)}, ["oil.low is 350 °F; write less than high, 350 °F"]),
    ({"hold_by": "hope"}, ['hold.by is \'hope\'; write "temperature" or "time"']),
    ({"critical_by": "luck"}, ['critical_by is \'luck\'; write "reading" or "safe end"']),
    ({"dwell_advice": "duck"}, ["dwell_advice is 'duck'; write 'chicken' or 'turkey' or 'poultry', or leave it out"]),
    (
        {"ask_first": (m.CONFIRM, m.LOAD, "dance")},
        ["ask_first can't name 'confirm', 'dance'; write commands, such as discard batch or hold end"],
    ),
]

OR_UNIT = ", so correct it or unit"

DANGEROUS: list[tuple[Procedure, list[str]]] = [
    (
        replace(FAHRENHEIT, **thigh(FAHRENHEIT, target=f(212.1))),
        [f"part.target of thigh is 212.1 °F; no meat is above 212 °F{OR_UNIT}"],
    ),
    (
        replace(FAHRENHEIT, **thigh(FAHRENHEIT, target=f(213), critical=f(212.1))),
        [
            f"part.target of thigh is 213 °F; no meat is above 212 °F{OR_UNIT}",
            f"part.critical of thigh is 212.1 °F; no meat is above 212 °F{OR_UNIT}",
        ],
    ),
    (
        replace(CELSIUS, **thigh(CELSIUS, target=c(100.1))),
        [f"part.target of leg is 100.1 °C; no meat is above 100 °C{OR_UNIT}"],
    ),
    (
        replace(FAHRENHEIT, **thigh(FAHRENHEIT, critical=f(136))),
        [f"part.critical of thigh is 136 °F; poultry is never done below 136.04 °F{OR_UNIT}"],
    ),
    (
        replace(CELSIUS, **thigh(CELSIUS, critical=c(57.7)), less_safe_because="a variance"),
        [f"part.critical of leg is 57.7 °C; poultry is never done below 57.8 °C{OR_UNIT}"],
    ),
    (
        replace(FAHRENHEIT, **thigh(FAHRENHEIT, critical=f(164.9))),
        [f"part.critical of thigh is 164.9 °F; the FDA Food Code (3-401.11) asks for 165 °F for poultry; {MEANT}"],
    ),
    (
        replace(CELSIUS, **thigh(CELSIUS, critical=c(73.9))),
        [f"part.critical of leg is 73.9 °C; the FDA Food Code (3-401.11) asks for 74 °C for poultry; {MEANT}"],
    ),
    (
        replace(FAHRENHEIT, hold_minimum=f(134.9)),
        [f"hold.minimum is 134.9 °F; the FDA Food Code (3-501.16) asks for 135 °F; {MEANT}"],
    ),
    (
        replace(CELSIUS, hold_minimum=c(56.9)),
        [f"hold.minimum is 56.9 °C; the FDA Food Code (3-501.16) asks for 57 °C; {MEANT}"],
    ),
    (
        replace(CELSIUS, hold_minimum=c(53.9), less_safe_because="a variance"),
        [f"hold.minimum is 53.9 °C; no food is held hot at that{OR_UNIT}"],
    ),
    (
        replace(CELSIUS, hold_minimum=c(100.1)),
        [f"hold.minimum is 100.1 °C; no food is held so hot{OR_UNIT}"],
    ),
    (
        replace(CELSIUS, hold_by=BY_TIME, hold_minimum=c(100.1)),
        [f"hold.minimum is 100.1 °C; no food is held so hot{OR_UNIT}"],
    ),
    (
        replace(CELSIUS, hold_by=BY_TIME, hold_limit_ms=4 * 3_600_000 + 1),
        [f"hold.limit is over 4 h; the FDA Food Code (3-501.19) allows 4 h by time alone; {MEANT}"],
    ),
    (replace(CELSIUS, oil_low=c(99.9)), [f"oil.low is 99.9 °C; frying oil is 100 °C to 230 °C{OR_UNIT}"]),
    (
        replace(CELSIUS, oil_high=c(230.1)),
        [f"oil.high is 230.1 °C; frying oil is 100 °C to 230 °C{OR_UNIT}"],
    ),
    (
        replace(FAHRENHEIT, oil_high=f(447)),
        [f"oil.high is 447 °F; frying oil is 212 °F to 446 °F{OR_UNIT}"],
    ),
]


TOO_LONG_OR_SHORT: list[tuple[str, str, int, int, str]] = [
    ("longest_wait.raw", "raw_wait_ms", MINUTE, 4 * HOUR, "1 min to 4 h"),
    ("longest_wait.open", "open_wait_ms", MINUTE, 4 * HOUR, "1 min to 4 h"),
    ("longest_wait.returned", "returned_wait_ms", MINUTE, 4 * HOUR, "1 min to 4 h"),
    ("cook.more", "more_cook_ms", 10_000, HOUR, "10 s to 1 h"),
    ("cook.longest", "longest_cook_ms", 0, 3 * HOUR, "1 min to 3 h"),
    ("hold.limit", "hold_limit_ms", 0, 24 * HOUR, "1 min to 24 h"),
    ("hold.repeat", "hold_repeat_ms", MINUTE, 2 * HOUR, "1 min to 2 h"),
    ("settle_window", "settle_window_ms", 10_000, 5 * MINUTE, "10 s to 5 min"),
    ("probe_check.every", "probe_check_every_ms", HOUR, 31 * 24 * HOUR, "1 h to 744 h"),
]
"""Times, common practice without a source but for the four hours; 0: the least is that of another time here."""


def changed(field: str, value: Any) -> Procedure:
    return replace(FAHRENHEIT, **{field: value})


@pytest.mark.parametrize(("name", "field", "least", "most", "text"), TOO_LONG_OR_SHORT)
def test_a_time_that_no_kitchen_has_is_named(name: str, field: str, least: int, most: int, text: str) -> None:
    (said,) = changed(field, most + 1).dangers()
    assert said == f"{name} is {(most + 1) / 1000:g} s; write {text}"
    if least:
        (said,) = changed(field, least - 1).dangers()
        assert said == f"{name} is {(least - 1) / 1000:g} s; write {text}"


def test_times_under_a_minute_are_none_of_a_cook_or_a_hold() -> None:
    short = replace(FAHRENHEIT, shortest_cook_ms=1, planned_cook_ms=1, longest_cook_ms=59_999)
    assert short.dangers() == ["cook.longest is 59.999 s; write 1 min to 3 h"]
    brief = replace(FAHRENHEIT, hold_warning_ms=1, hold_limit_ms=59_999)
    assert brief.dangers() == ["hold.limit is 59.999 s; write 1 min to 24 h"]


@pytest.mark.parametrize(
    ("pieces", "checks", "said"),
    [
        (501, 4, "pieces_per_load is 501; write at most 500"),
        (3, 4, "checks_per_batch is 4; write at most pieces_per_load, 3"),
    ],
)
def test_a_capacity_that_no_vat_has_is_named(pieces: int, checks: int, said: str) -> None:
    assert replace(FAHRENHEIT, pieces_per_load=pieces, checks_per_batch=checks).dangers() == [said]


@pytest.mark.parametrize("unit", ["K", "C"])
def test_a_unit_that_is_not_that_of_the_limits_is_named_with_each(unit: str) -> None:
    said = replace(FAHRENHEIT, unit=unit).problems()
    assert ('unit is \'K\'; write "F" or "C"' in said) == (unit == "K")
    assert f"hold.minimum is 138 °F; write it in the procedure's one unit, {unit}" in said
    assert len(said) == 3 + 2 * len(FAHRENHEIT.parts) + (unit == "K")


@pytest.mark.parametrize(
    ("ms", "text"),
    [
        (4 * 3_600_000, "4 h"),
        (90 * MINUTE, "90 min"),
        (45_000, "45 s"),
        (61_500, "61.5 s"),
        (3_600_000, "1 h"),
        (0, "0 s"),
    ],
)
def test_a_length_of_time_as_a_procedure_has_it(ms: int, text: str) -> None:
    assert lasting(ms) == text


@pytest.mark.parametrize("change", SOUND, ids=str)
def test_a_number_at_its_limit_is_sound(change: dict[str, Any]) -> None:
    procedure = replace(FAHRENHEIT, **change)
    assert procedure.problems() == [] and procedure.dangers() == []


@pytest.mark.parametrize(("change", "said"), FAULTY, ids=str)
def test_a_number_past_its_limit_is_named(change: dict[str, Any], said: list[str]) -> None:
    assert replace(FAHRENHEIT, **change).problems() == said


@pytest.mark.parametrize(("procedure", "said"), DANGEROUS)
def test_a_limit_that_is_no_limit_of_food_is_named(procedure: Procedure, said: list[str]) -> None:
    assert procedure.problems() == [] and procedure.dangers() == said


def test_what_is_less_safe_on_purpose_says_why() -> None:
    loose = replace(CELSIUS, **thigh(CELSIUS, critical=c(57.8)), hold_minimum=c(54))
    assert len(loose.dangers()) == 2
    for why in ("", "  "):
        assert len(replace(loose, less_safe_because=why).dangers()) == 2
    assert replace(loose, less_safe_because="variance 12 of the county").dangers() == []


@pytest.mark.parametrize("bad", [{"checks_per_batch": 0}, thigh(FAHRENHEIT, critical=f(120))])
def test_a_station_goes_on_by_its_procedure_when_a_faulty_one_comes(bad: dict[str, Any]) -> None:
    k = Uneven()
    k.feed(ProcedureLoaded(k.at_ms, CELSIUS))
    k.feed(ProcedureLoaded(k.at_ms, replace(FAHRENHEIT, **bad)))
    assert k.state.world.procedure == CELSIUS


def test_parts_by_name_and_by_place() -> None:
    names = ("thigh", "breast", "leg", "wing", "neck")
    assert [FAHRENHEIT.rank(name) for name in names] == [0, 1, 2, 3, 4]
    assert [CELSIUS.rank(name) for name in names] == [2, 2, 0, 1, 2]
    assert FAHRENHEIT.part("leg") == FAHRENHEIT.parts[2] and FAHRENHEIT.part("neck") is FAHRENHEIT.part(None) is None


def test_what_a_procedure_is_that_does_not_say_more() -> None:
    first = [getattr(FAHRENHEIT, name) for name in Procedure.__slots__[:16]]
    said_least = Procedure(*first)
    rest = {name: getattr(said_least, name) for name in Procedure.__slots__[16:]}
    assert rest == {
        "ask_first": (m.DISCARD,),
        "probe_check_every_ms": None,
        "altitude_m": None,
        "polar_limit": None,
        "more_cook_ms": 3 * MINUTE,
        "raw_wait_ms": 10 * MINUTE,
        "open_wait_ms": 15 * MINUTE,
        "returned_wait_ms": 5 * MINUTE,
        "hold_by": "temperature",
        "less_safe_because": "",
        "critical_by": "reading",
        "dwell_advice": "",
        "spoken": (),
        "raw_out_ms": None,
        "lots": False,
        "breading_every_ms": None,
        "own": NO_WORDS,
    }
