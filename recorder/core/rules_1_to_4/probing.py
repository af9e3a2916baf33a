"""The needle itself under test: in ice or boiling water, against what it should show. It corrects no reading."""

from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.effects import Cue, Tone
from recorder.core.events import Reading
from recorder.core.limits import degrees, in_unit
from recorder.core.rules_1_to_4 import alerts, station_causes
from recorder.core.rules_1_to_4.batch import Verdict
from recorder.core.rules_1_to_4.world import ProbeCheck, World
from recorder.thermal.water import ICE_POINT_C, boiling_point_at_c

WINDOW_MS = 300_000
"""How long a probe check waits for a settled reading: an ice bath has to be made and stirred."""

GRACE_MS = 30 * 60_000
"""So long after a shift has begun an overdue check is told: there is time to do it first."""

TOLERANCES = {"F": 2.0, "C": 1.0}
"""By scale in use, in its own degrees: Food Code 2022 4-203.11 (B) and (A)."""

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
    tolerance_c = TOLERANCES[unit] * (5 / 9 if unit == "F" else 1)
    return replace(world, probe_check=ProbeCheck(seq, how, at_ms, due_c, tolerance_c, unit))


def waiting(world: World) -> ProbeCheck | None:
    """The probe check that waits for a reading."""
    check = world.probe_check
    return check if check and check.verdict is Verdict.OPEN else None


def unread(world: World, at_ms: int) -> Change:
    """The probe check that waits got no settled reading; nothing, if none waits."""
    check = waiting(world)
    if check is None:
        return world, ()
    world = replace(world, probe_check=replace(check, verdict=Verdict.NO_READING, closed_ms=at_ms))
    return world, (Cue(Tone.REFUSED, f"No settled reading for the {check.how}. Check the probe again."),)


def read(world: World, check: ProbeCheck, reading: Reading, at_ms: int) -> Change:
    """`reading` is the needle's, settled in the bath."""
    offset_c = reading.temp_c - check.due_c
    passed = abs(round(offset_c, 6)) <= check.tolerance_c
    check = replace(
        check,
        verdict=Verdict.PASSED if passed else Verdict.FAILED,
        closed_ms=at_ms,
        temp_c=reading.temp_c,
        uncertainty_c=reading.uncertainty_c,
    )
    world = replace(world, probe_check=check, probe_read=check)
    what = f"{check.how.capitalize()} {degrees(reading.temp_c, check.unit)} degrees"
    off = round(in_unit(reading.temp_c, check.unit) - in_unit(check.due_c, check.unit), 2)  # as its row has it
    if not passed:
        world = alerts.ended(world, at_ms, "failed again", (alerts.PROBE_CHECK_FAILED,))
        world = alerts.raised(world, station_causes.probe_check_failed(check, at_ms))
        return world, (Cue(Tone.ALERT, f"{what}, off by {off:+.1f}. The probe failed its check."),)
    world = alerts.ended(world, at_ms, "passed", (alerts.PROBE_CHECK_FAILED, alerts.PROBE_CHECK_OVERDUE))
    return replace(world, probe_passed_ms=at_ms), (Cue(Tone.DONE, f"{what}, off by {off:+.1f}. The probe passed."),)


def due_ms(world: World) -> int | None:
    """When the probe's check is overdue; None where none is asked for, told already, or no shift is open."""
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
    """Tell that the probe has not been checked in time."""
    assert world.shift
    about = world.probe_read.id if world.probe_read and world.rules >= 4 else world.shift.id
    world = alerts.raised(world, station_causes.probe_check_overdue(world.probe_passed_ms, about, at_ms))
    return world, (Cue(Tone.ALERT, "The probe's check is overdue. Check it in ice."),)


def standing(world: World, at_ms: int) -> str | None:
    """How the needle stands: "passed", "failed", "overdue" or "unchecked"; None where no checks are asked for."""
    every_ms = world.procedure.probe_check_every_ms if world.procedure else None
    if world.probe_read is None:
        return None if every_ms is None else "unchecked"
    if world.probe_read.verdict is Verdict.FAILED:
        return "failed"
    assert world.probe_passed_ms is not None
    late = every_ms is not None and at_ms > world.probe_passed_ms + every_ms
    return "overdue" if late else "passed"
