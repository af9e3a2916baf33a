"""Each limit of a procedure against the published one that it stands for, and against what meat and oil can be.

FDA Food Code 2022: 3-401.11(A)(3), poultry to 165 °F (74 °C); 3-501.16(A)(1), hot holding at 135 °F (57 °C); 3-501.19,
4 h by time alone. FSIS Cooking Guideline for Meat and Poultry Products, 2021: its tables for poultry begin at 136 °F.
"""

import re
from importlib.resources import files
from pathlib import Path

import pytest

from recorder.config import ConfigError, load_procedure
from recorder.core.limits import Limit
from tests.kitchen import PROCEDURE

SHARE = files("recorder") / "share"
FAHRENHEIT, CELSIUS = ((SHARE / name).read_text("utf-8") for name in ("procedure.toml", "procedure-celsius.toml"))


def loaded(tmp_path: Path, text: str, *changes: tuple[str, str]) -> str:
    """What is wrong with the procedure once the value of each key is changed wherever it stands; "" for nothing."""
    for key, value in changes:
        text, many = re.subn(rf"^{key} = \S+( (min|h|s)\")?", f"{key} = {value}", text, flags=re.M)
        text = text if many else f"{key} = {value}\n{text}"
    file = tmp_path / "procedure.toml"
    file.write_text(text)
    try:
        load_procedure(file)
    except ConfigError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("text", [FAHRENHEIT, CELSIUS])
def test_both_shipped_procedures_can_be_used_as_they_are(tmp_path: Path, text: str) -> None:
    assert loaded(tmp_path, text) == ""


def test_the_shipped_procedures_are_of_the_same_kitchen() -> None:
    fahrenheit, celsius = (load_procedure(Path(str(SHARE / f"procedure{name}.toml"))) for name in ("", "-celsius"))
    assert {part.critical for part in celsius.parts} == {Limit(74.0, "C")}
    assert celsius.hold_minimum == Limit(57.0, "C")
    for one, other in zip(fahrenheit.parts, celsius.parts, strict=True):
        assert one.name == other.name and abs(one.target.c - other.target.c) < 0.6
    assert (celsius.hold_limit_ms, celsius.checks_per_batch) == (fahrenheit.hold_limit_ms, fahrenheit.checks_per_batch)


@pytest.mark.parametrize(
    ("text", "key", "value", "says"),
    [
        (FAHRENHEIT, "critical", "65", "poultry is never done below 136.04 °F"),
        (FAHRENHEIT, "critical", "74", "poultry is never done below 136.04 °F"),
        (CELSIUS, "critical", "165", "below its critical limit"),
        (CELSIUS, "target", "185", "no meat is above 100 °C"),
        (FAHRENHEIT, "critical", "160", "the FDA Food Code (3-401.11) asks for 165 °F"),
        (CELSIUS, "critical", "73", "the FDA Food Code (3-401.11) asks for 74 °C"),
        (FAHRENHEIT, "minimum", "57", "no food is held hot at that"),
        (FAHRENHEIT, "minimum", "130", "the FDA Food Code (3-501.16) asks for 135 °F"),
        (CELSIUS, "minimum", "135", "no food is held so hot"),
        (CELSIUS, "low", "32", "frying oil is 100 °C to 230 °C"),
        (FAHRENHEIT, "high", "3500", "frying oil is 212 °F to 446 °F"),
        (FAHRENHEIT, "open", '"5 h"', "longest_wait.open is 5 h; write 1 min to 4 h"),
        (FAHRENHEIT, "repeat", '"1 s"', "hold.repeat is 1 s; write 1 min to 2 h"),
        (FAHRENHEIT, "every", '"9999 h"', "probe_check.every is 9999 h"),
        (FAHRENHEIT, "pieces_per_load", "4000", "write at most 500"),
        (FAHRENHEIT, "checks_per_batch", "400", "write at most pieces_per_load"),
    ],
)
def test_a_limit_that_no_kitchen_has_is_refused_and_named(
    tmp_path: Path, text: str, key: str, value: str, says: str
) -> None:
    assert says in loaded(tmp_path, text, (key, value))


@pytest.mark.parametrize(("key", "value"), [("critical", "160"), ("minimum", "130")])
def test_a_limit_that_is_less_safe_needs_a_line_that_says_why(tmp_path: Path, key: str, value: str) -> None:
    assert "write less_safe_because" in loaded(tmp_path, FAHRENHEIT, (key, value))
    assert loaded(tmp_path, FAHRENHEIT, (key, value), ("less_safe_because", '"a variance"')) == ""
    assert "less_safe_because" in loaded(tmp_path, FAHRENHEIT, (key, value), ("less_safe_because", '"  "'))


def test_no_line_makes_raw_meat_done(tmp_path: Path) -> None:
    assert "never done" in loaded(tmp_path, FAHRENHEIT, ("critical", "65"), ("less_safe_because", '"because"'))


def test_a_hold_by_time_alone_is_four_hours_at_most(tmp_path: Path) -> None:
    by_time = (("by", '"time"'), ("warning", '"1 h"'))
    assert loaded(tmp_path, FAHRENHEIT, *by_time, ("limit", '"4 h"')) == ""
    assert "4 h by time alone" in loaded(tmp_path, FAHRENHEIT, *by_time, ("limit", '"5 h"'))
    assert 'hold.by is \'luck\'; write "temperature" or "time"' in loaded(tmp_path, FAHRENHEIT, ("by", '"luck"'))


def test_the_test_kitchen_is_a_kitchen() -> None:
    assert PROCEDURE.problems() == [] and PROCEDURE.dangers() == []
