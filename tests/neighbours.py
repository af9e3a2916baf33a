"""Each kind of alert, with what begins and what ends it."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.events import Acknowledged, ProbeBack, ProbeLost, ProcedureLoaded, RecordsSetAside
from recorder.core.own_words import OPENING, OwnWords, Task
from tests.kitchen import MINUTE
from tests.uneven import Uneven

Act = Callable[[Uneven, int], None]
"""Does something about the first thing or the second: 1 or 2, which are the vats where there are vats."""


@dataclass(frozen=True)
class Pair:
    """A kind of alert about two things."""

    kind: str
    begin: Act
    end: Act
    by: str
    """Why it ended then."""


def pair(name: str, kind: str, begin: Act, end: Act, by: str) -> object:
    return pytest.param(Pair(kind, begin, end, by), id=name)


def read_at(*values: float) -> Act:
    """Fried, and wings checked at these °F, higher by one in the second vat."""

    def begin(k: Uneven, vat: int) -> None:
        k.begin(vat)
        k.fry(vat)
        for value in values:
            k.check("wing", value + vat, vat=vat)

    return begin


def cooked_more(k: Uneven, vat: int) -> None:
    k.say(m.COOK_MORE, batch=k.number(vat))


def hot_after_all(k: Uneven, vat: int) -> None:
    k.say(m.COOK_MORE, vat=vat)
    k.say(m.LID_LOCKED, vat=vat)
    k.wait(MINUTE)
    k.say(m.LID_OPEN, vat=vat)
    k.prove(vat)


def short(k: Uneven, vat: int) -> None:
    k.begin(vat)
    k.fry(vat, 4 + vat)


def overdue(k: Uneven, vat: int) -> None:
    k.begin(vat)
    k.say(m.LID_LOCKED, vat=vat)
    k.wait(k.of[vat].longest_cook_ms)


def nearly_over(k: Uneven, vat: int) -> None:
    """The first hold is 52 of its 60 minutes old when the second, begun later, is near the end of its 44."""
    k.hold(vat)
    first = k.state.world.batches[0].hold
    assert first
    if vat == 2:
        k.wait(first.counted_ms + 52 * MINUTE - k.at_ms)


def held_past(k: Uneven, vat: int) -> None:
    k.hold(vat)
    k.wait(k.of[vat].hold_limit_ms)


def sold(k: Uneven, vat: int) -> None:
    k.sell(k.number(vat))


def unproven(k: Uneven, vat: int) -> None:
    read_at(190)(k, vat)
    k.say(m.HOLD_START, vat=vat)
    k.say(m.CONFIRM)


def late(k: Uneven, vat: int) -> None:
    k.begin(vat)
    k.fry(vat)
    k.wait(k.of[vat].open_wait_ms + vat * 1000)
    k.prove(vat)
    k.say(m.HOLD_START, vat=vat)


def cold_food(k: Uneven, vat: int) -> None:
    k.hold(vat)
    k.check("leg", 120.46 + vat, batch=k.number(vat))


def reheated(k: Uneven, vat: int) -> None:
    cold_food(k, vat)
    cooked_more(k, vat)
    k.say(m.LID_LOCKED, vat=vat)
    k.wait(MINUTE)
    k.say(m.LID_OPEN, vat=vat)
    k.wait(2 * 60 * MINUTE)


def discarded(k: Uneven, vat: int) -> None:
    k.discard(k.number(vat))


def sold_unproven(k: Uneven, vat: int) -> None:
    unproven(k, vat)
    sold(k, vat)


def acknowledged(kind: str) -> Act:
    def end(k: Uneven, which: int) -> None:
        k.feed(Acknowledged(k.at_ms, k.open_of(kind)[0].id, "JD"))

    return end


def raw_waits(k: Uneven, vat: int) -> None:
    k.begin(vat)
    k.wait(k.of[vat].raw_wait_ms)


def locked(k: Uneven, vat: int) -> None:
    k.say(m.LID_LOCKED, vat=vat)


def fried_waits(k: Uneven, vat: int) -> None:
    k.begin(vat)
    k.fry(vat)
    k.wait(k.of[vat].open_wait_ms)


def returned_waits(k: Uneven, vat: int) -> None:
    k.begin(vat)
    k.fry(vat)
    cooked_more(k, vat)
    k.wait(k.of[vat].returned_wait_ms)


def away(k: Uneven, which: int) -> None:
    if which == 1:
        k.hold(1)
    k.restart(which * MINUTE, True)


def hot_oil(k: Uneven, vat: int) -> None:
    k.begin(vat, oil=360.33 + vat)


def oil_back(k: Uneven, vat: int) -> None:
    k.read(f"vat{vat}", 340)


def slow_oil(k: Uneven, vat: int) -> None:
    for number in range(9):
        recover(k, vat, 150 if number < 8 else 400)


def recover(k: Uneven, vat: int, seconds: int) -> None:
    """A batch whose oil comes back to 325 °F (vat 1) or 162 °C (323.6 °F, vat 2) after so many seconds and a few."""
    steady = len(k.state.world.recovered_s) and sum(len(points) for _, points in k.state.world.recovered_s) % 3
    k.begin(vat)
    k.say(m.LID_LOCKED, vat=vat)
    k.read(f"vat{vat}", 310)
    after_ms = (seconds + 4 * steady + vat) * 1000
    k.wait(after_ms)
    k.read(f"vat{vat}", 326)
    k.wait(k.of[vat].planned_cook_ms - after_ms)
    k.say(m.LID_OPEN, vat=vat)
    k.discard(k.number(vat))


def usual_oil(k: Uneven, vat: int) -> None:
    recover(k, vat, 150)


def polar(k: Uneven, vat: int) -> None:
    k.say(m.OIL_POLAR, vat=vat, percent=25.0 + vat)


def colder_parts(k: Uneven, which: int) -> None:
    """Twelve batches in which the part named runs colder at the end."""
    part = ("leg", "wing")[which - 1]
    for number in range(12):
        drift_batch(k, part, (195 if number < 8 else 185) + number % 3 * 1.07 + which)


def drift_batch(k: Uneven, part: str, value: float) -> None:
    k.begin(1, parts=(part,))
    k.fry(1)
    for more in (0, 0.5, 1):
        k.check(part, value + more, vat=1)
    k.say(m.HOLD_START, vat=1)
    sold(k, 1)


def usual_part(k: Uneven, which: int) -> None:
    for _ in range(3):
        drift_batch(k, ("leg", "wing")[which - 1], 197)


def lost(k: Uneven, which: int) -> None:
    k.feed(ProbeLost(k.at_ms, ("vat1", "cabinet")[which - 1], ("unplugged", "open circuit")[which - 1]))


def back(k: Uneven, which: int) -> None:
    k.feed(ProbeBack(k.at_ms, ("vat1", "cabinet")[which - 1]))
    k.wait(MINUTE)


def untrusted(k: Uneven, vat: int) -> None:
    if vat == 1:
        k.say(m.ICE_POINT)
        k.dip(40)
    read_at(200.19)(k, vat)


def doubtful_time(k: Uneven, vat: int) -> None:
    k.hold(vat)
    if vat == 2:
        k.restart(MINUTE, False)


def doubts(k: Uneven, which: int) -> None:
    """The needle fails, in ice, after the checks of another batch each time."""
    k.hold(which)
    k.say(m.ICE_POINT)
    k.dip(38 + which)


def damaged(k: Uneven, which: int) -> None:
    k.feed(RecordsSetAside(k.at_ms, f"records.db.damaged-{which}", ("malformed", "")[which - 1]))


def task_missed(k: Uneven, which: int) -> None:
    """Two opening tasks of one day, the second due a minute later."""
    if which == 1:
        tasks = (Task("gasket", OPENING, 30 * MINUTE), Task("walk in", OPENING, 31 * MINUTE))
        k.say(m.SHIFT_END)
        k.say(m.CONFIRM)
        k.wait(5 * 60 * MINUTE)
        k.feed(ProcedureLoaded(k.at_ms, replace(k.of[1], own=OwnWords(tasks=tasks))))
        k.say(m.SHIFT_START, cook=4)
        k.wait(29 * MINUTE)
    k.wait(MINUTE)


def task_done(k: Uneven, which: int) -> None:
    k.say(m.TASK_DONE, task={1: "gasket", 2: "walk in"}[which])


def raw_out(k: Uneven, which: int, ms: int = 0) -> None:
    """A part out of the cooler, for the longest that this kitchen lets it, or for so long."""
    k.feed(ProcedureLoaded(k.at_ms, replace(k.of[1], raw_out_ms=(29 + which) * MINUTE)))
    k.say(m.RAW_OUT, part=("leg", "wing")[which - 1])
    k.wait(ms or (29 + which) * MINUTE)


def raw_back(k: Uneven, which: int) -> None:
    k.say(m.RAW_BACK, part=("leg", "wing")[which - 1])


def raw_unknown(k: Uneven, which: int) -> None:
    raw_out(k, which, MINUTE)
    k.restart(MINUTE, False)


def raw_read(value: float) -> Act:
    def read(k: Uneven, which: int) -> None:
        k.say(m.PROBE_RAW, part=("leg", "wing")[which - 1])
        k.dip(value + which)

    return read


PAIRS = [
    pair(
        "below target, then all passed",
        alerts.CHECK_BELOW_TARGET,
        read_at(172.37),
        hot_after_all,
        "checked again and passed",
    ),
    pair("below target, then discarded", alerts.CHECK_BELOW_TARGET, read_at(172.37), discarded, "discarded"),
    pair(
        "below critical, then all passed",
        alerts.CHECK_BELOW_CRITICAL,
        read_at(150.28),
        hot_after_all,
        "checked again and passed",
    ),
    pair("short, then checked", alerts.COOK_SHORT, short, Uneven.prove, "checked again and passed"),
    pair("short, then cooked more", alerts.COOK_SHORT, short, cooked_more, "goes back into the oil"),
    pair("overdue, then open", alerts.COOK_OVERDUE, overdue, lambda k, vat: lid_open(k, vat), "lid opened"),
    pair("near its limit, then sold", alerts.HOLD_NEAR_LIMIT, nearly_over, sold, "sold"),
    pair("past its limit, then sold", alerts.HOLD_PAST_LIMIT, held_past, sold, "sold"),
    pair("past its limit, then cooked more", alerts.HOLD_PAST_LIMIT, held_past, cooked_more, "goes back into the oil"),
    pair("unproven, then cooked more", alerts.HOLD_UNPROVEN, unproven, cooked_more, "goes back into the oil"),
    pair("unproven, then sold", alerts.HOLD_UNPROVEN, unproven, sold, "sold"),
    pair("held late, then cooked more", alerts.HOLD_LATE, late, cooked_more, "goes back into the oil"),
    pair("cold food, then cooked more", alerts.FOOD_COLD, cold_food, cooked_more, "goes back into the oil"),
    pair("reheated late, then discarded", alerts.REHEAT_LATE, reheated, discarded, "discarded"),
    pair(
        "sold all the same, in hand",
        alerts.SOLD_DESPITE,
        sold_unproven,
        acknowledged(alerts.SOLD_DESPITE),
        "acknowledged",
    ),
    pair("raw pieces wait, then locked", alerts.PIECES_WAIT, raw_waits, locked, "went on"),
    pair("fried pieces wait, then cooked more", alerts.PIECES_WAIT, fried_waits, cooked_more, "went on"),
    pair("returned pieces wait, then locked", alerts.PIECES_WAIT, returned_waits, locked, "went on"),
    pair("raw food out, then back", alerts.RAW_OUT, raw_out, raw_back, "back"),
    pair(
        "raw food out for hours, in hand",
        alerts.RAW_PAST,
        lambda k, which: raw_out(k, which, 4 * 60 * MINUTE),
        acknowledged(alerts.RAW_PAST),
        "acknowledged",
    ),
    pair(
        "raw food of unknown time, in hand",
        alerts.RAW_UNKNOWN,
        raw_unknown,
        acknowledged(alerts.RAW_UNKNOWN),
        "acknowledged",
    ),
    pair("raw food warm, then cold", alerts.RAW_WARM, raw_read(45.27), raw_read(38), "read cold"),
    pair("power away, in hand", alerts.POWER_AWAY, away, acknowledged(alerts.POWER_AWAY), "acknowledged"),
    pair("hot oil, then in its band", alerts.OIL_OUTSIDE_BAND, hot_oil, oil_back, "oil back in its band"),
    pair("slow oil, then as usual", alerts.OIL_SLOW, slow_oil, usual_oil, "back to its usual"),
    pair("polar oil, then changed", alerts.OIL_POLAR, polar, lambda k, vat: changed(k, vat), "oil changed"),
    pair("a part runs colder, then as usual", alerts.DRIFT, colder_parts, usual_part, "back to its usual"),
    pair("probe lost, then back", alerts.PROBE_LOST, lost, back, "probe back"),
    pair(
        "read by a failed probe, then cooked more",
        alerts.PROBE_UNTRUSTED,
        untrusted,
        cooked_more,
        "goes back into the oil",
    ),
    pair(
        "time unknown, then cooked more", alerts.TIME_NOT_PROVEN, doubtful_time, cooked_more, "goes back into the oil"
    ),
    pair("checks in doubt, in hand", alerts.IN_DOUBT, doubts, acknowledged(alerts.IN_DOUBT), "acknowledged"),
    pair(
        "damaged records, in hand",
        alerts.RECORDS_DAMAGED,
        damaged,
        acknowledged(alerts.RECORDS_DAMAGED),
        "acknowledged",
    ),
    pair("tasks missed, then done", alerts.TASK_NOT_DONE, task_missed, task_done, "done late"),
]


def lid_open(k: Uneven, vat: int) -> None:
    k.say(m.LID_OPEN, vat=vat)


def changed(k: Uneven, vat: int) -> None:
    k.say(m.OIL_CHANGED, vat=vat)
