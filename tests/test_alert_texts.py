"""Each alert in its own words: level, text and numbers, as a manager gets them, in one list to be read.

The list is tests/replays/alert-texts.txt. It is made by driving the uneven kitchen until each kind is raised, about
two things where there can be two. RECORDER_REWRITE=1 writes it again; read it then.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Alert
from recorder.core.events import (
    CLIPPING,
    OFFSET,
    SILENT,
    TOO_LOUD,
    EarLost,
    EarTrouble,
    ProbeLost,
    ProcedureLoaded,
    SpaceLow,
    Started,
)
from recorder.core.procedure import BY_SAFE_END
from tests.kitchen import MINUTE
from tests.neighbours import PAIRS, Pair
from tests.own_words import OWN
from tests.strategies import KINDS
from tests.uneven import TIMED, Uneven, same_as_kept, shown

LIST = Path(__file__).parent / "replays" / "alert-texts.txt"

Scene = Callable[[Uneven], None]


def cold_cabinet(k: Uneven) -> None:
    """Batches of both procedures: the stricter minimum counts, 140 °F (60 °C) against 138 °F."""
    k.hold(1)
    k.hold(2)
    for _ in range(4):
        k.read("cabinet", 139.13)
        k.wait(25_000)


def cold_cabinet_of_one(k: Uneven) -> None:
    k.hold(1)
    for _ in range(4):
        k.read("cabinet", 137.28)
        k.wait(30_000)


def cold_now_and_then(k: Uneven) -> None:
    """A door that stands open again and again, for less than a minute each time: ten minutes in all are too many."""
    k.hold(1)
    for _ in range(24):
        for value in (137.64, 136.2, 141.5):
            k.read("cabinet", value)
            k.wait(27_000)


def sold_after_cold(k: Uneven) -> None:
    cold_cabinet_of_one(k)
    k.read("cabinet", 150)
    k.sell(k.number(1))


def sold_cold_piece(k: Uneven) -> None:
    k.hold(2)
    k.check("wing", 139, batch=k.number(2))
    k.sell(k.number(2))


def sold_cold_by_word(k: Uneven) -> None:
    """A piece of no named part, said to be cold in holding."""
    k.hold(2)
    k.say(m.READING, number=51.38, batch=k.number(2))
    k.sell(k.number(2))


def sold_after_four_hours_out(k: Uneven) -> None:
    """Out of the oil for four hours to the millisecond."""
    k.begin(1)
    k.fry(1)
    opened_ms = k.at_ms
    k.prove(1)
    k.wait(opened_ms + 4 * 60 * MINUTE - 1_000 - k.at_ms)
    k.say(m.HOLD_START, vat=1)
    k.sell(k.number(1))


def sold_reheated_late(k: Uneven) -> None:
    """Found cold in holding, and hot again only after more than two hours."""
    k.hold(1)
    k.check("leg", 121.4, batch=1)
    k.say(m.COOK_MORE, batch=1)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(125 * MINUTE)
    k.say(m.LID_OPEN, vat=1)
    k.prove(1)
    k.say(m.HOLD_START, vat=1)
    k.sell(1)


def sold_past(k: Uneven) -> None:
    k.hold(1)
    k.wait(61 * MINUTE)
    k.sell(k.number(1))


def sold_past_by_time(k: Uneven) -> None:
    k.of[2] = TIMED
    k.hold(2)
    k.wait(43 * MINUTE)
    k.sell(k.number(2))


def sold_unknown_time(k: Uneven) -> None:
    k.hold(1)
    k.restart(5 * MINUTE, False)
    k.sell(k.number(1))


def sold_for_every_reason(k: Uneven) -> None:
    """A piece was read cold, checks were not complete, and it was past its limit."""
    k.begin(1)
    k.fry(1)
    k.check("wing", 171, vat=1)
    k.check("leg", 160, vat=1)
    k.say(m.HOLD_START, vat=1)
    k.say(m.CONFIRM)
    k.check("leg", 130.19, batch=k.number(1))
    k.wait(62 * MINUTE)
    k.sell(k.number(1))


def past_by_time(k: Uneven) -> None:
    k.of[2] = TIMED
    k.hold(2)
    k.wait(43 * MINUTE)


def overdue_again(k: Uneven) -> None:
    """A further cook is over after its own planned time and as much more as a first one may take."""
    k.begin(1)
    k.fry(1)
    k.say(m.COOK_MORE, vat=1)
    k.say(m.LID_LOCKED, vat=1)
    k.wait(10 * MINUTE)


def checks_in_holding(k: Uneven) -> None:
    """Read below the target and the critical limit by a colder spot that was found after the hold began."""
    k.begin(1)
    k.fry(1)
    k.prove(1)
    k.say(m.HOLD_START, vat=1)
    k.dip(160.46, colder=True)


def colder_after_it_was_discarded(k: Uneven) -> None:
    """The piece was still under the probe, and the needle moved on to a colder spot."""
    k.begin(1)
    k.fry(1)
    k.check("leg", 183.4, vat=1)
    k.discard(k.number(1))
    k.dip(170.28, colder=True)


def named_by_nobody(k: Uneven) -> None:
    """A spoken temperature of a piece that has no part: the strictest of all limits."""
    k.begin(2)
    k.fry(2)
    k.say(m.READING, number=83.53, vat=2)
    k.say(m.READING, number=74.57, vat=2)


def cold_oil(k: Uneven) -> None:
    k.begin(1, oil=320.37)
    k.begin(2, oil=322.11)


def failed_probe(k: Uneven) -> None:
    k.hold(1)
    k.hold(2)
    k.say(m.ICE_POINT)
    k.dip(35.27)
    k.feed(ProcedureLoaded(k.at_ms, k.of[1]))
    k.say(m.BOILING_POINT)
    k.dip(199.14)


def many_in_doubt(k: Uneven) -> None:
    """The checks of nine batches: six are named."""
    for number in range(9):
        k.begin(1)
        k.fry(1)
        k.check(("leg", "wing")[number % 2], 190, vat=1)
        k.discard(k.number(1))
    k.say(m.ICE_POINT)
    k.dip(35.27)


def power_of_the_fryer(k: Uneven) -> None:
    k.begin(2)
    k.say(m.LID_LOCKED, vat=2)
    k.restart(45_000, True)


def overdue_probe(k: Uneven) -> None:
    k.wait(31 * MINUTE)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.wait(25 * 60 * MINUTE)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.say(m.SHIFT_END)
    k.say(m.CONFIRM)
    k.wait(75 * 60 * MINUTE)
    k.say(m.SHIFT_START, cook=2)
    k.wait(31 * MINUTE)


def together(k: Uneven) -> None:
    for channel in ("needle", "vat1", "vat2", "cabinet"):
        k.feed(ProbeLost(k.at_ms, channel, "unplugged"))
        k.at_ms += 500


def ear(k: Uneven) -> None:
    for what in (SILENT, OFFSET, CLIPPING, TOO_LOUD, "strange"):
        k.feed(EarTrouble(k.at_ms, what))
    k.feed(EarLost(k.at_ms, "busy"))


def tasks_not_done(k: Uneven) -> None:
    """Of the opening and of the closing, each by its own time."""
    k.feed(ProcedureLoaded(k.at_ms, replace(k.of[1], own=OWN)))
    for meaning in (m.SHIFT_END, m.CONFIRM):
        k.say(meaning)
    k.say(m.SHIFT_START, cook=5)
    k.wait(90 * MINUTE)
    for meaning in (m.SHIFT_END, m.CONFIRM):
        k.say(meaning)
    k.wait(20 * MINUTE)


def disk(k: Uneven) -> None:
    k.feed(SpaceLow(k.at_ms, 90, 200))


def clock(k: Uneven) -> None:
    k.feed(Started(k.at_ms, "boot-1", False, "0.2", "line-1", (1, 2), k.state.world.rules))


def power(k: Uneven) -> None:
    k.hold(1)
    k.begin(2)
    k.say(m.LID_LOCKED, vat=2)
    k.restart(90_000, True)
    k.hold(1)
    k.restart(3_700_000, True)


def unknown_times(k: Uneven) -> None:
    """Cooking, and out of the oil."""
    k.begin(1)
    k.say(m.LID_LOCKED, vat=1)
    k.begin(2)
    k.fry(2)
    k.restart(5 * MINUTE, False)


def overdue_breading(k: Uneven) -> None:
    """Never changed as far as is known, then changed and overdue again."""
    k.feed(ProcedureLoaded(k.at_ms, replace(k.of[1], breading_every_ms=95 * MINUTE)))
    k.wait(95 * MINUTE)
    k.say(m.BREADING_CHANGED)
    k.wait(95 * MINUTE)


def warm_raw_food(k: Uneven) -> None:
    """Of unknown time, in °F and in °C, and read by a needle that fails then."""
    k.say(m.PROBE_RAW, part="leg")
    k.dip(41.27)
    k.feed(ProcedureLoaded(k.at_ms, replace(k.of[2], critical_by=BY_SAFE_END)))
    k.say(m.RAW_OUT, part="wing")
    k.wait(11 * MINUTE)
    k.say(m.PROBE_RAW, part="wing")
    k.dip(40.2, uncertainty_c=0.73)
    k.say(m.ICE_POINT)
    k.dip(35.27)


SCENES: tuple[Scene, ...] = (
    cold_cabinet,
    cold_cabinet_of_one,
    cold_now_and_then,
    sold_after_cold,
    sold_cold_piece,
    sold_cold_by_word,
    sold_after_four_hours_out,
    sold_reheated_late,
    sold_past,
    sold_past_by_time,
    sold_unknown_time,
    sold_for_every_reason,
    past_by_time,
    overdue_again,
    checks_in_holding,
    colder_after_it_was_discarded,
    named_by_nobody,
    cold_oil,
    failed_probe,
    many_in_doubt,
    power_of_the_fryer,
    overdue_probe,
    together,
    ear,
    tasks_not_done,
    disk,
    clock,
    power,
    unknown_times,
    overdue_breading,
    warm_raw_food,
)


def both(pair: Pair) -> Scene:
    def play(k: Uneven) -> None:
        pair.begin(k, 1)
        pair.begin(k, 2)

    return play


def lines(name: str, play: Scene) -> Iterator[str]:
    """The alerts of a scene as they began, and below them those whose words changed since."""
    k = Uneven()
    play(k)
    aside = {alerts.RECORDER_STARTED: "clock", alerts.PROBE_CHECK_OVERDUE: "overdue probe"}
    began = {alert.id: alert for alert in k.raised() if aside.get(alert.kind, name) == name}
    for alert in began.values():
        yield from line(alert)
    for alert in k.state.world.alerts:
        if alert.id in began and alert.text != began[alert.id].text:
            yield "by now:"
            yield from line(alert)
    yield ""


def line(alert: Alert) -> Iterator[str]:
    about = "" if alert.batch is None else f", batch {alert.batch}"
    yield f"{alert.kind} ({alert.level.value}{about}) {alert.id}"
    yield f"    {alert.text}"
    if alert.numbers:
        yield f"    {shown(alert.numbers)}"


def scenes() -> dict[str, Scene]:
    found = {each.__name__.replace("_", " "): each for each in SCENES}
    pairs: dict[object, Any] = {each.values[0].begin: each for each in PAIRS}  # type: ignore[attr-defined]
    return found | {str(each.id).partition(",")[0]: both(each.values[0]) for each in pairs.values()}


@pytest.mark.parametrize(("name", "play"), scenes().items(), ids=scenes())
def test_an_alert_says_what_it_ever_said(name: str, play: Scene) -> None:
    same_as_kept(LIST, list(lines(name, play)), name)


def test_the_list_has_each_kind_and_no_scene_that_is_gone() -> None:
    texts = LIST.read_text("utf-8").splitlines()
    assert set(KINDS) - {text.partition(" (")[0] for text in texts} <= {alerts.NOT_RECORDING}
    assert [text[2:] for text in texts if text.startswith("# ")] == list(scenes())
