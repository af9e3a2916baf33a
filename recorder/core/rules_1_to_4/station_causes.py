"""What a manager is told of the station: hot holding, oil, probes, ear, clock, records.

Like `batch_causes.py` it judges nothing.
"""

from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean

from recorder.core.effects import Alert, Level
from recorder.core.limits import Limit, in_unit, minutes_text, run_rules_text, span_in_unit, temp_text
from recorder.core.rules_1_to_4 import alerts
from recorder.core.rules_1_to_4.world import OilRecord, ProbeCheck, Recovery
from recorder.thermal import sampling


def hold_cold(numbers: list[int], temp_c: float, minimum: Limit, about: int, at_ms: int) -> Alert:
    """The hot-holding cabinet is below its minimum while food is in it."""
    return alerts.made(
        alerts.HOLD_COLD,
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


def oil_slow(way: Recovery, points: Sequence[float], rules: Sequence[int], at_ms: int) -> Alert:
    """A vat's oil takes longer to come back after a load than it used to."""
    assert way.seconds is not None
    usual = fmean(sampling.usual(points))
    return alerts.made(
        alerts.OIL_SLOW,
        way.id,
        Level.WARNING,
        f"Vat {way.vat}: the oil took {minutes_text(round(way.seconds * 1000))} to recover after the load of batch"
        f" {way.batch}, before {minutes_text(round(usual * 1000))} ({run_rules_text(rules)}). Look at the load, the"
        " oil's level and the burner.",
        at_ms,
        seconds=round(way.seconds, 1),
        usual_seconds=round(usual, 1),
        vat=way.vat,
        rules=" ".join(map(str, rules)),
    )


def oil_polar(record: OilRecord, limit: float, at_ms: int) -> Alert:
    """The oil has more total polar compounds than the site allows."""
    return alerts.made(
        alerts.OIL_POLAR,
        record.id,
        Level.WARNING,
        f"Vat {record.vat}: {record.percent:g} % of polar compounds, the site's limit is {limit:g} %. Change the oil.",
        at_ms,
        percent=record.percent,
        limit=limit,
        vat=record.vat,
    )


def probe_lost(channels: Sequence[str], reason: str, about: int, at_ms: int) -> Alert:
    """Probes give no temperatures, all for one reason."""
    names = ", ".join(channels)
    several = "s" if len(channels) > 1 else ""
    until = "they are back" if several else "it is back"
    text = f"Probe{several} {names}: {reason}. Temperatures there are not recorded until {until}."
    return alerts.made(alerts.PROBE_LOST, about, Level.WARNING, text, at_ms, channel=names, reason=reason)


def probe_check_failed(check: ProbeCheck, at_ms: int) -> Alert:
    """The needle showed too much or too little in a bath."""
    assert check.temp_c is not None
    read, due = temp_text(check.temp_c, check.unit), temp_text(check.due_c, check.unit)
    tolerance = span_in_unit(check.tolerance_c, check.unit)
    return alerts.made(
        alerts.PROBE_CHECK_FAILED,
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
    return alerts.made(alerts.PROBE_CHECK_OVERDUE, about, Level.WARNING, text, at_ms)


def _ago(then_ms: int, at_ms: int) -> str:
    hours = (at_ms - then_ms) // 3_600_000
    return f"{hours} hours" if hours < 48 else f"{hours // 24} days"


def not_hearing(reason: str, about: int, at_ms: int) -> Alert:
    """The station is deaf."""
    text = f"The recorder does not hear: {reason}. Commands are not recorded until it does."
    return alerts.made(alerts.NOT_HEARING, about, Level.WARNING, text, at_ms, reason=reason)


def hears_badly(trouble: str, text: str, about: int, at_ms: int) -> Alert:
    """The station hears, but its sound is in trouble; `text` says in which and what to do."""
    text = f"The recorder hears badly: {text} Commands may not be recorded until then."
    return alerts.made(alerts.HEARS_BADLY, about, Level.WARNING, text, at_ms, trouble=trouble)


def recorder_started(station: str, version: str, about: int, at_ms: int) -> Alert:
    """The recorder began to run; over as soon as it is said."""
    text = f"Recorder at {station} started, version {version}."
    alert = alerts.made(alerts.RECORDER_STARTED, about, Level.INFO, text, at_ms, version=version)
    return replace(alert, ended_ms=at_ms, ended_by="said")


def clock_not_set(about: int, at_ms: int) -> Alert:
    """The wall clock is not known to be right."""
    text = "The recorder's clock is not known to be set. Lengths of time are right, times of day may not be."
    return alerts.made(alerts.CLOCK_NOT_SET, about, Level.WARNING, text, at_ms)


def not_recording(reason: str, about: int, at_ms: int) -> Alert:
    """Nothing can be kept. The one alert that is in no journal; `about` is the newest entry that is."""
    text = f"The recorder records nothing any more: {reason}. Write down by hand what is done until it starts again."
    return alerts.made(alerts.NOT_RECORDING, about, Level.CRITICAL, text, at_ms, reason=reason)


def records_damaged(file: str, reason: str, about: int, at_ms: int) -> Alert:
    """Older records were set aside as damaged, and what was open in them is not known any more."""
    why = f" ({reason})" if reason else ""
    text = (
        f"The records were damaged{why}. They lie in {file}, and new ones were begun: open batches and holds are not"
        " known any more. Begin them anew or discard them; keep that file and its copies. Acknowledge when it is done."
    )
    return alerts.made(alerts.RECORDS_DAMAGED, about, Level.CRITICAL, text, at_ms, file=file, reason=reason)


def disk_nearly_full(free_mb: int, least_mb: int, about: int, at_ms: int) -> Alert:
    """The disk of the records runs short of space."""
    text = (
        f"The recorder's disk is nearly full: {free_mb} MB free, should be {least_mb} MB. Make room: when it is full"
        " nothing is recorded."
    )
    return alerts.made(alerts.DISK_NEARLY_FULL, about, Level.WARNING, text, at_ms, free_mb=free_mb, least_mb=least_mb)
