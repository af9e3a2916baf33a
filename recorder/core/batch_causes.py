"""What a manager is told of a batch, each cause worded so that one sees at a glance what, where, how bad, what to do.

It judges nothing: who calls it has found that something is so. What becomes of an alert is in `alerts.py`; causes that
are the whole station's are in `station_causes.py`.
"""

from collections.abc import Sequence
from statistics import fmean

from recorder.core import alerts
from recorder.core.batch import Batch, Check, Cook, Hold, Stage, Verdict, listed
from recorder.core.effects import Alert, Level
from recorder.core.limits import Limit, in_unit, minutes_text, run_rules_text, temp_text
from recorder.core.procedure import TIME_ALONE_MS
from recorder.core.waiting import Wait
from recorder.thermal import sampling

PRESSURE = (
    "Somebody should see to it. It may be under pressure: the maker's instructions come first, and a lid or valve that"
    " sticks is for licensed people."
)
"""Beside each alert that sends somebody to a locked vat."""

REHEAT_MS = 2 * 3_600_000
"""FDA Food Code 2022, 3-403.11(D)."""

REHEAT = {
    "F": "Reheat it to 165 °F for 15 seconds within 2 hours, or discard it (FDA Food Code 2022, 3-403.11).",
    "C": "Reheat it to 74 °C for 15 seconds within 2 hours, or discard it (FDA Food Code 2022, 3-403.11).",
}

WAITING = {
    Stage.LOADING: "raw pieces have waited in the loaded vat",
    Stage.CHECKING: "cooked pieces have waited outside the oil and hot holding",
    Stage.RETURNED: "pieces that go back have waited for the oil",
}


def check_failed(batch: Batch, check: Check, target: Limit, critical: Limit, at_ms: int) -> Alert:
    """A check missed its target or, worse, the critical limit."""
    assert check.temp_c is not None
    unsafe = check.verdict is Verdict.BELOW_CRITICAL
    limit = critical if unsafe else target
    kind = alerts.CHECK_BELOW_CRITICAL if unsafe else alerts.CHECK_BELOW_TARGET
    read = temp_text(check.temp_c, limit.unit)
    if unsafe and critical.met_by(check.temp_c) and check.uncertainty_c:  # the low end of its interval misses it
        read += f", surely {temp_text(check.temp_c - check.uncertainty_c, limit.unit)}"
    return alerts.made(
        kind,
        check.id,
        Level.CRITICAL if unsafe else Level.WARNING,
        f"Batch {batch.number}, {check.part or 'piece'}: read {read}, needs {limit.text()}"
        f" ({'critical limit' if unsafe else 'target'}). {_remedy(batch)}",
        at_ms,
        batch,
        temperature=round(in_unit(check.temp_c, limit.unit), 2),
        limit=limit.value,
        unit=limit.unit,
        part=check.part,
        source=check.source,
    )


def _remedy(batch: Batch) -> str:
    if batch.stage is Stage.CLOSED:
        return f"The batch is {batch.outcome} already."
    return (
        "It is in holding: cook more, or discard it." if batch.stage is Stage.HOLDING else "Cook more and check again."
    )


def probe_untrusted(batch: Batch, check: Check, at_ms: int) -> Alert:
    """A check passed by a needle that failed its own check."""
    assert check.temp_c is not None
    unit = batch.procedure.unit
    return alerts.made(
        alerts.PROBE_UNTRUSTED,
        batch.id,
        Level.WARNING,
        f"Batch {batch.number}, {check.part or 'piece'}: {temp_text(check.temp_c, unit)} was read by a probe that"
        " failed its own check, and does not count. Check it in ice again, or read another thermometer that passed.",
        at_ms,
        batch,
        temperature=round(in_unit(check.temp_c, unit), 2),
        unit=unit,
        part=check.part,
    )


def food_cold(batch: Batch, check: Check, at_ms: int) -> Alert:
    """A piece in hot holding is below the minimum."""
    assert check.temp_c is not None
    minimum = batch.procedure.hold_minimum
    return alerts.made(
        alerts.FOOD_COLD,
        check.id,
        Level.CRITICAL,
        f"Batch {batch.number}, {check.part or 'piece'} in holding: read {temp_text(check.temp_c, minimum.unit)}, needs"
        f" {minimum.text()}. {REHEAT[minimum.unit]}",
        at_ms,
        batch,
        temperature=round(in_unit(check.temp_c, minimum.unit), 2),
        limit=minimum.value,
        unit=minimum.unit,
        part=check.part,
    )


def reheat_late(batch: Batch, at_ms: int) -> Alert:
    """Food that was held too cold was not hot again in time."""
    return alerts.made(
        alerts.REHEAT_LATE,
        batch.id,
        Level.CRITICAL,
        f"Batch {batch.number}: found too cold in holding, and not checked hot within {minutes_text(REHEAT_MS)}."
        " Discard it (FDA Food Code 2022, 3-403.11).",
        at_ms,
        batch,
        seconds=REHEAT_MS / 1000,
        limit_seconds=REHEAT_MS / 1000,
    )


def pieces_wait(batch: Batch, wait: Wait, at_ms: int) -> Alert:
    """Pieces wait for longer than the kitchen lets them: raw ones, or such as came out of the oil."""
    return alerts.made(
        alerts.PIECES_WAIT,
        wait.about,
        Level.WARNING,
        f"Batch {batch.number}, vat {batch.vat}: {WAITING[batch.stage]} for {minutes_text(wait.longest_ms)}, the"
        " longest wait. See to the food.",
        at_ms,
        batch,
        seconds=wait.longest_ms / 1000,
        limit_seconds=wait.longest_ms / 1000,
        stage=batch.stage.value,
    )


def hold_late(batch: Batch, hold: Hold, waits: Sequence[tuple[Stage, int]], at_ms: int) -> Alert:
    """Food went into holding after longer waits than the kitchen allows."""
    waited_ms = max(ms for _, ms in waits)
    told = listed([f"{WAITING[stage]} for {minutes_text(ms)}" for stage, ms in waits])
    return alerts.made(
        alerts.HOLD_LATE,
        hold.id,
        Level.CRITICAL if waited_ms >= TIME_ALONE_MS else Level.WARNING,
        f"Batch {batch.number} is in holding, but {told}. Its hold counts from the open lid. Take its temperature.",
        at_ms,
        batch,
        seconds=waited_ms / 1000,
        waits=len(waits),
    )


def sold_despite(batch: Batch, why: Sequence[tuple[str, bool]], about: int, at_ms: int) -> Alert:
    """Food was sold though something stood against it: in words, and whether it is one of safety."""
    safety = any(unsafe for _, unsafe in why)
    return alerts.made(
        alerts.SOLD_DESPITE,
        about,
        Level.CRITICAL if safety else Level.WARNING,
        f"Batch {batch.number} was sold though {listed([each for each, _ in why])}.",
        at_ms,
        batch,
        safety=int(safety),
        pieces=batch.sold_pieces or None,
    )


def cook_short(batch: Batch, cook: Cook, cooked_ms: int, shortest_ms: int, at_ms: int) -> Alert:
    """The lid was opened before the shortest cook was over."""
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


def cook_overdue(batch: Batch, cook: Cook, longest_ms: int, at_ms: int) -> Alert:
    """The lid is still locked after the longest cook."""
    return alerts.made(
        alerts.COOK_OVERDUE,
        cook.id,
        Level.WARNING,
        f"Batch {batch.number}, vat {batch.vat}: lid still locked after {minutes_text(longest_ms)},"
        f" the longest cook. {PRESSURE}",
        at_ms,
        batch,
        seconds=(at_ms - cook.locked_ms) / 1000,
        limit_seconds=longest_ms / 1000,
    )


def hold_near_limit(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """A hold has come near its limit."""
    procedure = batch.procedure
    held_ms = at_ms - hold.counted_ms
    left = f"{minutes_text(procedure.hold_limit_ms - held_ms)} of its {minutes_text(procedure.hold_limit_ms)} hold left"
    unknown = f"held for at least {minutes_text(held_ms)}, how long is not known"
    return alerts.made(
        alerts.HOLD_NEAR_LIMIT,
        hold.id,
        Level.WARNING,
        f"Batch {batch.number}: {left if hold.time_proven else unknown}. Sell it first.",
        at_ms,
        batch,
        seconds=(at_ms - hold.counted_ms) / 1000,
        limit_seconds=procedure.hold_limit_ms / 1000,
    )


def hold_past_limit(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """A hold has run past its limit: one of safety where time alone keeps the food safe, else one of quality."""
    limit_ms = batch.procedure.hold_limit_ms
    safety = f"limit of {minutes_text(limit_ms)} without temperature control. Discard it."
    quality = (
        f"quality limit of {minutes_text(limit_ms)}. The kitchen's procedure says to discard it; at"
        f" {batch.procedure.hold_minimum.text()} or above the Food Code sets no limit of time."
    )
    return alerts.made(
        alerts.HOLD_PAST_LIMIT,
        hold.id,
        Level.CRITICAL if batch.by_time else Level.WARNING,
        f"Batch {batch.number}: held past its {safety if batch.by_time else quality}",
        at_ms,
        batch,
        seconds=(at_ms - hold.counted_ms) / 1000,
        limit_seconds=limit_ms / 1000,
    )


def hold_unproven(batch: Batch, hold: Hold, at_ms: int) -> Alert:
    """Food went into holding that too few checks speak for."""
    needed = batch.checks_needed
    return alerts.made(
        alerts.HOLD_UNPROVEN,
        hold.id,
        Level.CRITICAL,
        f"Batch {batch.number}: in holding with {batch.passed} of {needed} checks passed ({batch.missing})."
        " Check it, cook more, or discard it.",
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
        f" before {temp_text(usual, unit)}; {run_rules_text(rules)}). Target is {target.target.text()}. Compare oil,"
        " pieces a load and cook time before one is missed.",
        at_ms,
        temperature=round(in_unit(newest, unit), 2),
        usual=round(in_unit(usual, unit), 2),
        unit=unit,
        part=part,
        rules=" ".join(map(str, rules)),
    )


def time_not_proven(batch: Batch, about: int, at_ms: int) -> Alert:
    """A restart with no known clock left a gap in a cook, a hold or a wait."""
    locked = batch.stage in (Stage.COOKING, Stage.LOADING)
    text = (
        f"Batch {batch.number}: the recorder restarted while it was {batch.stage.value} and does not know for how"
        f" long it was off. Treat its time as unknown, and take its temperature{' once it is out' if locked else ''}."
    )
    return alerts.made(alerts.TIME_NOT_PROVEN, about, Level.CRITICAL, text, at_ms, batch)
