"""What a needle rests in; the figures are those of NEEDLE.md."""

from dataclasses import replace
from typing import Any

import pytest

from recorder.thermal.medium import AIR, OIL, PIECE, STEAM, UNSURE, WATER, Stay, medium

MEAT = Stay(temp_c=78.0, way_c=45.0, half_s=1.5, most_s=4.0, lean=0.8, hot=False)


@pytest.mark.parametrize(
    ("how", "taken_for"),
    [
        ({}, PIECE),
        ({"half_s": 8.0, "most_s": 30.0}, PIECE),
        ({"half_s": 8.0, "most_s": 18.0}, AIR),
        ({"half_s": 20.0, "most_s": 90.0}, AIR),
        ({"way_c": 2.0, "half_s": 20.0, "most_s": 20.0}, PIECE),
        ({"temp_c": 170.0}, OIL),
        ({"temp_c": 170.0, "hot": True}, OIL),
        ({"hot": True}, UNSURE),
        ({"temp_c": 0.2, "lean": -1.0}, WATER),
        ({"temp_c": 100.0, "lean": -1.0}, WATER),
        ({"temp_c": 99.0}, WATER),
        ({"temp_c": 95.0, "lean": -0.9}, STEAM),
        ({"temp_c": 95.0}, PIECE),
        ({"temp_c": 78.0, "lean": -1.0}, PIECE),
        ({"temp_c": 105.0}, WATER),
        ({"temp_c": 105.01}, OIL),
        ({"temp_c": 97.0}, WATER),
        ({"temp_c": 96.99}, PIECE),
        ({"temp_c": 93.0, "lean": -0.5}, STEAM),
        ({"temp_c": 93.0, "lean": -0.49}, PIECE),
        ({"temp_c": 92.99, "lean": -1.0}, PIECE),
        ({"temp_c": 1.0}, WATER),
        ({"temp_c": -1.0}, WATER),
        ({"temp_c": 1.01}, PIECE),
        ({"temp_c": -1.01}, PIECE),
        ({"half_s": 5.5, "most_s": 5.5}, PIECE),
        ({"half_s": 5.51, "most_s": 15.4}, AIR),
        ({"half_s": 10.0, "most_s": 28.0}, PIECE),
        ({"half_s": 10.0, "most_s": 27.9}, AIR),
        ({"half_s": 10.01, "most_s": 99.0}, AIR),
        ({"way_c": 3.0, "half_s": 20.0}, AIR),
        ({"way_c": 2.99, "half_s": 20.0}, PIECE),
    ],
)
def test_what_it_is_taken_for(how: dict[str, Any], taken_for: str) -> None:
    """A fluid at the heat of food is a piece: a hot crust makes a needle come just like that."""
    assert medium(replace(MEAT, **how)) == taken_for


def test_of_a_piece_nothing_is_said() -> None:
    """Whoever reads a rest asks whether there is a word; records have none for a piece, and these for the others."""
    assert not medium(MEAT)
    assert (AIR, STEAM, OIL, WATER, UNSURE) == ("air", "steam", "oil", "water", "unsure")
