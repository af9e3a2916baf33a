"""Several cooks at one station: who is signed on, whose turn it is, and to whom open batches go."""

import pytest

from recorder.core import meanings as m
from tests.kitchen import MINUTE, Kitchen


def two(rules: int = 7) -> Kitchen:
    k = Kitchen((1, 2), rules=rules)
    k.say(m.SHIFT_START, cook=1)
    k.say(m.SHIFT_START, cook=2)
    return k


def cooks(k: Kitchen, *meanings: str) -> list[int | None]:
    """Whose turn it was at the commands of these meanings."""
    return [row.get("cook") for row in k.rows("commands") if row["meaning"] in meanings]


@pytest.mark.parametrize(
    ("rules", "answer"),
    [
        (6, "Refused: the shift of cook 1 is open; say shift end first."),
        (7, "Shift started, cook 2. Signed on too: cook 1."),
    ],
)
def test_a_second_cook_signs_on_beside_the_first(rules: int, answer: str) -> None:
    k = Kitchen(rules=rules)
    k.say(m.SHIFT_START, cook=1)
    assert k.say(m.SHIFT_START, cook=2) == answer


def test_each_command_has_its_cook_and_what_it_makes_has_its_id() -> None:
    k = two()
    k.say(m.BATCH_START, vat=1)
    assert k.say(m.THIS_IS_COOK, cook=1) == "Cook 1."
    k.say(m.LOAD, part="thigh", count=4, vat=1)
    k.say(m.LID_LOCKED, vat=1)
    k.say(m.THIS_IS_COOK, cook=2)
    k.say("nonsense")
    assert cooks(k, m.BATCH_START, m.LOAD, m.LID_LOCKED, "nonsense") == [2, 1, 1, 2]
    by_id = {row["id"]: row["cook"] for row in k.rows("commands")}
    assert [by_id[row["id"]] for table in ("loads", "fryings") for row in k.rows(table)] == [1, 1]
    k.say(m.SCRATCH)
    assert cooks(k, m.SCRATCH) == [2]


def test_by_rules_6_a_command_has_no_cook_of_its_own() -> None:
    k = Kitchen(rules=6)
    k.say(m.SHIFT_START, cook=1)
    assert cooks(k, m.SHIFT_START) == [None]


def test_numbers_go_on_while_anybody_is_signed_on() -> None:
    k = two()
    assert k.say(m.BATCH_START, vat=1).startswith("Batch 1,")
    k.say(m.SHIFT_START, cook=3)
    assert k.say(m.BATCH_START, vat=2).startswith("Batch 2,")


def test_who_is_not_signed_on_has_no_turn() -> None:
    k = two()
    assert k.say(m.SHIFT_START, cook=1).startswith("Refused: cook 1 is signed on already.")
    assert k.say(m.THIS_IS_COOK, cook=3) == "Refused: cook 3 is not signed on; say shift start first."
    assert k.say(m.THIS_IS_COOK) == "Refused: say the cook's number."
    assert k.say(m.SHIFT_END, cook=3) == "Refused: cook 3 is not signed on; say shift start first."
    assert k.say(m.SHIFT_END) == "Refused: say which cook: 1 or 2."
    k.say(m.SHIFT_END, cook=1)
    k.say(m.SHIFT_END)
    assert k.say(m.THIS_IS_COOK, cook=2) == "Refused: cook 2 is not signed on; say shift start first."


def test_what_is_open_goes_to_the_cook_who_stays() -> None:
    k = two()
    k.say(m.BATCH_START, vat=1)
    k.say(m.THIS_IS_COOK, cook=1)
    k.say(m.BATCH_START, vat=2)
    assert k.say(m.SHIFT_END, cook=2) == "Shift ended, cook 2. Batch 1 loading: with cook 1 now. Signed on: cook 1."
    one, other = k.rows("shifts")
    assert (other["cook"], other["left_open"], other["handed_to"]) == (2, "batch 1 loading", 1)
    assert one["ended_ms"] is None and "handed_to" not in one
    assert k.say(m.STATUS).startswith("Shift of cook 1. Batch 1 loading")
    assert k.say(m.SHIFT_END) == "Shift ended, cook 1. Still open: batch 1 loading, batch 2 loading."


def test_who_leaves_with_nothing_open_hands_nothing_over() -> None:
    k = two()
    assert k.say(m.STATUS).startswith("Shift of cook 2. Signed on too: 1.")
    assert k.say(m.SHIFT_END, cook=1) == "Shift ended, cook 1. Signed on: cook 2."
    assert "handed_to" not in k.rows("shifts")[0] and k.state.world.cook == 2
    assert k.state.world.crew[0].ended_ms is not None
    k.wait(MINUTE)
    k.say(m.STATUS)
    assert k.state.world.crew == ()


def test_the_turn_passes_to_the_last_who_signed_on_when_its_cook_leaves() -> None:
    k = two()
    k.say(m.SHIFT_START, cook=3)
    assert k.say(m.SHIFT_END, cook=3) == "Shift ended, cook 3. Signed on: cooks 1 and 2."
    assert k.state.world.cook == 2


def test_words_that_are_struck_give_the_turn_back() -> None:
    k = two()
    k.say(m.THIS_IS_COOK, cook=1)
    assert k.say(m.SCRATCH) == "Struck: this is cook."
    assert k.state.world.cook == 2
    k.say(m.SHIFT_END, cook=1)
    k.say(m.SCRATCH)
    assert [each.cook for each in k.state.world.signed_on] == [1, 2]
    assert [row["ended_ms"] for row in k.rows("shifts")] == [None, None]
