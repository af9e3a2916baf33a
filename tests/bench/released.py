# mypy: ignore-errors

"""A random shift by the code of a released version: what fixtures/records/ was made with.

    git archive COMMIT recorder | tar -x -C DIR
    PYTHONPATH=DIR python tests/bench/released.py OUT.db SEED [BATCHES]

A database that is there is gone on with. PUBLISH in the environment says what messages are made of; "all" without it.
"""

import inspect
import os
import random
import sys
from dataclasses import fields
from pathlib import Path

from recorder.clock import ManualClock
from recorder.core import events as ev
from recorder.core import meanings as m
from recorder.core.procedure import Part, Procedure
from recorder.core.station import State, deadline, step
from recorder.journal.journal import Journal
from recorder.notices.outbox import Messages

try:
    from recorder.core.limits import Limit
except ImportError:  # before rules 6
    from recorder.core.rules import Limit

out, seed = Path(sys.argv[1]), int(sys.argv[2])
chance = random.Random(seed)
MIN = 60_000
RULES = getattr(ev, "RULES", 1)


def make(cls, **kw):
    known = {f.name for f in fields(cls)}
    return cls(**{k: v for k, v in kw.items() if k in known})


def F(v):
    return Limit(float(v), "F")


def c(f):
    return (f - 32) * 5 / 9


parts = ("thigh", "breast", "leg", "wing")
proc = make(
    Procedure,
    product="breaded bone-in chicken",
    unit="F",
    parts=tuple(Part(n, F(180), F(165)) for n in parts),
    pieces_per_load=48,
    shortest_cook_ms=12 * MIN,
    planned_cook_ms=13 * MIN,
    longest_cook_ms=15 * MIN,
    checks_per_batch=4,
    settle_window_ms=45_000,
    hold_limit_ms=60 * MIN,
    hold_warning_ms=50 * MIN,
    hold_repeat_ms=10 * MIN,
    hold_minimum=F(135),
    oil_low=F(325),
    oil_high=F(350),
    spoken_readings_prove=chance.random() < 0.3,
    probe_check_every_ms=4 * 60 * MIN,
    altitude_m=300.0,
    polar_limit=24.0,
    ask_first=(m.DISCARD,),
)
clock = ManualClock(1_772_000_000_000)
state = State()
there = out.exists()

publish = os.environ.get("PUBLISH", "all")
if "first" in inspect.signature(Messages.__init__).parameters:
    post = Messages("kitchen", "line-1", publish, None)
else:
    post = Messages("kitchen", "line-1", publish)
separate = "post" not in inspect.signature(Journal.open).parameters  # since rules 7 the loop makes the messages
journal = Journal.open(out) if separate else Journal.open(out, post)
count = 0
if there:
    for _, e in journal.entries():
        state, _ = step(state, e)
    first = next(iter(journal.entries()))[0]
    if hasattr(post, "begin"):
        post.begin(first)
    else:
        post._origin = first.hash
    clock.at_ms = clock.wall_ms = state.at_ms + 300_000
opened = set()


def feed(event):
    global state, count
    count += 1
    state, effects = step(state, event)
    clock.at_ms = clock.wall_ms = event.at_ms
    if separate:
        from recorder.loop import record

        record(journal, clock.stamp(), event, effects, post)
    else:
        journal.append(clock.stamp(), event, effects)
    for e in effects:
        a = getattr(e, "alert", None)
        if a is not None:
            opened.add(a.id)


now = clock.at_ms


def wait(ms):
    global now
    until = now + int(ms)
    while (due := deadline(state)) is not None and due <= until:
        feed(ev.Tick(max(due, now)))
        now = max(due, now)
    now = until


def say(meaning, **slots):
    wait(chance.randrange(500, 4000))
    known = {f.name for f in fields(ev.Intent)}
    if meaning is None or not set(slots) <= known:
        return
    feed(
        make(
            ev.Heard,
            at_ms=now,
            text=meaning,
            intent=ev.Intent(meaning, **slots),
            engine="test",
            listening="open",
            score=-3.5,
        )
    )


spot = 0


def read(ch, f, **kw):
    feed(make(ev.Reading, at_ms=now, channel=ch, temp_c=round(c(f), 4), **kw))


def dip(f):
    global spot
    wait(chance.randrange(6000, 20000))
    spot += 1
    read(
        "needle",
        f,
        settled=True,
        spot=spot,
        uncertainty_c=round(chance.uniform(0.05, 0.5), 3),
        settle_ms=chance.randrange(5000, 20000),
        colder=chance.random() < 0.2,
    )


def has(n):
    return hasattr(ev, n)


def opt(name, **kw):
    if has(name):
        feed(make(getattr(ev, name), at_ms=now, **kw))


feed(
    make(
        ev.Started,
        at_ms=now,
        boot_id="boot-1",
        wall_known=True,
        version="0",
        station="line-1",
        vats=(1, 2),
        rules=RULES,
    )
)
feed(ev.ProcedureLoaded(now, proc))
say(m.SHIFT_START, cook=4)
opt("LinkDown", reason="no route")
wait(3000)
opt("LinkUp")
hot = 190
for batch in range(int(sys.argv[3]) if len(sys.argv) > 3 else 26):
    vat = chance.choice((1, 2))
    if batch > 14:
        hot -= 0.6
    r = chance.random()
    if r < 0.3:
        say(getattr(m, "ICE_POINT", None))
        dip(chance.choice((32, 32.4, 35)))
    if r < 0.15:
        say(getattr(m, "BOILING_POINT", None))
        dip(chance.choice((211, 210.4, 205)))
    if r > 0.8:
        say(getattr(m, "OIL_POLAR", None), vat=vat, percent=float(chance.choice((12, 22, 26))))
    if 0.5 < r < 0.6:
        say(chance.choice(m.OIL), vat=vat)
    read(f"vat{vat}", chance.choice((340, 320, 352)) + chance.random())
    say(m.BATCH_START, vat=vat)
    for p in chance.sample(parts, chance.choice((4, 4, 2))) if chance.random() < 0.3 else parts:
        say(m.LOAD, part=p, count=chance.choice((12, 10, 20)), vat=vat)
        if chance.random() < 0.1:
            say(m.SCRATCH)
    say(m.LID_LOCKED, vat=vat)
    t = 0
    base = chance.uniform(305, 320)
    slow = 1 + batch / 15
    for i in range(8):
        wait(40_000 * slow)
        t += 40_000 * slow
        read(f"vat{vat}", min(base + 4 * i + chance.random(), 338))
    wait(max(0, 13 * MIN - t - chance.choice((0, 0, 0, -3 * MIN, 2 * MIN))))
    if chance.random() < 0.15:
        opt("ProbeLost", channel="needle", reason="unplugged")
        opt("ProbeLost", channel="vat1", reason="unplugged")
        wait(chance.choice((1000, 90_000)))
        if chance.random() < 0.5:
            opt("ProbeBack", channel="needle")
            wait(3000)
            opt("ProbeLost", channel="needle", reason="silent")
        opt("ProbeBack", channel="needle")
        opt("ProbeBack", channel="vat1")
    say(m.LID_OPEN, vat=vat)
    rounds = 0
    while True:
        for p in parts:
            n = chance.choice((1, 1, 1, 2))
            say(m.PROBE, part=p)
            f = chance.gauss(hot, 2.5)
            x = chance.random()
            if x < 0.05:
                f = chance.uniform(150, 164)
            elif x < 0.1:
                f = chance.uniform(166, 179)
            elif x < 0.14:
                wait(50_000)
                continue
            elif x < 0.18:
                say(m.READING, number=185.0)
                continue
            dip(f)
            if x < 0.3:
                dip(f - chance.uniform(-3, 20))
        rounds += 1
        if rounds < 2 and chance.random() < 0.3:
            say(m.COOK_MORE)
            say(m.LID_LOCKED)
            wait(chance.choice((2, 5)) * MIN)
            say(m.LID_OPEN)
            continue
        break
    if chance.random() < 0.1:
        say(m.DISCARD)
        say(m.CONFIRM)
    say(m.HOLD_START)
    if chance.random() < 0.5:
        say(m.CONFIRM)
    wait(chance.choice((5, 20, 65, 85)) * MIN)
    if chance.random() < 0.2:
        read("cabinet", chance.choice((130, 140, 150)))
    if opened and has("Acknowledged") and chance.random() < 0.5:
        a = chance.choice(sorted(opened))
        opt("Seen", alert=a, by="phone-1")
        opt("Acknowledged", alert=a, by="JD")
    say(chance.choice((m.STATUS, m.TIME_LEFT, m.LAST_READING)))
    say(m.HOLD_END)
    if chance.random() < 0.1:
        say(m.SCRATCH)
    if chance.random() < 0.1:
        opt("Unheard", text="status", reason="unsure", engine="test", listening="open")
        opt("EarTrouble", what="silent")
        wait(1000)
        opt("EarClear")
        opt("EarLost", reason="gone")
        wait(5000)
        opt("EarBack")
        opt("ProbeCharge", channel="needle", percent=chance.choice((9, 50)))
    if chance.random() < 0.1:
        feed(make(ev.ClockStepped, at_ms=now, delta_ms=4000, wall_known=True))
    if chance.random() < 0.12:
        opt("Stopped")
        now += chance.choice((2000, 400_000))
        feed(
            make(
                ev.Started,
                at_ms=now,
                boot_id="boot-1",
                wall_known=True,
                version="0",
                station="line-1",
                vats=(1, 2),
                rules=RULES,
                gap_known=chance.random() < 0.7,
            )
        )
opt("RecordsSetAside", file="records.db.damaged-20260101T000000Z", reason="zeros")
opt("SpaceLow", free_mb=90, least_mb=100)
wait(1000)
opt("SpaceBack", free_mb=900)
say(m.SHIFT_END)
say(m.TIME_LEFT, vat=2)
opt("Signed", day="2026-02-25", by="JD", note="seen")
opt("Stopped")
journal.close()
print(count)
