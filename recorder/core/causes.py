"""The causes that a manager is told of, each worded so that a person sees at a glance what, where, how bad, what to do.

It judges nothing: who calls it has found that something is so. What becomes of an alert is in `alerts.py`.
"""

from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean

from recorder.core.alerts import (
    CHECK_BELOW_CRITICAL,
    CHECK_BELOW_TARGET,
    CLOCK_NOT_SET,
    COOK_OVERDUE,
    COOK_SHORT,
    DISK_NEARLY_FULL,
    DRIFT,
    HEARS_BADLY,
    HOLD_COLD,
    HOLD_NEAR_LIMIT,
    HOLD_PAST_LIMIT,
    HOLD_UNPROVEN,
    NOT_HEARING,
    NOT_RECORDING,
    OIL_OUTSIDE_BAND,
    OIL_POLAR,
    OIL_SLOW,
    PROBE_CHECK_FAILED,
    PROBE_CHECK_OVERDUE,
    PROBE_LOST,
    RECORDER_STARTED,
    RECORDS_DAMAGED,
    TIME_NOT_PROVEN,
    alert_id,
)
from recorder.core.batch import Batch, Check, Cook, Hold
from recorder.core.effects import Alert, Level, Value
from recorder.core.rules import Limit, in_unit, minutes_text, temp_text
from recorder.core.world import OilRecord, ProbeCheck, Recovery
from recorder.thermal import sampling


def check_failed(batch: Batch, check: Check, target: Limit, critical: Limit, at_ms: int) -> Alert:
    """A check missed its target or, worse, the critical limit."""
    assert check.temp_c is not None
    unsafe = not critical.met_by(check.temp_c)
    limit = critical if unsafe else target
    name, level = (CHECK_BELOW_CRITICAL, Level.CRITICAL) if unsafe else (CHECK_BELOW_TARGET, Level.WARNING)
    read = temp_text(check.temp_c, limit.unit)
    return _alert(
        name,
        check.id,
        level,
        f"Batch {batch.number}, {check.part or 'piece'}: read {read}, needs {limit.text()}"
        f" ({'critical limit' if unsafe else 'target'}). Cook more and check again.",
        at_ms,
        batch,
        temperature=round(in_unit(check.temp_c, limit.unit), 2),
        limit=limit.value,
        unit=limit.unit,
        part=check.part,
        source=check.source,
    )


def cook_short(batch: Batch, cook: Cook, at_ms: int) -> Alert:
    """The lid was opened before the shortest cook was over."""
    cooked_ms, shortest_ms = at_ms - cook.locked_ms, batch.procedure.shortest_cook_ms
    return _alert(
        COOK_SHORT,
        cook.id,
        Level.WARNING,
        f"Batch {batch.number}: lid opened after {minutes_text(cooked_ms)}, shortest cook is"
        f" {minutes_text(shortest_ms)}. Check every part, cook more where it is needed.",
        at_ms,
        batch,
        seconds=cooked_ms / 1000,
        limit_seconds=shortest_ms / 1000,
    )


def cook_overdue(batch: Batch, cook: Cook, at_ms: int) -> Alert:
    """The lid is still locked after the longest cook."""
    longest_ms = batch.procedure.longest_cook_ms
    return _alert(
        COOK_OVERDUE,
        cook.id,
        Level.WARNING,
        f"Batch {batch.number}, vat {batch.vat}: lid still locked after {minutes_text(longest_ms)},"
        " the longest cook. See to the vat.",
        at_ms,
        batch,
        seconds=(at_ms - cook.locked_ms) / 1000,
        limit_seconds=longest_ms / 1000,
    )


def hold_near_limit(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """A hold has come near its limit."""
    procedure = batch.procedure
    left_ms = hold.started_ms + procedure.hold_limit_ms - at_ms
    return _alert(
        HOLD_NEAR_LIMIT,
        hold.id,
        Level.WARNING,
        f"Batch {batch.number}: {minutes_text(left_ms)} of its {minutes_text(procedure.hold_limit_ms)} hold left."
        " Sell it first.",
        at_ms,
        batch,
        seconds=(at_ms - hold.started_ms) / 1000,
        limit_seconds=procedure.hold_limit_ms / 1000,
    )


def hold_past_limit(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """A hold has run past its limit."""
    limit_ms = batch.procedure.hold_limit_ms
    return _alert(
        HOLD_PAST_LIMIT,
        hold.id,
        Level.CRITICAL,
        f"Batch {batch.number}: held past its limit of {minutes_text(limit_ms)}. Discard it.",
        at_ms,
        batch,
        seconds=(at_ms - hold.started_ms) / 1000,
        limit_seconds=limit_ms / 1000,
    )


def hold_cold(numbers: list[int], temp_c: float, minimum: Limit, about: int, at_ms: int) -> Alert:
    """The hot-holding cabinet is below its minimum while food is in it."""
    return _alert(
        HOLD_COLD,
        about,
        Level.CRITICAL,
        f"Hot holding reads {temp_text(temp_c, minimum.unit)}, needs {minimum.text()}. Batches in it:"
        f" {', '.join(map(str, numbers))}. Check the food and the cabinet.",
        at_ms,
        temperature=round(in_unit(temp_c, minimum.unit), 2),
        limit=minimum.value,
        unit=minimum.unit,
        batches=" ".join(map(str, numbers)),
    )


def hold_unproven(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """Food went into holding that too few checks speak for."""
    needed = batch.procedure.checks_per_batch
    return _alert(
        HOLD_UNPROVEN,
        hold.id,
        Level.CRITICAL,
        f"Batch {batch.number}: put into holding with {batch.passed} of {needed} checks passed"
        f" and {batch.failed} failed. Check it or discard it.",
        at_ms,
        batch,
        passed=batch.passed,
        needed=needed,
        failed=batch.failed,
    )


def oil_outside_band(batch: Batch, oil_c: float, about: int, at_ms: int) -> Alert:
    """The oil was too cold or too hot when the pieces went in."""
    low, high = batch.procedure.oil_low, batch.procedure.oil_high
    return _alert(
        OIL_OUTSIDE_BAND,
        about,
        Level.WARNING,
        f"Batch {batch.number}: oil of vat {batch.vat} was {temp_text(oil_c, low.unit)} at load,"
        f" band is {low.value:g} to {high.text()}.",
        at_ms,
        batch,
        temperature=round(in_unit(oil_c, low.unit), 2),
        low=low.value,
        high=high.value,
        unit=low.unit,
        vat=batch.vat,
    )


def probe_lost(channels: Sequence[str], reason: str, about: int, at_ms: int) -> Alert:
    """Probes give no temperatures, all for one reason."""
    names = ", ".join(channels)
    several = "s" if len(channels) > 1 else ""
    until = "they are back" if several else "it is back"
    text = f"Probe{several} {names}: {reason}. Temperatures there are not recorded until {until}."
    return _alert(PROBE_LOST, about, Level.WARNING, text, at_ms, channel=names, reason=reason)


def probe_check_failed(check: ProbeCheck, at_ms: int) -> Alert:
    """The needle showed too much or too little in a bath."""
    assert check.temp_c is not None
    read, due = temp_text(check.temp_c, check.unit), temp_text(check.due_c, check.unit)
    tolerance = in_unit(check.tolerance_c, check.unit) - in_unit(0, check.unit)
    return _alert(
        PROBE_CHECK_FAILED,
        check.id,
        Level.CRITICAL,
        f"Probe check, {check.how}: read {read}, should be {due} within {tolerance:g} °{check.unit}. Adjust or replace"
        " the probe. Checks since its last passed check are in doubt.",
        at_ms,
        temperature=round(in_unit(check.temp_c, check.unit), 2),
        due=round(in_unit(check.due_c, check.unit), 2),
        tolerance=round(tolerance, 2),
        unit=check.unit,
        how=check.how,
    )


def probe_check_overdue(passed_ms: int | None, about: int, at_ms: int) -> Alert:
    """The needle has not passed a check for too long."""
    since = "has never passed a check" if passed_ms is None else f"passed its last check {_ago(passed_ms, at_ms)} ago"
    text = f"The probe {since}. Check it in ice before more pieces are judged by it."
    return _alert(PROBE_CHECK_OVERDUE, about, Level.WARNING, text, at_ms)


def drift(batch: Batch, part: str, points: Sequence[float], rules: Sequence[int], about: int, at_ms: int) -> Alert:
    """The batches of a part run colder than they used to; none of them need have missed a limit."""
    unit = batch.procedure.unit
    target = batch.procedure.part(part)
    assert target
    usual, newest = fmean(sampling.usual(points)), points[-1]
    return _alert(
        DRIFT,
        about,
        Level.WARNING,
        f"{part.capitalize()}: batches run colder than they used to (batch {batch.number} {temp_text(newest, unit)},"
        f" before {temp_text(usual, unit)}; {_rules(rules)}). Target is {target.target.text()}. Look at oil, load and"
        " cook time before one is missed.",
        at_ms,
        temperature=round(in_unit(newest, unit), 2),
        usual=round(in_unit(usual, unit), 2),
        unit=unit,
        part=part,
        rules=" ".join(map(str, rules)),
    )


def oil_slow(way: Recovery, points: Sequence[float], rules: Sequence[int], at_ms: int) -> Alert:
    """A vat's oil takes longer to come back after a load than it used to."""
    assert way.seconds is not None
    usual = fmean(sampling.usual(points))
    return _alert(
        OIL_SLOW,
        way.id,
        Level.WARNING,
        f"Vat {way.vat}: the oil took {minutes_text(round(way.seconds * 1000))} to recover after the load of batch"
        f" {way.batch}, before {minutes_text(round(usual * 1000))} ({_rules(rules)}). Look at the load, the oil's"
        " level and the burner.",
        at_ms,
        seconds=round(way.seconds, 1),
        usual_seconds=round(usual, 1),
        vat=way.vat,
        rules=" ".join(map(str, rules)),
    )


def oil_polar(record: OilRecord, limit: float, at_ms: int) -> Alert:
    """The oil has more total polar compounds than the site allows."""
    return _alert(
        OIL_POLAR,
        record.id,
        Level.WARNING,
        f"Vat {record.vat}: {record.percent:g} % of polar compounds, the site's limit is {limit:g} %. Change the oil.",
        at_ms,
        percent=record.percent,
        limit=limit,
        vat=record.vat,
    )


def _rules(numbers: Sequence[int]) -> str:
    return f"run rule{'s' if len(numbers) > 1 else ''} {' and '.join(map(str, numbers))}"


def _ago(then_ms: int, at_ms: int) -> str:
    hours = (at_ms - then_ms) // 3_600_000
    return f"{hours} hours" if hours < 48 else f"{hours // 24} days"


def not_hearing(reason: str, about: int, at_ms: int) -> Alert:
    """The station is deaf."""
    text = f"The recorder does not hear: {reason}. Commands are not recorded until it does."
    return _alert(NOT_HEARING, about, Level.WARNING, text, at_ms, reason=reason)


def hears_badly(trouble: str, text: str, about: int, at_ms: int) -> Alert:
    """The station hears, but its sound is in trouble; `text` says in which and what to do."""
    text = f"The recorder hears badly: {text} Commands may not be recorded until then."
    return _alert(HEARS_BADLY, about, Level.WARNING, text, at_ms, trouble=trouble)


def not_recording(reason: str, about: int, at_ms: int) -> Alert:
    """Nothing can be kept. The one alert that is in no journal; `about` is the newest entry that is."""
    text = f"The recorder records nothing any more: {reason}. Write down by hand what is done until it starts again."
    return _alert(NOT_RECORDING, about, Level.CRITICAL, text, at_ms, reason=reason)


def time_not_proven(batch: Batch, about: int, at_ms: int) -> Alert:
    """A restart with no known clock left a gap in a cook or a hold."""
    text = (
        f"Batch {batch.number}: the recorder restarted while it was {batch.stage.value} and does not know for how"
        " long it was off. Treat its time as unknown."
    )
    return _alert(TIME_NOT_PROVEN, about, Level.CRITICAL, text, at_ms, batch)


def recorder_started(station: str, version: str, about: int, at_ms: int) -> Alert:
    """The recorder began to run; over as soon as it is said."""
    text = f"Recorder at {station} started, version {version}."
    alert = _alert(RECORDER_STARTED, about, Level.INFO, text, at_ms, version=version)
    return replace(alert, ended_ms=at_ms, ended_by="said")


def clock_not_set(about: int, at_ms: int) -> Alert:
    """The wall clock is not known to be right."""
    text = "The recorder's clock is not known to be set. Lengths of time are right, times of day may not be."
    return _alert(CLOCK_NOT_SET, about, Level.WARNING, text, at_ms)


def records_damaged(file: str, reason: str, about: int, at_ms: int) -> Alert:
    """Older records were set aside as damaged, and what was open in them is not known any more."""
    why = f" ({reason})" if reason else ""
    text = (
        f"The records were damaged{why}. They lie in {file}, and new ones were begun: open batches and holds are not"
        " known any more. Begin them anew or discard them; keep that file and its copies. Acknowledge when it is done."
    )
    return _alert(RECORDS_DAMAGED, about, Level.CRITICAL, text, at_ms, file=file, reason=reason)


def disk_nearly_full(free_mb: int, least_mb: int, about: int, at_ms: int) -> Alert:
    """The disk of the records runs short of space."""
    text = (
        f"The recorder's disk is nearly full: {free_mb} MB free, should be {least_mb} MB. Make room: when it is full"
        " nothing is recorded."
    )
    return _alert(DISK_NEARLY_FULL, about, Level.WARNING, text, at_ms, free_mb=free_mb, least_mb=least_mb)


def _alert(
    kind: str, about: int, level: Level, text: str, at_ms: int, batch: Batch | None = None, **numbers: Value
) -> Alert:
    number = batch.number if batch else None
    return Alert(alert_id(about, kind), kind, level, text, number, tuple(numbers.items()), at_ms)
