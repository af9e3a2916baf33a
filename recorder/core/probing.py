"""Thermometers under test: in ice or boiling water, against what they should show. It corrects no reading."""

from dataclasses import replace

from recorder.core import alerts, station_causes
from recorder.core import meanings as m
from recorder.core.batch import Verdict
from recorder.core.effects import Cue, Tone
from recorder.core.events import NEEDLE, Reading
from recorder.core.limits import degrees, in_unit
from recorder.core.lost import is_lost
from recorder.core.world import ProbeCheck, Stood, World
from recorder.thermal.water import ICE_POINT_C, boiling_point_at_c

WINDOW_MS = 300_000
"""How long a probe check waits for a settled reading: an ice bath has to be made and stirred."""

GRACE_MS = 30 * 60_000
"""So long after a shift has begun an overdue check becomes an alert: there is time to do it first."""

SPARE_MS = 24 * 3_600_000
"""So long another thermometer that passed may stand in, where the procedure does not say how often to check."""

NO_BATH_C = 30.0
"""What rests farther than this from what the bath should show is in something else (common practice, no source)."""

UNVERIFIED_KEPT = 500
"""So many of the newest checks are remembered until the needle passes a check of its own."""

TOLERANCES = {"F": 2.0, "C": 1.0}
"""By scale in use, in its own degrees: Food Code 2022 4-203.11 (B) and (A)."""

PASSED, FAILED, OVERDUE, UNCHECKED = "passed", "failed", "overdue", "unchecked"
"""How the needle stands."""

SPARE_PASSED = "spare passed"
"""How another thermometer stands that may stand in for the needle."""

Change = tuple[World, tuple[Cue, ...]]


def opened(world: World, how: str, unit: str, altitude_m: float | None, seq: int, at_ms: int) -> World:
    """`world` with a probe check that waits for a reading. Raises `ValueError` for boiling at an unknown height."""
    if how == m.ICE_POINT:
        due_c = ICE_POINT_C
    elif altitude_m is not None:
        due_c = boiling_point_at_c(altitude_m)
    else:
        raise ValueError(
            "the procedure says no altitude_m under [probe_check]; use ice, or say how high the kitchen is"
        )
    return replace(world, probe_check=ProbeCheck(seq, how, at_ms, due_c, _tolerance_c(unit), unit))


def _tolerance_c(unit: str) -> float:
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


def in_bath(check: ProbeCheck, reading: Reading) -> bool:
    """Whether this reading can be of the bath at all, and not of the piece that the needle was in before."""
    return abs(reading.temp_c - check.due_c) <= NO_BATH_C


def read(world: World, check: ProbeCheck, reading: Reading, at_ms: int) -> Change:
    """`reading` is the needle's, settled in the bath. Of a failed check `ProbeCheck.doubts` says what is in doubt."""
    check = _judged(check, reading.temp_c, at_ms, reading.uncertainty_c)
    say = _said(check, "The probe")
    world = replace(world, stood=Stood(_believed(world), world.probe_passed_ms))
    if check.verdict is Verdict.PASSED:
        check = replace(check, spoke_for=world.unverified)
        world = alerts.ended(world, at_ms, "passed", alerts.ENDED_BY_PASSED_PROBE)
        world = replace(world, probe_check=check, probe_read=check, probe_passed_ms=at_ms, unverified=())
        return world, (Cue(Tone.DONE, say),)
    check = replace(check, doubts=tuple(id for id, _, _ in world.unverified))
    world = alerts.ended(world, at_ms, "failed again", (alerts.PROBE_CHECK_FAILED,))
    world = alerts.raised(world, station_causes.probe_check_failed(check, at_ms))
    world = _doubtful(world, check, world.unverified, at_ms)
    return replace(world, probe_check=check, probe_read=check, unverified=()), (Cue(Tone.ALERT, say),)


def _doubtful(world: World, check: ProbeCheck, given: tuple[tuple[int, int, str], ...], at_ms: int) -> World:
    """The alert that names the checks in doubt, if there are any."""
    named = [(number, part) for _, number, part in given]
    return alerts.raised(world, station_causes.checks_in_doubt(check, named, at_ms)) if named else world


def spare_read(world: World, number: float, unit: str, seq: int, at_ms: int) -> tuple[World, str, bool]:
    """Another thermometer showed `number` (in `unit`) in ice: the world, the answer, and whether it passed."""
    temp_c = (number - 32) * 5 / 9 if unit == "F" else number
    check = _judged(ProbeCheck(seq, m.SPARE_ICE, at_ms, ICE_POINT_C, _tolerance_c(unit), unit), temp_c, at_ms, None)
    passed = check.verdict is Verdict.PASSED
    if passed:
        check = replace(check, spoke_for=world.spare_unverified)
    else:
        check = replace(check, doubts=tuple(id for id, _, _ in world.spare_unverified))
        world = _doubtful(world, check, world.spare_unverified, at_ms)
    return replace(world, spare=check, spare_unverified=()), _said(check, "The spare thermometer"), passed


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
    return alerts.raised(world, station_causes.probe_check_failed(stood.check, stood.check.closed_ms or at_ms))


def _believed(world: World) -> ProbeCheck | None:
    """The newest check of the needle that says how it stands: a pass that was taken back says nothing."""
    read = world.probe_read
    if read and read.disputed and read.verdict is Verdict.PASSED:
        return world.stood.check if world.stood else None
    return read


def unverified(world: World, id: int, batch: int, part: str, spare: bool) -> World:
    """The needle, or another thermometer, gave the check `id`: remembered until it passes a check of its own."""
    given = world.spare_unverified if spare else world.unverified
    others = tuple(each for each in given if each[0] != id)
    given = (*others, (id, batch, part))[-UNVERIFIED_KEPT:]
    return replace(world, spare_unverified=given) if spare else replace(world, unverified=given)


def due_ms(world: World) -> int | None:
    """When the probe's check is overdue; None where none is asked for, it is an alert already, or no shift is open."""
    procedure, shift = world.procedure, world.shift
    if procedure is None or procedure.probe_check_every_ms is None or shift is None or shift.ended_ms is not None:
        return None
    if alerts.is_open(world, alerts.PROBE_CHECK_OVERDUE):
        return None
    grace_ms = shift.started_ms + GRACE_MS
    if world.probe_passed_ms is None:
        return grace_ms
    return max(grace_ms, world.probe_passed_ms + procedure.probe_check_every_ms)


def overdue(world: World, at_ms: int) -> Change:
    """Say that the probe has not been checked in time."""
    assert world.shift
    about = world.probe_read.id if world.probe_read else world.shift.id
    world = alerts.raised(world, station_causes.probe_check_overdue(world.probe_passed_ms, about, at_ms))
    return world, (Cue(Tone.ALERT, "The probe's check is overdue. Check it in ice."),)


def standing(world: World, at_ms: int) -> str | None:
    """How the needle stands: "passed", "failed", "overdue" or "unchecked"; None where no checks are asked for."""
    every_ms = world.procedure.probe_check_every_ms if world.procedure else None
    if world.probe_read is None:
        return None if every_ms is None else UNCHECKED
    believed = _believed(world)
    if believed and believed.verdict is Verdict.FAILED:
        return FAILED
    if world.probe_passed_ms is None:
        return UNCHECKED
    return OVERDUE if every_ms is not None and at_ms > world.probe_passed_ms + every_ms else PASSED


def spare_standing(world: World, at_ms: int) -> str | None:
    """`SPARE_PASSED` where another thermometer may stand in: it passed, and the needle is lost or failed; else None."""
    spare, every_ms = world.spare, world.procedure.probe_check_every_ms if world.procedure else None
    if spare is None or spare.verdict is not Verdict.PASSED or spare.disputed:
        return None
    if at_ms > spare.opened_ms + (every_ms or SPARE_MS):
        return None
    return SPARE_PASSED if is_lost(world, NEEDLE) or standing(world, at_ms) == FAILED else None
