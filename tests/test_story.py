"""Long stories of the uneven kitchen, line by line: each answer, each row as it changes, each alert.

The lists are tests/replays/story-*.txt, to be read by a person; RECORDER_REWRITE=1 writes them again. They hold what
no single test asks about: that a row has all of its columns, a struck one too, and that an answer has its numbers.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recorder.core import meanings as m
from recorder.core.effects import Cue, Record, Tone
from recorder.core.events import (
    Acknowledged,
    ClockStepped,
    EarBack,
    EarClear,
    EarLost,
    EarTrouble,
    Heard,
    Intent,
    LinkDown,
    LinkUp,
    ProbeBack,
    ProbeCharge,
    ProbeLost,
    ProcedureLoaded,
    RecordsSetAside,
    Seen,
    Signed,
    SpaceBack,
    SpaceLow,
    Started,
    Stopped,
    Unheard,
)
from tests.kitchen import MINUTE
from tests.uneven import CELSIUS, FAHRENHEIT, TIMED, Uneven, same_as_kept, told

FOLDER = Path(__file__).parent / "replays"

Story = Callable[[Uneven], None]


def ask(k: Uneven) -> None:
    """Every question there is."""
    k.say(m.STATUS)
    k.say(m.TIME_LEFT)
    for vat in (1, 2):
        k.say(m.TIME_LEFT, vat=vat)
    k.say(m.LAST_READING)


def a_good_shift(k: Uneven) -> None:
    """Two batches side by side from the load to the sale, by two procedures."""
    ask(k)
    k.say(m.ICE_POINT)
    k.dip(32.6, uncertainty_c=0.11)
    k.say(m.OIL_FILTERED, vat=1)
    k.say(m.OIL_LEVEL_OK, vat=2)
    k.begin(1, pieces=11, oil=340)
    k.begin(2, pieces=8, oil=331)
    ask(k)
    k.say(m.LID_LOCKED, vat=1)
    k.say(m.LID_LOCKED, vat=2)
    for value in (318, 322, 326, 331):
        k.wait(40_000)
        for vat in (1, 2):
            k.read(f"vat{vat}", value + vat)
    ask(k)
    k.wait(6 * MINUTE)
    k.say(m.LID_OPEN, vat=2)
    for part, value in (("leg", 190), ("wing", 182)):
        k.measure(part, value, 2, uncertainty_c=0.2, settle_ms=9_100)
    k.say(m.HOLD_START, vat=2)
    k.wait(4 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    for part, value in (("leg", 183), ("wing", 179), ("leg", 188)):
        k.measure(part, value, 1, uncertainty_c=0.3, settle_ms=8_200)
    ask(k)
    k.say(m.HOLD_START)
    k.read("cabinet", 151)
    ask(k)
    k.wait(20 * MINUTE)
    k.sell(1, 7)
    k.say(m.DROPPED, batch=1, count=1)
    k.say(m.DISCARD, batch=2, count=3)
    k.sell(2)
    k.sell(1)
    k.say(m.OIL_FILTERED, vat=1)
    k.say(m.OIL_TOPPED_UP, vat=2)
    k.say(m.OIL_CHANGED, vat=1)
    k.say(m.OIL_POLAR, vat=2, percent=12.5)
    ask(k)
    k.feed(Signed(k.at_ms, "2026-02-26", "JD", "all well"))
    k.say(m.SHIFT_END)
    k.say(m.CONFIRM)


def what_goes_wrong(k: Uneven) -> None:
    """Checks that miss, corrections, cold holding, late words, a failed probe, and sales in spite of all."""
    k.begin(1, pieces=30, oil=365, parts=("wing", "leg"))
    k.wait(10 * MINUTE)
    k.say(m.LID_LOCKED, vat=1)
    k.say(m.LOAD, part="thigh", count=9, vat=1)
    k.wait(8 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.check("wing", 171, vat=1)
    k.check("leg", 150, vat=1)
    k.check("breast", 190, vat=1)
    k.say(m.READING, number=184.0, vat=1)
    k.say(m.COOK_MORE, vat=1)
    k.wait(4 * MINUTE)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(MINUTE)
    ask(k)
    k.wait(8 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    for part, value in (("thigh", 186), ("leg", 184), ("wing", 181)):
        k.check(part, value, vat=1)
    k.dip(179, colder=True)
    k.wait(14 * MINUTE)
    k.say(m.HOLD_START, vat=1)
    k.begin(2)
    k.fry(2, 5)
    k.say(m.READING, number=85.0, vat=2)
    k.say(m.PROBE, part="wing", vat=2)
    k.wait(50_000)
    k.say(m.HOLD_START, vat=2)
    k.say(m.CONFIRM)
    for value in (139, 137, 136, 140, 142, 143, 144, 143, 145, 144, 146, 145, 144, 144, 143):
        k.read("cabinet", value)
        k.wait(35_000)
    k.check("wing", 130, batch=2)
    k.check("wing", 150, batch=1)
    k.say(m.ICE_POINT)
    k.dip(36, uncertainty_c=0.1)
    k.say(m.SPARE_ICE, ice=0.4)
    k.say(m.READING, number=84.5, batch=2)
    k.feed(Acknowledged(k.at_ms, k.state.world.alerts[0].id, "JD"))
    k.feed(Seen(k.at_ms, k.state.world.alerts[1].id, "office phone"))
    ask(k)
    k.say(m.COOK_MORE, batch=2)
    k.wait(3 * MINUTE)
    k.say(m.LID_LOCKED, vat=2)
    k.wait(12 * MINUTE)
    k.say(m.LID_OPEN, vat=2)
    k.wait(2 * 60 * MINUTE)
    k.say(m.SOLD, batch=1, count=12)
    k.say(m.CONFIRM)
    k.discard(2)
    k.sell(1)
    k.say(m.BOILING_POINT)
    k.dip(40)
    k.dip(202, uncertainty_c=0.2)
    k.feed(Signed(k.at_ms, "2026-02-26", "JD", ""))
    k.feed(Signed(k.at_ms, "2026-02-26", "JD", "held too long, see the alerts"))
    k.say(m.SHIFT_END)
    k.say(m.CONFIRM)


def what_is_taken_back(k: Uneven) -> None:
    """A command of each kind, struck; readings, which are only disputed."""

    def struck(meaning: str, **slots: object) -> None:
        k.say(meaning, **slots)
        k.wait(2_000)
        k.say(m.SCRATCH)

    k.say(m.SCRATCH)
    k.say(m.SHIFT_START, cook=5)
    struck(m.OIL_LEVEL_LOW, vat=1)
    struck(m.OIL_FILTERED, vat=1)
    struck(m.OIL_POLAR, vat=2, percent=30.0)
    k.feed(ProcedureLoaded(k.at_ms, FAHRENHEIT))
    k.read("vat1", 300)
    struck(m.BATCH_START, vat=1)
    k.begin(1, oil=300)
    struck(m.LOAD, part="thigh", count=4, vat=1)
    struck(m.LID_LOCKED, vat=1)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(3 * MINUTE)
    struck(m.LID_OPEN, vat=1)
    k.wait(10 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    struck(m.PROBE, part="leg", vat=1)
    k.check("leg", 120, vat=1)
    k.say(m.SCRATCH)
    k.say(m.SCRATCH)
    struck(m.COOK_MORE, vat=1)
    k.say(m.COOK_MORE, vat=1)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(2 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.prove(1)
    k.say(m.HOLD_START, vat=1)
    k.wait(MINUTE)
    k.say(m.SCRATCH)
    k.wait(MINUTE)
    k.say(m.HOLD_START, vat=1)
    struck(m.SOLD, batch=1, count=2)
    struck(m.DROPPED, batch=1, count=2)
    k.say(m.DISCARD, batch=1, count=3)
    struck(m.CONFIRM)
    struck(m.SOLD, batch=1)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.say(m.SCRATCH)
    k.say(m.ICE_POINT)
    k.say(m.SCRATCH)
    k.say(m.SPARE_ICE, ice=32.5)
    k.say(m.SCRATCH)
    k.say(m.SHIFT_END)
    k.say(m.CONFIRM)
    k.say(m.SCRATCH)


def words_that_fit_nothing(k: Uneven) -> None:
    """Each command where it makes no sense: the answer says why."""
    meanings = [*m.ALL, "nonsense"]

    def all_of_them(**slots: object) -> None:
        for meaning in meanings:
            if meaning not in (m.SHIFT_START, m.SHIFT_END, m.SCRATCH):
                k.say(meaning, **slots)

    k.say(m.SHIFT_START, cook=2)
    k.say(m.SHIFT_END, cook=9)
    k.say(m.SHIFT_START)
    k.say(m.BATCH_START, vat=1)
    k.say(m.LID_LOCKED)
    k.say(m.LID_OPEN)
    k.discard(1)
    all_of_them()
    all_of_them(vat=3)
    all_of_them(batch=7)
    k.begin(1)
    k.say(m.BATCH_START, vat=1)
    k.say(m.LOAD, part="neck", count=2, vat=1)
    k.say(m.LOAD, part="leg", count=0, vat=1)
    k.say(m.LOAD, vat=1)
    k.say(m.LOAD, part="leg", count=30, vat=1)
    for meaning in (m.PROBE, m.READING, m.COOK_MORE, m.HOLD_START, m.SOLD, m.LID_OPEN):
        k.say(meaning, part="leg", number=150.0)
    k.say(m.CONFIRM)
    k.begin(2)
    k.say(m.BATCH_START)
    for meaning in (m.LOAD, m.LID_LOCKED, m.DISCARD, m.DROPPED):
        k.say(meaning, part="leg", count=2)
    k.fry(2)
    for meaning in (m.PROBE, m.READING, m.COOK_MORE, m.HOLD_START):
        k.say(meaning, part="leg", number=150.0)
    for number in (20.0, 213.0, -5.0):
        k.say(m.READING, number=number, vat=1)
    k.say(m.PROBE, part="neck", vat=1)
    k.say(m.PROBE, part="leg", vat=1)
    k.dip(340.7)
    k.read("needle", 341, settled=True, spot=k.spot)
    k.say(m.PROBE, part="thigh", vat=1)
    k.say(m.PROBE, part="leg", vat=2)
    k.prove(1)
    k.prove(2)
    k.say(m.HOLD_START, vat=1)
    k.say(m.HOLD_START, vat=2)
    for meaning in (m.SOLD, m.HOLD_END, m.COOK_MORE, m.PROBE):
        k.say(meaning, part="leg")
    k.say(m.SOLD, batch=2, count=0)
    k.say(m.SOLD, batch=2, count=100)
    k.say(m.DROPPED, batch=2)
    k.say(m.DROPPED, batch=2, count=28)
    k.say(m.DROPPED, batch=1, count=99)
    k.say(m.DISCARD, batch=1, count=99)
    k.say(m.DISCARD, batch=1)
    k.wait(21_000)
    k.say(m.CONFIRM)
    k.say(m.OIL_POLAR, vat=1)
    k.say(m.OIL_POLAR, vat=1, percent=101.0)
    k.say(m.SPARE_ICE)
    k.say(m.SPARE_ICE, ice=40.0)
    k.feed(ProcedureLoaded(k.at_ms, replace(FAHRENHEIT, altitude_m=None)))
    k.say(m.BOILING_POINT)
    k.wait(1_000)
    k.feed(Unheard(k.at_ms, "lid", "not sure enough", "test", "name", -31.5))
    for best, other in (
        (Intent(m.LID_OPEN), Intent(m.DROPPED, batch=1, count=1)),
        (Intent(m.DROPPED, batch=1, count=1), Intent(m.SOLD, batch=1)),
        (Intent(m.LID_OPEN), Intent(m.CONFIRM)),
        (Intent(m.SCRATCH), Intent(m.LID_OPEN)),
    ):
        k.hear(best, other)


def what_befalls_the_station(k: Uneven) -> None:
    """Probes, ear, link, disk, clock and power, in the middle of work."""
    k.hold(1)
    k.begin(2)
    k.say(m.LID_LOCKED, vat=2)
    for channel in ("vat1", "vat2"):
        k.feed(ProbeLost(k.at_ms, channel, "unplugged"))
        k.wait(4_000)
    k.feed(ProbeLost(k.at_ms, "cabinet", "unplugged"))
    k.feed(ProbeLost(k.at_ms, "needle", "open circuit"))
    k.feed(ProbeCharge(k.at_ms, "needle", 20))
    k.say(m.SPARE_ICE, ice=31.0)
    k.say(m.READING, number=186.0, batch=1)
    k.feed(ProbeBack(k.at_ms, "vat1"))
    k.read("vat2", 340)
    k.wait(29_000)
    k.feed(ProbeLost(k.at_ms, "vat1", "unplugged"))
    k.feed(ProbeBack(k.at_ms, "vat1"))
    k.read("needle", 90)
    k.wait(MINUTE)
    k.feed(EarTrouble(k.at_ms, "silent"))
    k.feed(EarTrouble(k.at_ms, "silent"))
    k.feed(EarClear(k.at_ms))
    k.feed(EarTrouble(k.at_ms, "clipping"))
    k.feed(EarLost(k.at_ms, "busy"))
    k.feed(EarTrouble(k.at_ms, "offset"))
    k.feed(EarBack(k.at_ms))
    k.feed(EarClear(k.at_ms))
    k.feed(LinkDown(k.at_ms, "refused"))
    k.feed(LinkUp(k.at_ms))
    k.feed(SpaceLow(k.at_ms, 90, 200))
    k.feed(SpaceLow(k.at_ms, 80, 200))
    k.feed(SpaceBack(k.at_ms, 900))
    k.feed(Started(k.at_ms, "boot-1", False, "0.2", "line-1", (1, 2), k.state.world.rules))
    k.feed(Started(k.at_ms, "boot-1", False, "0.2", "line-1", (1, 2), k.state.world.rules))
    k.feed(ClockStepped(k.at_ms, 60_000, True))
    k.restart(3 * MINUTE, True)
    k.feed(RecordsSetAside(k.at_ms, "records.db.damaged-1", "malformed"))
    k.feed(Acknowledged(k.at_ms, k.open_of("records damaged")[0].id, "MK"))
    k.wait(2 * MINUTE)
    k.restart(7 * MINUTE, False)
    ask(k)
    k.say(m.LID_OPEN, vat=2)
    k.restart(MINUTE, False)
    k.prove(2)
    k.say(m.HOLD_START, vat=2)
    k.sell(k.number(2))
    k.wait(3 * 60 * MINUTE)
    k.feed(Stopped(k.at_ms))


def batches_that_tell_of_the_next(k: Uneven) -> None:
    """Twelve batches: bounds, a drift, oil that recovers slower, care of the oil, numbers that begin again."""
    k.of[2] = TIMED
    for number in range(31):
        vat = 1 + (number % 5 == 4)
        k.begin(vat, oil=338 + number % 3)
        k.say(m.LID_LOCKED, vat=vat)
        for at, value in enumerate((316, 321, 329)):
            k.wait((30 + number % 4 + (60 if number > 24 else 0)) * 1000)
            k.read(f"vat{vat}", value + at * 0.3)
        k.wait(6 * MINUTE)
        k.say(m.LID_OPEN, vat=vat)
        colder = 6 if number > 24 else 0
        for part, value in (("leg", 192), ("wing", 189), ("leg", 191)):
            k.measure(part, value - colder + number % 3 * 0.7, vat, uncertainty_c=0.2)
        k.say(m.HOLD_START, vat=vat)
        k.sell(k.number(vat))
        if number in (7, 19):
            k.say(m.OIL_FILTERED, vat=1)
        if number == 13:
            k.say(m.OIL_CHANGED, vat=1)
    k.say(m.SHIFT_END)
    k.say(m.CONFIRM)


def held_by_time(k: Uneven) -> None:
    """Where time alone keeps the food safe: no minimum counts, and its limit is one of safety."""
    k.of[2] = TIMED
    k.hold(2)
    for value in (90, 88, 87):
        k.read("cabinet", value)
        k.wait(45_000)
    k.check("leg", 95, batch=k.number(2))
    k.wait(50 * MINUTE)
    k.say(m.SOLD)
    k.say(m.CONFIRM)
    k.feed(ProcedureLoaded(k.at_ms, replace(CELSIUS, ask_first=(m.BATCH_START, m.LOAD, m.SOLD))))
    k.say(m.BATCH_START, vat=1)
    k.say(m.CONFIRM)
    k.say(m.LOAD, part="leg", vat=1)
    k.say(m.CONFIRM)
    k.say(m.LID_LOCKED)
    k.wait(8 * MINUTE)
    k.say(m.LID_OPEN)
    for value in (86, 85, 88):
        k.check("leg", value * 1.8 + 32)
    k.say(m.HOLD_START)
    k.say(m.SOLD, count=4)
    k.say(m.CONFIRM)
    k.say(m.DROPPED, count=3)
    k.say(m.DISCARD)
    k.wait(1_000)
    k.feed(Heard(k.at_ms, "confirm please", Intent(m.CONFIRM), "moonshine", "name", -3.25))


STORIES: tuple[Story, ...] = (
    a_good_shift,
    what_goes_wrong,
    what_is_taken_back,
    words_that_fit_nothing,
    what_befalls_the_station,
    batches_that_tell_of_the_next,
    held_by_time,
)


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_a_story_is_told_as_it_ever_was(story: Story) -> None:
    k = Uneven()
    story(k)
    same_as_kept(FOLDER / f"story-{story.__name__.replace('_', '-')}.txt", list(told(k)))


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_a_row_has_its_columns_to_the_end_and_a_struck_one_too(story: Story) -> None:
    """`struck` is the last column; what is struck loses no other, and nothing in it changes."""
    k = Uneven()
    story(k)
    rows: dict[tuple[str, int | str], dict[str, Any]] = {}
    for record in (each for each in k.effects if isinstance(each, Record) and each.table != "alerts"):
        row = dict(record.row)
        assert record.row[-1][0] == "struck" and len(row) == len(record.row)
        before = rows.get((record.table, record.id))
        if row["struck"]:
            assert before and before | {"struck": 1} == row
        rows[record.table, record.id] = row
    assert story is not what_is_taken_back or sum(bool(row["struck"]) for row in rows.values()) > 20


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_each_sentence_has_a_row_with_what_was_heard_and_answered(story: Story) -> None:
    k = Uneven()
    story(k)
    for event, effects in k.steps:
        rows = [dict(each.row) for each in effects if isinstance(each, Record) and each.table == "commands"]
        if not isinstance(event, (Heard, Unheard)) or (
            isinstance(event, Heard) and event.intent.meaning in m.QUESTIONS
        ):
            assert rows == []
            continue
        row = rows[-1]
        taken = event.text
        if isinstance(event, Heard) and "first_text" in row:
            assert row["first_text"] == event.text
            taken = event.other_text
        answer = [each for each in effects if isinstance(each, Cue)][-1]
        assert (
            row.items()
            >= {
                "at_ms": event.at_ms,
                "text": taken,
                "reply": answer.say,
                "engine": event.engine,
                "listening": event.listening,
                "score": event.score,
                "struck": 0,
            }.items()
        )
        outcomes = {Tone.REFUSED: {"refused", "not understood"}, Tone.ASKS: {"asked"}}
        assert row["outcome"] in outcomes.get(answer.tone, {"done"})
        assert list(row)[:8] == ["at_ms", "text", "meaning", "outcome", "reply", "engine", "listening", "score"]
        assert row["meaning"] == (None if isinstance(event, Unheard) else row["meaning"]) and len(rows) <= 2
