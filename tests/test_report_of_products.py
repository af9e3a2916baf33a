"""The report of a day with several products, cabinets and cooks."""

from dataclasses import replace
from pathlib import Path

import pytest

from recorder.core import meanings as m
from recorder.core.events import ProcedureLoaded, Started
from recorder.core.procedure import BY_TIME, Part
from tests.kitchen import MINUTE, PROCEDURE, Kitchen, fahrenheit
from tests.reported import recorded, report_of

FISH = replace(
    PROCEDURE,
    product="battered fish",
    spoken=("fish",),
    parts=(Part("fish", fahrenheit(150), fahrenheit(145), food="fish", critical_for_ms=15_000),),
    checks_per_batch=1,
    hold_by=BY_TIME,
)


@pytest.fixture(scope="module")
def text(tmp_path_factory: pytest.TempPathFactory) -> str:
    path: Path = tmp_path_factory.mktemp("products")
    return report_of(recorded(day(), path / "r.db"))


def day() -> Kitchen:
    """Bone-in pieces in cabinet 2 and fish, by two cooks; after a second shift's start batches begin again with 1."""
    k = Kitchen((1, 2), at_ms=1_772_100_000_000)
    k.feed(Started(k.at_ms, "boot-1", True, "test", "line-1", (1, 2), 7, cabinets=(1, 2)))
    k.feed(ProcedureLoaded(k.at_ms, PROCEDURE, (FISH,)))
    k.say(m.SHIFT_START, cook=1)
    k.say(m.SHIFT_START, cook=2)
    for vat, product, part in ((1, None, "thigh"), (2, "battered fish", "fish")):
        k.say(m.BATCH_START, product=product, vat=vat)
        k.say(m.LOAD, part=part, count=4, vat=vat)
        k.say(m.LID_LOCKED, vat=vat)
    k.wait(12 * MINUTE + 30_000)
    for vat, part, times in ((1, "thigh", 4), (2, "fish", 1)):
        k.say(m.LID_OPEN, vat=vat)
        for _ in range(times):
            k.check(part, 185, vat=vat)
            k.wait(61_000)
    k.say(m.HOLD_START, batch=1, cabinet=2)
    for value in (150, 141.26, 148):
        k.read("cabinet2", value)
        k.wait(30_000)
    k.say(m.SHIFT_END, cook=2)
    k.say(m.SOLD, batch=1)
    k.say(m.DISCARD, batch=2)
    k.say(m.CONFIRM)
    k.say(m.SHIFT_END)
    k.say(m.SHIFT_START, cook=3)
    k.say(m.BATCH_START, vat=1)
    return k


@pytest.mark.parametrize(
    "said",
    [
        "in cabinet 2, the cabinet at 141.2 °F or above",
        "Left open: batch 1 holding, batch 2 checking; cook 1 went on.",
        "Batch 2, vat 2, battered fish: discarded",
        "fish, critical limit 145 °F for 15 s FDA Food Code 2022, 3-401.11(A)(1): 145 °F for 15 s or 165 °F",
        "battered fish hold by time 1 h FDA Food Code 2022, 3-501.19: 4 h",
        "breaded bone-in chicken thigh, critical limit 165 °F FDA Food Code 2022, 3-401.11(A)(3): 165 °F",
        "breaded bone-in chicken hold minimum 135 °F FDA Food Code 2022, 3-501.16(A)(1): 135 °F",
        "breaded bone-in chicken hold limit 1 h the kitchen's own, of quality",
    ],
)
def test_it_says(text: str, said: str) -> None:
    assert said in text


def test_no_two_batches_of_a_day_have_one_name(text: str) -> None:
    assert "Batch 1 of 10:00, vat 1" in text and "Batch 1 of 10:2" in text
