"""What comes in between in a kitchen: each takes a `random_kitchen.Day` and lets it happen to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import TYPE_CHECKING

from recorder.core import events as e
from recorder.core import meanings as m
from recorder.core.limits import to_c
from recorder.core.procedure import Procedure
from tests.own_words import OWN
from tests.random_procedures import MINUTE, PARTS, menu

if TYPE_CHECKING:
    from tests.random_kitchen import Day


def scratch(day: Day) -> None:
    for _ in range(day.rng.choice([1, 1, 1, 2, 3, 6])):
        day.say(m.SCRATCH)


def restart(day: Day) -> None:
    """The program alone, or the board; the wall clock may be known or not."""
    if day.chance(0.5):
        day.feed(e.Stopped(day.at_ms))
    day.wait(1, day.rng.choice([5, 120, 3000]))
    known, gap_known = day.chance(0.8), day.chance(0.7)
    if day.chance(0.6):
        day.boot += 1
    day.spot = 0
    day.feed(e.Started(day.at_ms, f"boot-{day.boot}", known, "test", "line-1", day.vats, e.RULES, gap_known))


def clock_set(day: Day) -> None:
    day.feed(e.ClockStepped(day.at_ms, day.rng.randint(-(10**7), 10**7), day.chance(0.8)))


def other_procedure(day: Day) -> None:
    day.feed(e.ProcedureLoaded(day.at_ms, *menu(day.rng)))


def colder(day: Day) -> None:
    day.colder()


def stray(day: Day) -> None:
    """The needle rests somewhere, or moves."""
    if day.chance(0.5):
        day.settle(round(day.rng.uniform(15, 95), 1))
    else:
        day.feed(e.Reading(day.at_ms, e.NEEDLE, day.rng.uniform(10, 190)))


def bath(day: Day) -> None:
    """The needle is checked, mostly passes, and at times gives nothing."""
    how, due_c = day.rng.choice([(m.ICE_POINT, 0.0), (m.ICE_POINT, 0.0), (m.BOILING_POINT, 100.0)])
    day.say(how)
    day.wait(5, 40)
    if day.chance(0.1):
        return
    off_c = day.rng.uniform(-0.8, 0.8) if day.chance(0.65) else day.rng.choice([-4.0, 3.0])
    day.settle(due_c + off_c)
    if day.chance(0.15):
        scratch(day)
    if day.chance(0.2):
        day.colder()


def sinks(day: Day) -> None:
    """The needle goes on to a spot that only gets colder later, when the next part is named."""
    rows = [row for row in day.ledger.open.values() if row["stage"] == "checking"]
    reads = day.watched.needle.reads
    if not rows or not reads or day.at_ms - reads[-1].at_ms > 3000:
        return
    day.settle(reads[-1].temp_c + 0.5, colder=True)
    day.wait(12, 16)
    day.say(m.PROBE, part=day.rng.choice(PARTS), vat=day.rng.choice(rows)["vat"])
    day.wait(0.1, 1)
    day.settle(reads[-1].temp_c - 3, colder=True, further=0)


def other_bath(day: Day) -> None:
    """Ice was meant, boiling water was understood, and what is read meanwhile can be of the ice alone."""
    day.say(m.ICE_POINT)
    day.say(m.BOILING_POINT)
    day.settle(day.rng.uniform(-2, 20))
    day.say(m.SCRATCH)


def spare(day: Day) -> None:
    unit = day.ledger.procedure.unit if day.ledger.procedure else "C"
    ice = {"F": 32.0, "C": 0.0}[unit] + (day.rng.uniform(-0.6, 0.6) if day.chance(0.7) else 5)
    day.say(m.SPARE_ICE, ice=round(ice, 1))


def spoken(day: Day) -> None:
    by = day.ledger.procedure
    assert by
    day.say(m.READING, number=day.near(by.parts[0].name, by))


def cabinet(day: Day) -> None:
    """A stretch of readings around the minimum, with dropouts."""
    by = day.ledger.procedure
    assert by
    at = by.hold_minimum.value + day.rng.choice([-12, -8, -3, -0.1, 0, 0.2, 3, 9])
    for _ in range(day.rng.randint(1, 14)):
        day.wait(5, day.rng.choice([20, 30, 55, 90]))
        day.feed(e.Reading(day.at_ms, e.CABINET, to_c(round(at + day.rng.uniform(-0.3, 0.3), 1), by.unit)))
    if day.chance(0.15):
        day.feed(e.ProbeLost(day.at_ms, e.CABINET, "silent"))


def struck_in_the_cold(day: Day, by: Procedure) -> None:
    """A hold has begun in a cold cabinet, and only its words are struck."""
    for _ in range(day.rng.randint(5, 9)):
        day.wait(15, 25)
        day.feed(e.Reading(day.at_ms, e.CABINET, to_c(by.hold_minimum.value - 9, by.unit)))
    day.say(m.SCRATCH)


def probe_away(day: Day) -> None:
    channel = day.rng.choice([e.NEEDLE, e.NEEDLE, e.CABINET, "vat1"])
    day.feed(e.ProbeLost(day.at_ms, channel, day.rng.choice(["unplugged", "open circuit"])))
    day.wait(0.5, day.rng.choice([3, 60, 600]))
    if channel == e.NEEDLE and day.chance(0.6):
        spare(day)
        for _ in range(2):
            spoken(day)
    if day.chance(0.8):
        day.feed(e.ProbeBack(day.at_ms, channel))


def pieces(day: Day) -> None:
    """Some are sold, thrown away or fall; now and then more than there are."""
    if day.ledger.open:
        row = day.rng.choice(list(day.ledger.open.values()))
        meaning = day.rng.choice([m.DISCARD, m.SOLD, m.DROPPED])
        day.say(meaning, count=day.rng.choice([1, 2, 5, 30]), **day.named(row))


def said_late(day: Day) -> None:
    day.say(m.LOAD, part=day.rng.choice(PARTS), count=day.rng.randint(1, 12), vat=day.rng.choice([None, *day.vats]))


def anything(day: Day) -> None:
    intent = day.intent()
    slots = {slot.name: getattr(intent, slot.name) for slot in fields(intent) if slot.name != "meaning"}
    day.say(intent.meaning, other=day.intent() if day.chance(0.6) else None, **slots)


def question(day: Day) -> None:
    day.say(day.rng.choice(m.QUESTIONS))


def in_hand(day: Day) -> None:
    ids = list(day.ledger.alerts)
    for id in day.rng.sample(ids, min(len(ids), 3)):
        day.feed(e.Acknowledged(day.at_ms, id, "AB") if day.chance(0.7) else e.Seen(day.at_ms, id, "phone"))


def signature(day: Day) -> None:
    day.feed(e.Signed(day.at_ms, "2026-02-26", "AB", day.rng.choice(["", "seen to"])))


def pause(day: Day) -> None:
    day.wait(30, day.rng.choice([120, 900, 6000]))


def oil(day: Day) -> None:
    vat = day.rng.choice(day.vats)
    day.feed(e.Reading(day.at_ms, e.vat_channel(vat), day.rng.uniform(140, 190)))
    if day.chance(0.3):
        day.say(day.rng.choice([*m.OIL, m.OIL_READY, m.OIL_READY]), vat=vat)
    elif day.chance(0.2):
        day.say(m.OIL_POLAR, vat=vat, percent=day.rng.uniform(10, 30))


def raw(day: Day) -> None:
    """Raw food comes out of the cooler or goes back, at times with its lot."""
    out = [row["part"] for row in day.ledger.rows["raw_times"].values() if row["back_ms"] is None and not row["struck"]]
    if out and day.chance(0.4):
        day.say(m.RAW_BACK, part=day.rng.choice(out), count=day.rng.choice([None, None, 3, 8]))
        return
    day.say(m.RAW_OUT, part=day.rng.choice(PARTS), count=day.rng.choice([None, 4, 12, 30]))
    if day.chance(0.5):
        day.say(m.LOT, lot=day.rng.choice(["041", "07", "523"]))
    if day.chance(0.2):
        day.say(m.LOT_MORE, lot=day.rng.choice(["1", "88"]))


def raw_under_the_probe(day: Day) -> None:
    """Mostly cold, at times read too late or with words for something else just before or after it."""
    if day.chance(0.3):
        day.settle(round(day.rng.uniform(1, 45), 2), colder=day.chance(0.5))
    day.say(m.PROBE_RAW, part=day.rng.choice(PARTS))
    day.wait(2, day.rng.choice([10, 10, 60]))
    if day.chance(0.9):
        cold_c = day.rng.choice([3.0, 4.9, 5.0, 5.01, 5.3, 9.0, 38.0, 80.0])
        day.settle(cold_c, colder=day.chance(0.7), further=day.rng.choice([1, 1, 2]))
    if day.chance(0.2):
        day.colder()
    if day.chance(0.2):
        day.say(m.PROBE, part=day.rng.choice(PARTS))
        day.settle(round(day.rng.uniform(2, 90), 1), colder=day.chance(0.5), further=day.rng.choice([0, 1]))
    if day.chance(0.15):
        scratch(day)


def breading(day: Day) -> None:
    day.say(day.rng.choice(m.BREADING))


def shift(day: Day) -> None:
    day.say(m.SHIFT_END)
    day.shift_ended = True


def ear_and_disk(day: Day) -> None:
    at_ms = day.at_ms
    may_be: list[e.Event] = [
        e.EarLost(at_ms, "unplugged"),
        e.EarBack(at_ms),
        e.EarTrouble(at_ms, e.CLIPPING),
        e.EarClear(at_ms),
        e.LinkDown(at_ms, "away"),
        e.LinkUp(at_ms),
        e.SpaceLow(at_ms, 10, 100),
        e.SpaceBack(at_ms, 500),
        e.RecordsSetAside(at_ms, "records.db.damaged"),
        e.ProbeCharge(at_ms, e.NEEDLE, 20),
        e.Unheard(at_ms, "", "too short", "test", "open"),
    ]
    day.feed(day.rng.choice(may_be))


def late(day: Day) -> None:
    """Something is long overdue: the cook was away."""
    day.at_ms += day.rng.choice([3, 8, 15, 70]) * MINUTE


def duties(day: Day) -> None:
    """The kitchen's own words: what was done of prompts and tasks, causes and actions."""
    day.say(m.PROMPT_DONE, batch=day.rng.choice([None, None, *(row["number"] for row in day.ledger.open.values())]))
    if day.chance(0.4):
        day.say(m.TASK_DONE, task=day.rng.choice(OWN.tasks).name)
    if day.chance(0.5):
        day.say(m.CAUSE, cause=day.rng.choice(OWN.causes).name)
    if day.chance(0.5):
        day.say(m.ACTION, action=day.rng.choice(OWN.actions).name)


DISTURBANCES: list[tuple[Callable[[Day], None], int]] = [
    (scratch, 12),
    (restart, 3),
    (clock_set, 1),
    (other_procedure, 2),
    (colder, 10),
    (stray, 6),
    (bath, 10),
    (sinks, 4),
    (other_bath, 2),
    (spare, 3),
    (spoken, 4),
    (cabinet, 10),
    (probe_away, 4),
    (pieces, 6),
    (said_late, 3),
    (anything, 8),
    (question, 4),
    (in_hand, 4),
    (signature, 1),
    (pause, 3),
    (oil, 6),
    (raw, 7),
    (raw_under_the_probe, 6),
    (breading, 2),
    (shift, 1),
    (ear_and_disk, 3),
    (late, 2),
    (duties, 8),
]
"""With their weights."""
