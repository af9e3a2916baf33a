"""What complete checks settle, and what is open again once they are complete no longer.

Checks stop to be complete where one is read colder, is disputed or is in doubt, or where a further part is said to be
in the batch. One rule for all of it: what they had ended counts again.
"""

from dataclasses import replace

from recorder.core import alerts
from recorder.core.batch import FAILED, Batch, Check, GapSettled, Hold, Stage, Verdict
from recorder.core.effects import Alert
from recorder.core.subjects import cabinet, reheating
from recorder.core.world import World


def complete(world: World, batch: Batch, at_ms: int) -> World:
    """The checks of `batch` are complete: what was open about them is over, and in time it is hot again."""
    ends = alerts.ended_by(alerts.Ends.PROOF)
    over = [alert for alert in world.alerts if alert.batch == batch.number and alert.kind in ends and _is_open(alert)]
    world = alerts.ended(world, at_ms, "checked again and passed", ends, batch.number)
    kept = [each for each in over if each.kind not in alerts.ended_by(alerts.Ends.PASSED_PROBE)]
    if kept and world.rules >= 7:
        world = world.with_batch(batch.id, settled=(*batch.settled, *((batch.round, alert) for alert in kept)))
    return reheating.hot_again(world, world.batch(batch.id))


def changed(world: World, batch: Batch, was_complete: bool, at_ms: int) -> World:
    """`world` once checks of `batch` were changed, as they are in it now."""
    if was_complete and not batch.proven:
        world = _no_longer(world, batch, at_ms)
    if world.rules < 7 or batch.stage is Stage.CLOSED:
        return world
    if batch.proven and not was_complete:  # what spoke against it was taken back
        return complete(world, batch, at_ms)
    return _gap_again(_open_again(world, batch, at_ms), batch)


def _no_longer(world: World, batch: Batch, at_ms: int) -> World:
    """What made the checks complete holds no longer; where the batch is in holding by now, that is an alert."""
    world = reheating.not_hot_after_all(world, batch)
    if batch.stage not in (Stage.HOLDING, Stage.CLOSED) or batch.hold is None or not batch.hold.proven:
        return world
    world = world.with_hold(batch.id, proven=False)
    if batch.stage is Stage.CLOSED:
        return world
    return alerts.amended(world, hold_unproven(batch, replace(batch.hold, proven=False), at_ms, world.rules))


def _open_again(world: World, batch: Batch, at_ms: int) -> World:
    """Alerts that the checks of a round ended are open again where neither these nor those of a later one are complete.

    A further cook ends by itself what it ends at all.
    """
    lapsed = [(round, alert) for round, alert in batch.settled if not _stands(batch, round)]
    if not lapsed:
        return world
    cooked_again = alerts.ended_by(alerts.Ends.MORE_COOKING)
    for round, alert in lapsed:
        if round == batch.round or alert.kind not in cooked_again:
            world = alerts.reopened(world, alert, at_ms)
    return world.with_batch(batch.id, settled=tuple(each for each in batch.settled if each not in lapsed))


def _stands(batch: Batch, round: int) -> bool:
    """Whether the checks of that round, or of a later one, are complete."""
    later = range(round, batch.round + 1)
    return any(replace(batch, corrections=batch.corrections[:each]).proven for each in later)


def _is_open(alert: Alert) -> bool:
    return alert.ended_ms is None


def read_warm(hold: Hold, check: Check, at_ms: int) -> Hold:
    """`hold` once a piece in it was warm enough: a power gap has not cooled it, unless it was a long one."""
    hold = cabinet.measured(hold, at_ms)
    if 0 < hold.power_ms < reheating.REHEAT_MS:
        settled = GapSettled(check.id, hold.power_ms, hold.cold_since_ms)
        cold_since_ms = hold.cold_since_ms if hold.cold_ms else None
        hold = replace(hold, power_ms=0, cold_since_ms=cold_since_ms, gap_settled=settled)
    return hold


def _gap_again(world: World, batch: Batch) -> World:
    """A power gap that a warm piece settled counts again where no warm piece since then speaks for the batch."""
    hold, gap = batch.hold, batch.hold.gap_settled if batch.hold else None
    if batch.stage is not Stage.HOLDING or hold is None or gap is None:
        return world
    if any(speaks(batch, check) for check in batch.checks if check.id >= gap.check):
        return world
    since = [each for each in (hold.cold_since_ms, gap.cold_since_ms) if each is not None]
    return world.with_hold(
        batch.id, power_ms=hold.power_ms + gap.power_ms, cold_since_ms=min(since, default=None), gap_settled=None
    )


def speaks(batch: Batch, check: Check) -> bool:
    """Whether a check in holding says that the batch is warm: of a part that was loaded, by a trusted thermometer."""
    sound = check.verdict is Verdict.PASSED and check.disputed is None and not check.doubted
    return check.held and sound and check.part in (None, *batch.parts) and by_trusted(batch, check)


def by_trusted(batch: Batch, check: Check) -> bool:
    """Whether the thermometer that gave it is to be believed."""
    if check.source == "probe":
        return check.probe_was != FAILED
    return batch.procedure.spoken_readings_prove or bool(check.probe_was)


def hold_unproven(batch: Batch, hold: Hold, at_ms: int, rules: int) -> Alert:
    """Food went into holding that too few checks speak for."""
    needed = batch.checks_needed
    passed = min(batch.passed, needed) if rules >= 7 else batch.passed
    return alerts.made(
        alerts.HOLD_UNPROVEN,
        hold.id,
        f"Batch {batch.number}: in holding with {passed} of {needed} checks passed ({batch.missing})."
        " Check it, cook more, or discard it.",
        at_ms,
        batch,
        passed=passed,
        needed=needed,
        failed=batch.failed,
    )
