"""How checks of pieces are judged, disputed and doubted. What the needle gave is never taken back."""

from dataclasses import replace

from recorder.core import alerts
from recorder.core.batch import FAILED, Batch, Check, Stage, Standing, Verdict
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.events import NEEDLE, Reading
from recorder.core.limits import Limit, degrees, in_unit, minutes_text, temp_text
from recorder.core.procedure import BY_SAFE_END, Part, Procedure
from recorder.core.subject import Change
from recorder.core.subjects import proof, reheating, trust
from recorder.core.subjects.probe_loss import is_lost
from recorder.core.world import World


def unread(world: World, batch_id: int, at_ms: int) -> Change:
    """The newest check of this batch got no settled reading."""
    batch = world.batch(batch_id)
    check = replace(batch.checks[-1], verdict=Verdict.NO_READING, closed_ms=at_ms)
    say = f"No settled reading for the {check.part or 'piece'}. Probe it again."
    if standing := check.standing:
        check, say = _left_early(batch, check, standing)
    return world.with_batch(batch.id, checks=(*batch.checks[:-1], check)), (Cue(Tone.REFUSED, say),)


def _left_early(batch: Batch, check: Check, standing: Standing) -> tuple[Check, str]:
    """A piece that was hot enough, and was not seen so for long enough: it neither passed nor failed."""
    part, unit = batch.procedure.part(check.part), batch.procedure.unit
    assert part
    check = replace(check, verdict=Verdict.NOT_LONG_ENOUGH, temp_c=standing.temp_c, source="probe", standing=None)
    stood = minutes_text(check.stood_ms)
    return check, (
        f"{part.name.capitalize()} {degrees(standing.temp_c, unit)} degrees, seen for {stood} of"
        f" {minutes_text(part.critical_for_ms)}. Probe it again."
    )


def judged(
    world: World, batch: Batch, check: Check, temp_c: float, source: str, at_ms: int, reading: Reading | None = None
) -> Change:
    """`check` of `batch` gets its temperature, from `reading` if the probe gave it, and its verdict."""
    target, critical = limits(batch.procedure, check.part)
    surely_c = _surely_c(batch, temp_c, reading)
    verdict = _verdict(batch, check, temp_c, surely_c, target, critical)
    probe_was = trust.standing(world, at_ms) if reading else _spare_standing(world, at_ms)
    check = replace(check, verdict=verdict, closed_ms=at_ms, temp_c=temp_c, source=source, probe_was=probe_was)
    proves = proof.by_trusted(batch, check)
    counts = verdict is Verdict.PASSED and target.met_by(temp_c) and proves and check.disputed is None
    check = replace(check, counts=counts)
    if reading:
        about = world.probe_read.id if world.probe_read else None
        check = replace(check, uncertainty_c=reading.uncertainty_c, settle_ms=reading.settle_ms, probe_check=about)
    asked = world.question
    if asked and verdict is not Verdict.PASSED and asked.intent.batch in (None, batch.number) and world.rules >= 6:
        world = replace(world, question=replace(asked, because=""))  # "confirm" agrees to nothing that was not said
    complete = batch.proven
    world = trust.remember_given(world, check.id, batch.number, check.part or "piece", spare=not reading)
    world = world.with_batch(batch.id, checks=replaced(batch.checks, check))
    batch = world.batch(batch.id)
    world = proof.changed(world, batch, complete, at_ms)
    what = f"{(check.part or 'piece').capitalize()} {degrees(temp_c, target.unit)} degrees"
    if surely_c < temp_c:
        what += f", surely {degrees(surely_c, target.unit)}"
    clean = " Clean the needle." if reading and world.rules >= 6 else ""
    if verdict is Verdict.BELOW_HOLD:
        world = reheating.found_cold(world, batch, check, at_ms)
        say = (
            f"{what}, below the hold minimum of {batch.procedure.hold_minimum.text()}. Say cook more, or discard batch."
            f"{clean}"
        )
        return world, (Cue(Tone.ALERT, say),)
    if verdict is Verdict.NOT_LONG_ENOUGH:
        return world, (Cue(Tone.ALERT, f"{what}, but for how long is not known. It does not count."),)
    if verdict is not Verdict.PASSED:
        world = alerts.amended(world, check_failed(batch, check, target, critical, at_ms))
        remedy = f"Batch {batch.number} is {batch.outcome} already" if batch.stage is Stage.CLOSED else "Cook more"
        return world, (Cue(Tone.ALERT, f"{what}, {verdict.value}. {remedy}.{clean}"),)
    if reading and probe_was == FAILED:
        world = alerts.amended(world, probe_untrusted(batch, check, at_ms))
        return world, (Cue(Tone.ALERT, f"{what}, but the probe failed its own check. It does not count."),)
    if batch.proven:
        world = proof.complete(world, world.batch(batch.id), at_ms)
    if check.held:
        speaks = world.rules < 6 or (proves and check.disputed is None and check.part in (None, *batch.parts))
        if batch.hold and not batch.by_time and speaks:
            hold = world.batch(batch.id).holds[-1] if world.rules >= 7 else batch.hold  # no longer proven, it may be
            world = world.with_batch(batch.id, holds=(*batch.holds[:-1], proof.read_warm(hold, check, at_ms)))
        return world, (Cue(Tone.DONE, f"{what} in holding.{_progress(batch, check)}"),)
    return world, (Cue(Tone.DONE if check.counts else Tone.ALERT, f"{what}, passed.{_progress(batch, check)}"),)


def _spare_standing(world: World, at_ms: int) -> str | None:
    return trust.spare_standing(world, at_ms, is_lost(world, NEEDLE))


def _surely_c(batch: Batch, temp_c: float, reading: Reading | None) -> float:
    """What the piece has surely reached, as far as the procedure asks for it."""
    wide_c = reading.uncertainty_c if reading and batch.procedure.critical_by == BY_SAFE_END else None
    return temp_c - (wide_c or 0.0)


def _verdict(batch: Batch, check: Check, temp_c: float, surely_c: float, target: Limit, critical: Limit) -> Verdict:
    if check.held:
        minimum = batch.procedure.hold_minimum
        return Verdict.PASSED if batch.by_time or minimum.met_by(temp_c) else Verdict.BELOW_HOLD
    if not critical.met_by(surely_c):
        return Verdict.BELOW_CRITICAL
    if not target.met_by(temp_c):
        return Verdict.BELOW_TARGET
    return Verdict.PASSED if stood_enough(batch.procedure, check, surely_c) else Verdict.NOT_LONG_ENOUGH


def stood_enough(procedure: Procedure, check: Check, temp_c: float) -> bool:
    """Whether a piece this hot has been seen so for as long as its critical limit asks for; an unnamed one never has
    where any part's asks for a time."""
    part = procedure.part(check.part)
    parts = (part,) if part else procedure.parts
    return all(each.done_at_once(temp_c) or check.stood_ms >= each.critical_for_ms for each in parts)


def passes(batch: Batch, check: Check, temp_c: float) -> bool:
    """Whether `check` would pass by this temperature."""
    return _verdict(batch, check, temp_c, temp_c, *limits(batch.procedure, check.part)) is Verdict.PASSED


def _progress(batch: Batch, check: Check) -> str:
    """How far the checks of a batch are, once this one has passed."""
    if check.part is not None and check.part not in batch.parts:
        return f" No {check.part} was loaded; it does not count."
    if not check.counts:
        return "" if check.held else " It does not count."
    passed = f" {min(batch.passed, batch.checks_needed)} of {batch.checks_needed}."
    return f"{passed} Checks complete." if batch.proven else passed


def disputed(world: World, batch: Batch, check: Check, at_ms: int, why: str = "by the cook") -> World:
    """A reading is taken back: it stays on record, and where it passed it counts no more."""
    complete = batch.proven
    check = replace(check, disputed=why, counts=False)
    world = world.with_batch(batch.id, checks=replaced(batch.checks, check))
    return proof.changed(world, world.batch(batch.id), complete, at_ms)


def doubted(world: World, ids: tuple[int, ...], at_ms: int) -> World:
    """A thermometer failed its own check: the checks `ids`, that it gave since it last passed, count no more."""
    if ids:
        closed = tuple(replace(batch, checks=_in_doubt(batch, ids)) for batch in world.closed)
        world = replace(world, closed=closed)
    for batch in world.batches:
        checks = _in_doubt(batch, ids)
        if checks != batch.checks:
            complete = batch.proven
            world = world.with_batch(batch.id, checks=checks)
            world = proof.changed(world, world.batch(batch.id), complete, at_ms)
    return world


def _in_doubt(batch: Batch, ids: tuple[int, ...]) -> tuple[Check, ...]:
    return tuple(replace(check, doubted=True, counts=False) if check.id in ids else check for check in batch.checks)


def replaced(checks: tuple[Check, ...], check: Check) -> tuple[Check, ...]:
    """`checks` with `check` in the place of the one with its id."""
    return tuple(check if each.id == check.id else each for each in checks)


def limits(procedure: Procedure, name: str | None) -> tuple[Limit, Limit]:
    """Target and critical limit of a part; for an unnamed piece the highest of all parts."""
    part = procedure.part(name)
    parts: tuple[Part, ...] = (part,) if part else procedure.parts
    return max((each.target for each in parts), key=_celsius), max((each.critical for each in parts), key=_celsius)


def _celsius(limit: Limit) -> float:
    return limit.c


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
        f"Batch {batch.number}, {check.part or 'piece'}: {temp_text(check.temp_c, unit)} was read by a probe that"
        " failed its own check, and does not count. Check it in ice again, or read another thermometer that passed.",
        at_ms,
        batch,
        temperature=round(in_unit(check.temp_c, unit), 2),
        unit=unit,
        part=check.part,
    )
