"""What a manager is told of a batch, each cause worded so that one sees at a glance what, where, how bad, what to do.

It judges nothing: who calls it has found that something is so. What becomes of an alert is in `alerts.py`; causes that
are the whole station's are in `station_causes.py`.
"""

from collections.abc import Sequence
from statistics import fmean

from recorder.core.effects import Alert, Level
from recorder.core.limits import Limit, in_unit, minutes_text, run_rules_text, temp_text
from recorder.core.rules_1_to_4 import alerts
from recorder.core.rules_1_to_4.batch import Batch, Check, Cook, Hold
from recorder.thermal import sampling


def check_failed(batch: Batch, check: Check, target: Limit, critical: Limit, at_ms: int) -> Alert:
    """A check missed its target or, worse, the critical limit."""
    assert check.temp_c is not None
    unsafe = not critical.met_by(check.temp_c)
    limit = critical if unsafe else target
    kind = alerts.CHECK_BELOW_CRITICAL if unsafe else alerts.CHECK_BELOW_TARGET
    read = temp_text(check.temp_c, limit.unit)
    return alerts.made(
        kind,
        check.id,
        Level.CRITICAL if unsafe else Level.WARNING,
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
    return alerts.made(
        alerts.COOK_SHORT,
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
    return alerts.made(
        alerts.COOK_OVERDUE,
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
    return alerts.made(
        alerts.HOLD_NEAR_LIMIT,
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
    return alerts.made(
        alerts.HOLD_PAST_LIMIT,
        hold.id,
        Level.CRITICAL,
        f"Batch {batch.number}: held past its limit of {minutes_text(limit_ms)}. Discard it.",
        at_ms,
        batch,
        seconds=(at_ms - hold.started_ms) / 1000,
        limit_seconds=limit_ms / 1000,
    )


def hold_unproven(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """Food went into holding that too few checks speak for."""
    needed = batch.procedure.checks_per_batch
    return alerts.made(
        alerts.HOLD_UNPROVEN,
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
    return alerts.made(
        alerts.OIL_OUTSIDE_BAND,
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


def drift(batch: Batch, part: str, points: Sequence[float], rules: Sequence[int], about: int, at_ms: int) -> Alert:
    """The batches of a part run colder than they used to; none of them need have missed a limit."""
    unit = batch.procedure.unit
    target = batch.procedure.part(part)
    assert target
    usual, newest = fmean(sampling.usual(points)), points[-1]
    return alerts.made(
        alerts.DRIFT,
        about,
        Level.WARNING,
        f"{part.capitalize()}: batches run colder than they used to (batch {batch.number} {temp_text(newest, unit)},"
        f" before {temp_text(usual, unit)}; {run_rules_text(rules)}). Target is {target.target.text()}. Look at oil,"
        " load and cook time before one is missed.",
        at_ms,
        temperature=round(in_unit(newest, unit), 2),
        usual=round(in_unit(usual, unit), 2),
        unit=unit,
        part=part,
        rules=" ".join(map(str, rules)),
    )


def time_not_proven(batch: Batch, about: int, at_ms: int) -> Alert:
    """A restart with no known clock left a gap in a cook or a hold."""
    text = (
        f"Batch {batch.number}: the recorder restarted while it was {batch.stage.value} and does not know for how"
        " long it was off. Treat its time as unknown."
    )
    return alerts.made(alerts.TIME_NOT_PROVEN, about, Level.CRITICAL, text, at_ms, batch)
