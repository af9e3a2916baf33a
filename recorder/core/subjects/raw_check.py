"""Raw food under the probe: "probe raw thigh" waits for the needle, and is judged by how cold food has to be.

It is no check of a batch: what the needle reads in raw food says nothing of a cooked piece, nor the other way round.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import FAILED, Verdict
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.events import Reading
from recorder.core.limits import Limit, degrees_up, in_unit, minutes_text
from recorder.core.procedure import BY_SAFE_END, COLD_HOLDING
from recorder.core.subject import Answer, Change, Command, Moment, Row, Subject, Timer, done, given, shown
from recorder.core.subjects import judging, probe_check, raw, resting, trust
from recorder.core.world import RawCheck, Spot, World

HOTTEST_RAW_C = 40.0
"""What is hotter is no raw food out of a cooler, also on the hottest day (common practice, no source)."""

WINDOW_MS = 45_000
"""How long it waits where no procedure says it."""

LATE_MS = 120_000
"""So long after its words the needle may come to rest in raw food."""

KEPT = 100
"""So many that the needle gave are remembered until it passes a check of its own."""


def waiting(world: World) -> RawCheck | None:
    """The check of raw food that waits for a reading."""
    newest = world.raw_checks[-1] if world.raw_checks else None
    return newest if newest and newest.verdict is Verdict.OPEN else None


def may_be_raw(spot: Spot, rules: int) -> bool:
    """Whether the needle may rest in raw food there."""
    return resting.may_be_piece(spot, rules) and spot.reading.temp_c <= HOTTEST_RAW_C


def said_raw(world: World, spot: Spot) -> bool:
    """Whether by the words the needle rests in raw food there, though no check waits for it any more.

    So late a reading of it is none of a batch's piece, neither of the one before nor of the one that is named next.
    """
    newest = world.raw_checks[-1] if world.raw_checks else None
    if newest is None or spot.reading.spot <= world.spot_used or not may_be_raw(spot, world.rules):
        return False
    if not newest.opened_ms - resting.SPOT_GRACE_MS <= spot.since_ms <= newest.opened_ms + LATE_MS:
        return False
    return newest.until_ms is None or spot.since_ms < newest.until_ms


def cold_limit(unit: str) -> Limit:
    """FDA Food Code 2022, 3-501.16(A)(2): 41 °F (5 °C) or below."""
    return Limit(COLD_HOLDING[unit], unit)


def _probe(world: World, command: Command) -> Answer:
    """What waited for a reading gets none."""
    procedure, part = raw.part_said(world, command.intent)
    now = command.now
    if waited := world.open_check():
        world, _ = judging.unread(world, waited[0].id, now.at_ms)
    world, _ = probe_check.unread(world, now.at_ms)
    world, _ = unread(world, now.at_ms)
    out = next((each.id for each in world.raw_out if each.part == part), None)
    shift = world.open_shift.id if world.open_shift else None
    check = RawCheck(now.seq, part, now.at_ms, procedure.unit, shift, out)
    given_ids = {id for id, _, _ in world.unverified}
    kept = [each for each in world.raw_checks if each.id in given_ids or each.closed_ms == now.at_ms]
    return done(replace(world, raw_checks=(*kept[-KEPT:], check)), f"Probing raw {part}.")


def unread(world: World, at_ms: int) -> Change:
    """The check of raw food that waits got no settled reading; nothing, if none waits."""
    check = waiting(world)
    if check is None:
        return world, ()
    world = _with(world, (replace(check, verdict=Verdict.NO_READING, closed_ms=at_ms),))
    return world, (Cue(Tone.REFUSED, f"No settled reading for the raw {check.part}. Probe it again."),)


def read(world: World, check: RawCheck, reading: Reading, at_ms: int) -> Change:
    """`reading` is the needle's, settled in raw food."""
    limit, part = cold_limit(check.unit), check.part
    by_end = world.procedure and world.procedure.critical_by == BY_SAFE_END
    surely_c = reading.temp_c + ((reading.uncertainty_c or 0.0) if by_end else 0.0)
    warm = limit.passed_by(surely_c)
    about, probe_was = world.probe_read.id if world.probe_read else None, trust.standing(world, at_ms)
    check = replace(
        check,
        verdict=Verdict.ABOVE_COLD if warm else Verdict.PASSED,
        closed_ms=at_ms,
        temp_c=reading.temp_c,
        uncertainty_c=reading.uncertainty_c,
        probe_check=about,
        probe_was=probe_was,
    )
    world = trust.remember_given(_with(world, (check,)), check.id, trust.NO_BATCH, f"raw {part}", spare=False)
    world, due = probe_check.judged_while(world, probe_was, at_ms)
    what = f"Raw {part} {degrees_up(reading.temp_c, check.unit)} degrees"
    if surely_c > reading.temp_c:
        what += f", at most {degrees_up(surely_c, check.unit)}"
    if warm:
        world = alerts.raised(world, _above_cold(world, check, surely_c, at_ms))
        return world, (Cue(Tone.ALERT, f"{what}, above {limit.text()}. Cool it again, or discard it."), *due)
    if probe_was == FAILED:
        return world, (Cue(Tone.ALERT, f"{what}, but the probe failed its own check. It proves nothing."), *due)
    world = alerts.ended_about(world, alerts.RAW_WARM, ("part", part), "read cold", at_ms)
    return world, (Cue(Tone.DONE, f"{what}, cold enough."), *due)


def found_out(world: World, id: int, what: str, at_ms: int) -> Change:
    """The spot that the check `id` was read in proves to be no food after all."""
    check = next((each for each in world.raw_checks if each.id == id and not each.disputed), None)
    if check is None:
        return world, ()
    say = f"The needle rests {what}: the reading of the raw {check.part} proves nothing. Probe it again."
    return disputed(world, check, f"since the needle rested {what}"), (Cue(Tone.ALERT, say),)


def disputed(world: World, check: RawCheck, why: str = "by the cook") -> World:
    """A reading is taken back: it stays on record and proves nothing."""
    return _with(world, (replace(check, disputed=why),))


def newest_read(world: World) -> RawCheck | None:
    """The newest check of raw food that was read."""
    return next((each for each in reversed(world.raw_checks) if each.temp_c is not None), None)


def _with(world: World, changed: Iterable[RawCheck]) -> World:
    by_id = {each.id: each for each in changed}
    return replace(world, raw_checks=tuple(by_id.get(each.id, each) for each in world.raw_checks))


def _timers(world: World) -> Iterator[Timer]:
    if check := waiting(world):
        due_ms = check.opened_ms + (world.procedure.settle_window_ms if world.procedure else WINDOW_MS)
        yield due_ms, lambda now, _: unread(now, due_ms)


def _after(before: World, world: World, now: Moment) -> Change:
    """The one needle is where it was asked for last; and what it gave before it failed its own check is in doubt."""
    newest = world.raw_checks[-1] if world.raw_checks else None
    asked = [each.id for each in (probe_check.waiting(world), (world.open_check() or (None, None))[1]) if each]
    if newest and newest.until_ms is None and any(id > newest.id for id in asked):
        world, _ = unread(world, now.at_ms)
        world = _with(world, (replace(world.raw_checks[-1], until_ms=now.at_ms),))
    if world.probe_read is not before.probe_read and world.probe_read:
        doubts = world.probe_read.doubts
        world = _with(world, (replace(each, doubted=True) for each in world.raw_checks if each.id in doubts))
    return world, ()


def _above_cold(world: World, check: RawCheck, surely_c: float, at_ms: int) -> Alert:
    assert check.temp_c is not None
    limit, unit = cold_limit(check.unit), check.unit
    out = next((each for each in world.raw_out if each.id == check.raw_time), None)
    if out is None:
        since = "How long it was out of the cooler is not on record"
    elif not out.time_proven:
        since = "How long it has been out of the cooler is not known"
    else:
        since = f"It has been out of the cooler for {minutes_text(at_ms - out.out_ms)}"
    at_most = f", at most {degrees_up(surely_c, unit)} °{unit}" if surely_c > check.temp_c else ""
    return alerts.made(
        alerts.RAW_WARM,
        check.id,
        f"Raw {check.part}: read {degrees_up(check.temp_c, unit)} °{unit}{at_most}, cold food is {limit.text()} or"
        f" below (FDA Food Code 2022, 3-501.16). {since}. Your kitchen decides by that: cool it again, or discard it.",
        at_ms,
        temperature=round(in_unit(check.temp_c, unit), 2),
        limit=limit.value,
        unit=unit,
        part=check.part,
    )


def _rows(world: World, other: World) -> Iterator[Row]:
    same = {id(each) for each in other.raw_checks}
    for check in world.raw_checks:
        if id(check) not in same:
            yield (
                ("raw_checks", check.id),
                (
                    ("part", check.part),
                    ("opened_ms", check.opened_ms),
                    ("closed_ms", check.closed_ms),
                    ("temp_c", check.temp_c),
                    ("temperature", shown(check.temp_c, check.unit)),
                    ("unit", check.unit),
                    ("cold_limit", cold_limit(check.unit).value),
                    ("uncertainty_c", check.uncertainty_c),
                    ("verdict", check.verdict),
                    ("probe_check", check.probe_check),
                    ("probe_was", check.probe_was),
                    ("raw_time", check.raw_time),
                    ("shift", check.shift),
                    *given(disputed=check.disputed, in_doubt=int(check.doubted) or None),
                    ("struck", 0),
                ),
            )


SUBJECT = Subject(commands={m.PROBE_RAW: _probe}, timers=_timers, after=_after, rows=_rows)
