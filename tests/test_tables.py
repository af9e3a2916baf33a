"""The one builder of dataclasses: each misfit names the key, with the tables around it, and the remedy."""

import math
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import pytest

from recorder.misfits import MisfitError
from recorder.tables import build, plain


class Colour(StrEnum):
    GREY = "grey"
    GREEN = "green"


def even(value: Any) -> int:
    if type(value) is not int or value % 2:
        raise MisfitError(f"is {value!r}; write an even number")
    return value


@dataclass(frozen=True, slots=True)
class Egg:
    weight_g: float
    spots: int = 0

    def __post_init__(self) -> None:
        if self.weight_g <= 0:
            raise ValueError(f"weight_g is {self.weight_g:g}; write more than 0")


@dataclass(frozen=True, slots=True)
class Nest:
    bird: str
    egg: tuple[Egg, ...] = ()
    best: Egg | None = None
    place: tuple[int, str] = (0, "")
    colour: Colour = Colour.GREY
    file: Path | None = None
    notes: dict[str, int] | None = None
    height_m: int | float = 0
    feathers: Annotated[int, even] = 0
    mates: tuple[str, ...] = ()


def test_a_table_becomes_its_dataclass_all_the_way_down_and_back() -> None:
    table: dict[str, Any] = {
        "bird": "parrot",
        "egg": [{"weight_g": 8, "spots": 3}],
        "best": {"weight_g": 9.5},
        "place": [3, "oak"],
        "colour": "green",
        "file": "a/b",
        "notes": {"visits": 2},
        "height_m": 4.5,
        "feathers": 12,
        "mates": ["Jo"],
    }
    nest = build(Nest, table)
    best = Egg(9.5)
    expected = Nest(
        "parrot", (Egg(8.0, 3),), best, (3, "oak"), Colour.GREEN, Path("a/b"), {"visits": 2}, 4.5, 12, ("Jo",)
    )
    assert nest == expected
    assert type(nest.egg[0].weight_g) is float
    assert build(Nest, plain(nest)) == nest


@pytest.mark.parametrize(
    ("table", "complaint"),
    [
        ({}, "bird is missing"),
        ({"bird": 3}, "bird is 3; it must be text in quotes"),
        ({"wings": 2}, "wings is not known here; remove it; keys here: bird, egg, best, place"),
        ({"best": {"weight": 2}}, r"best.weight is not known here; did you mean weight_g\?"),
        ({"best": {}}, "best.weight_g is missing"),
        ({"best": {"weight_g": -1}}, "best: weight_g is -1; write more than 0"),
        ({"best": 3}, r"best is 3; it must be a table, \[its name\] and its lines under it"),
        ({"best": {"weight_g": True}}, "best.weight_g is True; it must be a number"),
        ({"best": {"weight_g": math.nan}}, "best.weight_g is nan; it must be a finite number"),
        ({"best": {"weight_g": 10**400}}, "best.weight_g is too large"),
        ({"egg": {"weight_g": 1}}, r"egg needs double brackets around its name, \[\[ \]\], since"),
        ({"egg": [{"weight_g": "8"}]}, "egg.weight_g is '8'; it must be a number"),
        ({"egg": [7]}, "egg has an entry that is 7; it must be a table"),
        ({"egg": 7}, "egg is 7; it must be a list"),
        ({"mates": ["Jo", 7]}, "mates has an entry that is 7; it must be text in quotes"),
        ({"mates": "Jo"}, "mates is 'Jo'; it must be a list"),
        ({"place": [1]}, r"place is \[1\]; it must be a list of 2"),
        ({"colour": "red"}, "colour is 'red'; it must be one of grey, green"),
        ({"file": 3}, "file is 3; it must be text in quotes"),
        ({"notes": {"visits": "2"}}, "notes.visits is '2'; it must be a whole number"),
        ({"notes": 3}, "notes is 3; it must be a table"),
        ({"height_m": "high"}, "height_m is 'high'; it must be a whole number"),
        ({"feathers": 3}, "feathers is 3; write an even number"),
    ],
)
def test_what_does_not_fit_is_named_with_the_remedy(table: dict[str, Any], complaint: str) -> None:
    bird: dict[str, Any] = {"bird": "parrot"} if table else {}
    with pytest.raises(MisfitError, match=f"^{complaint}"):
        build(Nest, bird | table)
