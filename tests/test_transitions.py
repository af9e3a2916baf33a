"""The table of transitions: DEVELOPERS.md draws it, and the station does what it says.

RECORDER_REWRITE=1 draws it again.
"""

import os
from pathlib import Path

import pytest

from recorder.core import meanings as m
from recorder.core.batch import Stage
from recorder.core.events import RULES, Started
from recorder.core.subjects import COMMANDS, SUBJECTS
from recorder.core.transitions import OPEN, TRANSITIONS
from tests.kitchen import MINUTE, Kitchen

DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"
BEGIN, END = "```mermaid\nstateDiagram-v2\n", "```\n"

SLOTS: dict[str, dict[str, object]] = {
    m.LOAD: {"part": "wing", "count": 3},
    m.PROBE: {"part": "thigh"},
    m.READING: {"number": 190.0},
    m.DROPPED: {"count": 12},
    m.MOVED: {"cabinet": 1},
}


def diagram() -> str:
    """The table as a Mermaid state diagram: an arrow for each way between two stages, with the words that take it."""
    arrows: dict[tuple[str, str], list[str]] = {}
    for meaning, transition in TRANSITIONS.items():
        groups = ((transition.stages, ""), (transition.otherwise, transition.otherwise_as))
        starts = [("[*]", "")] if not transition.stages else [(stage, more) for some, more in groups for stage in some]
        for start, more in starts:
            notes = ", ".join(filter(None, (transition.when, more)))
            label = f"{meaning} ({notes})" if notes else meaning
            arrows.setdefault((start, transition.to or start), []).append(label)
    lines = [f"    {start} --> {to}: {', '.join(labels)}\n" for (start, to), labels in arrows.items()]
    return "".join([*lines, f"    {Stage.CLOSED} --> [*]\n"])


def test_the_handbook_draws_the_table() -> None:
    text = DEVELOPERS.read_text("utf-8")
    before, _, rest = text.partition(BEGIN)
    drawn, _, after = rest.partition(END)
    if os.environ.get("RECORDER_REWRITE"):
        DEVELOPERS.write_text(f"{before}{BEGIN}{diagram()}{END}{after}", "utf-8")
    else:
        assert drawn == diagram(), "RECORDER_REWRITE=1 draws it again"


def in_stage(stage: Stage) -> Kitchen:
    """A kitchen with one batch of twelve thighs, in this stage."""
    k = Kitchen()
    k.feed(Started(k.at_ms, "boot-1", True, "test", "line-1", (1,), RULES, cabinets=(1,)))
    k.say(m.SHIFT_START, cook=4)
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=12)
    if stage is Stage.LOADING:
        return k
    k.say(m.LID_LOCKED)
    if stage is Stage.COOKING:
        return k
    k.wait(13 * MINUTE)
    k.say(m.LID_OPEN)
    if stage is Stage.RETURNED:
        k.say(m.COOK_MORE)
    if stage is Stage.HOLDING:
        for _ in range(4):
            k.check("thigh", 190)
        k.say(m.HOLD_START)
    return k


@pytest.mark.parametrize("stage", OPEN)
@pytest.mark.parametrize("meaning", [meaning for meaning in TRANSITIONS if meaning != m.BATCH_START])
def test_a_command_does_in_each_stage_what_the_table_says(meaning: str, stage: Stage) -> None:
    k, transition = in_stage(stage), TRANSITIONS[meaning]
    (batch,) = k.state.world.batches
    assert batch.stage is stage
    said = k.say(meaning, **SLOTS.get(meaning, {}))
    allowed = stage in (*transition.stages, *transition.otherwise)
    assert said.startswith("Refused") is not allowed, said
    if k.state.world.question:
        k.say(m.CONFIRM)
    after = k.state.world.batch(batch.id)
    assert after.stage is ((transition.to or stage) if allowed else stage)


def test_a_batch_starts_where_the_table_says() -> None:
    k = Kitchen()
    k.say(m.SHIFT_START, cook=4)
    k.say(m.BATCH_START)
    (batch,) = k.state.world.batches
    assert batch.stage is TRANSITIONS[m.BATCH_START].to


def test_each_command_is_of_one_subject_and_each_sentence_of_some() -> None:
    assert sum(len(subject.commands) for subject in SUBJECTS) == len(COMMANDS)
    assert set(COMMANDS) | {m.CONFIRM, m.SCRATCH} == set(m.ALL)
    assert set(TRANSITIONS) <= set(COMMANDS)
