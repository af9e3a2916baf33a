"""All sentences that the station can say, show or send, in one list: read it, and look for orders that could hurt.

A fryer's lid may be under pressure, and its oil is hot. No sentence tells anybody to open, release, load or reach; each
says how things stand. The list is tests/sentences.txt; a change of it is a change of what a cook hears.
"""

import ast
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

from recorder.commands.prompt_remarks import HANDS
from recorder.core.meant import STANDS
from recorder.voice.language.card_texts import CAUTIONS, DOES
from tests.kitchen import MINUTE, Kitchen

CORE = Path(str(files("recorder") / "core"))
LISTED = Path(__file__).with_name("sentences.txt")

ORDER = re.compile(
    r"(?:^|[.;:!?,] |\b(?:or|and|then|please|first|must|should|to) )"
    rf"(?:{'|'.join(HANDS)})\b(?! alerts?)",
    re.IGNORECASE,
)


def sentences() -> list[str]:
    """Every text in the core that has two words or more, with {} for what is filled in."""
    found = set()
    for file in sorted([*CORE.glob("*.py"), *CORE.glob("subjects/*.py")]):
        tree = ast.parse(file.read_text("utf-8"))
        docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        inside = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
        for node in ast.walk(tree):
            if id(node) in docs or id(node) in inside:
                continue
            text = "".join(_parts(node))
            if re.search(r"[a-z}] [a-z{]", text):
                found.add(text)
    return sorted(found)


def _parts(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.JoinedStr):
        for part in node.values:
            yield "".join(_parts(part)) if isinstance(part, ast.Constant) else "{}"


def test_the_list_is_what_the_station_can_say() -> None:
    assert sentences() == LISTED.read_text("utf-8").splitlines(), "read tests/sentences.txt again after a change"


@pytest.mark.parametrize("text", [*sentences(), *STANDS.values(), *DOES.values(), *CAUTIONS])
def test_no_sentence_orders_what_could_hurt(text: str) -> None:
    assert not ORDER.search(text.replace("a lid is opened at zero pressure alone", ""))


@pytest.mark.parametrize("order", ["Open its lid first.", "Batch 1 waits; open it.", "Lock it, then load the rest."])
def test_an_order_would_be_found(order: str) -> None:
    assert ORDER.search(order)


@pytest.mark.parametrize("meaning", ["probe", "hold start", "cook more", "hold end", "reading", "lid locked"])
def test_a_locked_vat_is_only_said_to_be_cooking(meaning: str) -> None:
    kitchen = Kitchen()
    kitchen.say("shift start", cook=4)
    kitchen.say("batch start")
    kitchen.say("load", part="thigh", count=12)
    kitchen.say("lid locked")
    assert kitchen.say(meaning, part="thigh", number=150.0) == "Refused: batch 1 is still cooking."


def test_the_alert_that_sends_somebody_to_a_locked_vat_speaks_of_pressure() -> None:
    kitchen = Kitchen()
    kitchen.say("shift start", cook=4)
    kitchen.say("batch start")
    kitchen.say("load", part="thigh", count=12)
    kitchen.say("lid locked")
    kitchen.wait(16 * MINUTE)
    (text,) = [str(row["text"]) for row in kitchen.rows("alerts") if row["kind"] == "cook overdue"]
    assert "under pressure: the maker's instructions come first" in text and "licensed people" in text


def test_the_card_has_each_caution_beside_its_act() -> None:
    assert "zero pressure" in DOES["lid open"] and "maker" in DOES["lid open"]
    for meaning in ("oil filtered", "oil changed", "oil topped up"):
        assert "hot oil burns" in DOES[meaning]
    assert "steam" in DOES["boiling point"] and "steam" in DOES["probe"]
    assert any("licensed people" in each and "relief valve" in each and "gas" in each for each in CAUTIONS)
