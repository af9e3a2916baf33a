"""Checks of thermometers: in ice or boiling water, against what they should show. A check corrects no reading."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import OVERDUE, UNCHECKED, Verdict
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.events import Reading
from recorder.core.limits import degrees, in_unit, listed, span_in_unit, temp_text, to_c
from recorder.core.subject import Answer, Change, Command, Refusal, Row, Subject, Timer, done, given, shown
from recorder.core.subjects import judging, resting, trust
from recorder.core.world import ProbeCheck, Spot, Stood, World
from recorder.thermal.water import ICE_POINT_C, boiling_point_at_c

WINDOW_MS = 300_000
"""How long a probe check waits for a settled reading: an ice bath has to be made and stirred."""

GRACE_MS = 30 * 60_000
"""So long after a shift has begun an overdue check becomes an alert: there is time to do it first."""

NO_BATH_C = 30.0
"""What rests farther than this from what the bath should show is in something else (common practice, no source)."""

TOLERANCES = {"F": 2.0, "C": 1.0}
"""By scale in use, in its own degrees: Food Code 2022 4-203.11 (B) and (A)."""

NAMED = 6
"""So many batches are named in one alert."""

STIR = "Stir, and keep the needle in the middle."


def _check_probe(world: World, command: Command) -> Answer:
    """The needle goes into ice or boiling water; what waited for a reading gets none."""
    how, at_ms = command.intent.meaning, command.now.at_ms
    if waited := world.open_check():
        world, _ = judging.unread(world, waited[0].id, at_ms)
    world, _ = unread(world, at_ms)
    altitude_m = world.procedure.altitude_m if world.procedure else None
    if how == m.BOILING_POINT and altitude_m is None:
        raise Refusal("the procedure says no altitude_m under [probe_check]; use ice, or say how high the kitchen is")
    due_c = ICE_POINT_C if how == m.ICE_POINT or altitude_m is None else boiling_point_at_c(altitude_m)
    check = ProbeCheck(command.now.seq, how, at_ms, due_c, tolerance_c(world.unit), world.unit)
    care = "Mind the steam, and keep the needle in the middle." if how == m.BOILING_POINT else STIR
    return done(replace(world, probe_check=check), f"Checking the probe: {how}. {care}")


def _spare_ice(world: World, command: Command) -> Answer:
    """Another thermometer showed a temperature in ice: said, since no wire leads to it."""
    ice, unit, now = command.intent.ice, world.unit, command.now
    if ice is None:
        raise Refusal("say what the spare thermometer shows in ice")
    check = ProbeCheck(now.seq, m.SPARE_ICE, now.at_ms, ICE_POINT_C, tolerance_c(unit), unit)
    check = _judged(check, to_c(ice, unit), now.at_ms, None)
    passed = check.verdict is Verdict.PASSED
    if passed:
        check = replace(check, spoke_for=world.spare_unverified)
    else:
        check = replace(check, doubts=tuple(id for id, _, _ in world.spare_unverified))
        world = _doubtful(world, check, world.spare_unverified, now.at_ms)
    world = judging.doubted(replace(world, spare=check, spare_unverified=()), check.doubts, now.at_ms)
    return done(world, _said(check, "The spare thermometer"), Tone.DONE if passed else Tone.ALERT)


def tolerance_c(unit: str) -> float:
    """How far off an accurate probe may be, in °C; the scale in use has its own (Food Code 2022, 4-203.11)."""
    return TOLERANCES[unit] * (5 / 9 if unit == "F" else 1)


def waiting(world: World) -> ProbeCheck | None:
    """The probe check that waits for a reading."""
    check = world.probe_check
    return check if check and check.verdict is Verdict.OPEN else None


def unread(world: World, at_ms: int) -> Change:
    """The probe check that waits got no settled reading; nothing, if none waits."""
    check = waiting(world)
    if check is None:
        return world, ()
    check = replace(check, verdict=Verdict.NO_READING, closed_ms=at_ms)
    world = replace(world, probe_check=check, probe_unread=check)
    return world, (Cue(Tone.REFUSED, f"No settled reading for the {check.how}. Check the probe again."),)


def in_bath(check: ProbeCheck, spot: Spot, rules: int) -> bool:
    """Whether this spot can be of the bath at all, and not of the piece that the needle was in before."""
    near = abs(spot.reading.temp_c - check.due_c) <= NO_BATH_C
    return near and resting.may_be_bath(spot, rules)


def read(world: World, check: ProbeCheck, reading: Reading, at_ms: int) -> Change:
    """`reading` is the needle's, settled in the bath. What it gave before a failed check is in doubt."""
    check = _judged(check, reading.temp_c, at_ms, reading.uncertainty_c)
    say = _said(check, "The probe")
    world = replace(world, stood=Stood(trust.believed(world), world.probe_passed_ms))
    if check.verdict is Verdict.PASSED:
        check = replace(check, spoke_for=world.unverified)
        world = alerts.ended(world, at_ms, "passed", alerts.ended_by(alerts.Ends.PASSED_PROBE))
        world = replace(world, probe_check=check, probe_read=check, probe_passed_ms=at_ms, unverified=())
        return world, (Cue(Tone.DONE, say),)
    check = replace(check, doubts=tuple(id for id, _, _ in world.unverified))
    world = alerts.ended(world, at_ms, "failed again", (alerts.PROBE_CHECK_FAILED,))
    world = alerts.raised(world, check_failed(check, at_ms))
    world = _doubtful(world, check, world.unverified, at_ms)
    world = replace(world, probe_check=check, probe_read=check, unverified=())
    return judging.doubted(world, check.doubts, at_ms), (Cue(Tone.ALERT, say),)


def _doubtful(world: World, check: ProbeCheck, given: tuple[tuple[int, int, str], ...], at_ms: int) -> World:
    """The alert that names the checks in doubt, if there are any."""
    named = [(number, part) for _, number, part in given]
    return alerts.raised(world, checks_in_doubt(check, named, at_ms)) if named else world


def _judged(check: ProbeCheck, temp_c: float, at_ms: int, uncertainty_c: float | None) -> ProbeCheck:
    passed = abs(round(temp_c - check.due_c, 6)) <= check.tolerance_c
    verdict = Verdict.PASSED if passed else Verdict.FAILED
    return replace(check, verdict=verdict, closed_ms=at_ms, temp_c=temp_c, uncertainty_c=uncertainty_c)


def _said(check: ProbeCheck, which: str) -> str:
    assert check.temp_c is not None
    off = round(in_unit(check.temp_c, check.unit) - in_unit(check.due_c, check.unit), 2)  # as its row has it
    what = f"{check.how.capitalize()} {degrees(check.temp_c, check.unit)} degrees, off by {off:+.1f}."
    return f"{what} {which} {'passed' if check.verdict is Verdict.PASSED else 'failed its check'}."


def disputed(world: World, check: ProbeCheck, at_ms: int) -> World:
    """The cook takes a check of a thermometer back: it stays on record; a pass leaves it as it stood before."""
    check = replace(check, disputed="by the cook")
    if check.how == m.SPARE_ICE:
        return replace(world, spare=check, spare_unverified=(*check.spoke_for, *world.spare_unverified))
    stood, world = world.stood, replace(world, probe_check=check, probe_read=check)
    if check.verdict is not Verdict.PASSED or stood is None:
        return world
    world = replace(world, probe_passed_ms=stood.passed_ms, unverified=(*check.spoke_for, *world.unverified))
    if stood.check is None or stood.check.verdict is not Verdict.FAILED:
        return world
    failed = check_failed(stood.check, stood.check.closed_ms or at_ms)
    return alerts.reopened(world, failed, at_ms) if world.rules >= 7 else alerts.raised(world, failed)


def _timers(world: World) -> Iterator[Timer]:
    """The needle's check is overdue, once, while a shift is open and the procedure asks for checks."""
    procedure, shift = world.procedure, world.open_shift
    if procedure is None or procedure.probe_check_every_ms is None or shift is None:
        return
    if alerts.is_open(world, alerts.PROBE_CHECK_OVERDUE):
        return
    grace_ms = shift.started_ms + GRACE_MS
    if world.probe_passed_ms is None:
        yield grace_ms, _overdue
    else:
        yield max(grace_ms, world.probe_passed_ms + procedure.probe_check_every_ms), _overdue


def _overdue(world: World, at_ms: int) -> Change:
    assert world.shift
    about = world.probe_read.id if world.probe_read else world.shift.id
    world = alerts.raised(world, check_overdue(world.probe_passed_ms, about, at_ms))
    return world, (Cue(Tone.ALERT, "The probe's check is overdue. Check it in ice."),)


def judged_by(world: World, batch_id: int, check_id: int, at_ms: int) -> Change:
    """A piece was judged by the needle: where that was to be checked first, the time for it is over."""
    standings = [check.probe_was for check in world.batch(batch_id).checks if check.id == check_id]
    return judged_while(world, next(iter(standings), None), at_ms) if world.rules >= 7 else (world, ())


def judged_while(world: World, standing: str | None, at_ms: int) -> Change:
    """Something was judged by a needle that stood so: where it was to be checked first, the time for it is over."""
    if standing not in (OVERDUE, UNCHECKED) or not world.open_shift:
        return world, ()
    return (world, ()) if alerts.is_open(world, alerts.PROBE_CHECK_OVERDUE) else _overdue(world, at_ms)


def check_failed(check: ProbeCheck, at_ms: int) -> Alert:
    """The needle showed too much or too little in a bath."""
    assert check.temp_c is not None
    read, due = temp_text(check.temp_c, check.unit), temp_text(check.due_c, check.unit)
    tolerance = span_in_unit(check.tolerance_c, check.unit)
    return alerts.made(
        alerts.PROBE_CHECK_FAILED,
        check.id,
        f"Probe check, {check.how}: read {read}, should be {due} within {tolerance:g} °{check.unit}. Adjust or replace"
        " the probe; nothing that it reads counts until it passes.",
        at_ms,
        temperature=round(in_unit(check.temp_c, check.unit), 2),
        due=round(in_unit(check.due_c, check.unit), 2),
        tolerance=round(tolerance, 2),
        unit=check.unit,
        how=check.how,
    )


def checks_in_doubt(check: ProbeCheck, doubted: Sequence[tuple[int, str]], at_ms: int) -> Alert:
    """What a thermometer gave since it last passed, before it failed: some of it may be sold."""
    return alerts.made(
        alerts.IN_DOUBT,
        check.id,
        f"{check.how.capitalize()} failed: the checks since that thermometer last passed are in doubt,"
        f" {_doubts(doubted)}. Acknowledge when it is decided what becomes of them.",
        at_ms,
        checks=len(doubted),
        batches=" ".join(dict.fromkeys(str(number) for number, _ in doubted if number != trust.NO_BATCH)) or None,
    )


def _doubts(checks: Sequence[tuple[int, str]]) -> str:
    """The checks in doubt by batch, the newest batches where there are many."""
    by_batch: dict[int, list[str]] = {}
    for number, part in checks:
        by_batch.setdefault(number, []).append(part)
    raw = by_batch.pop(trust.NO_BATCH, [])
    named = [*raw[-NAMED:], *(f"batch {number} ({', '.join(parts)})" for number, parts in by_batch.items())]
    more = [f"{len(named) - NAMED} batches before"] if len(named) > NAMED else []
    return listed([*named[-NAMED:], *more])


def check_overdue(passed_ms: int | None, about: int, at_ms: int) -> Alert:
    """The needle has not passed a check for too long."""
    since = "has never passed a check" if passed_ms is None else f"passed its last check {_ago(passed_ms, at_ms)} ago"
    text = f"The probe {since}. Check it in ice before more pieces are judged by it."
    return alerts.made(alerts.PROBE_CHECK_OVERDUE, about, text, at_ms)


def _ago(then_ms: int, at_ms: int) -> str:
    hours = (at_ms - then_ms) // 3_600_000
    return f"{hours} hours" if hours < 48 else f"{hours // 24} days"


def _rows(world: World, other: World) -> Iterator[Row]:
    same = {id(other.probe_check), id(other.probe_read), id(other.probe_unread), id(other.spare)}
    for check in (world.probe_unread, world.probe_check, world.probe_read, world.spare):
        if check and id(check) not in same:
            yield (
                ("probe_checks", check.id),
                (
                    ("how", check.how),
                    ("opened_ms", check.opened_ms),
                    ("closed_ms", check.closed_ms),
                    ("temp_c", check.temp_c),
                    ("temperature", shown(check.temp_c, check.unit)),
                    ("due", shown(check.due_c, check.unit)),
                    ("off", None if check.offset_c is None else round(span_in_unit(check.offset_c, check.unit), 2)),
                    ("tolerance", round(span_in_unit(check.tolerance_c, check.unit), 2)),
                    ("unit", check.unit),
                    ("uncertainty_c", check.uncertainty_c),
                    ("verdict", check.verdict),
                    *given(checks_in_doubt=" ".join(map(str, check.doubts)) or None, disputed=check.disputed),
                    ("struck", 0),
                ),
            )


SUBJECT = Subject(
    commands={**dict.fromkeys(m.PROBE_CHECKS, _check_probe), m.SPARE_ICE: _spare_ice}, timers=_timers, rows=_rows
)
