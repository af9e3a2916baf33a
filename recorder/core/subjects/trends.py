"""What batches say of the next ones: bounds from few pieces, and parts that run colder than they used to."""

from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean

from recorder.core import alerts
from recorder.core.batch import FAILED, Batch, Check
from recorder.core.effects import Alert
from recorder.core.limits import in_unit, run_rules_text, temp_text
from recorder.core.world import World
from recorder.thermal import sampling

LEAST_PIECES = 3
"""Two pieces alone carry no bound that anybody could use: it lies 26 standard deviations down."""

KEPT = 40
"""Batches that a history remembers."""


def first_checks_done(world: World, batch: Batch, at_ms: int) -> World:
    """The first checks of `batch` are done: its bounds, and whether its parts run colder than they used to."""
    if batch.round > 0 or batch.holds:
        return world
    read = [check for check in batch.checks if check.source == "probe" and _trusted(check)]
    temps_c = tuple(check.temp_c for check in read if check.temp_c is not None)
    if not temps_c:
        return world
    product = _further(world, batch)
    before = [each for name, each in world.others_checked if name == product] if product else world.checked
    spread = sampling.pooled_spread(before)
    world = world.with_batch(
        batch.id,
        bound_c=sampling.lower_bound(temps_c) if len(temps_c) >= LEAST_PIECES else None,
        pooled_bound_c=sampling.pooled_lower_bound(temps_c, spread) if spread else None,
    )
    if product:
        world = replace(world, others_checked=(*world.others_checked, (product, temps_c))[-KEPT * len(world.others) :])
    else:
        world = replace(world, checked=(*world.checked, temps_c)[-KEPT:])
    for part in batch.procedure.parts:
        of_part = [check for check in read if check.part == part.name]
        if of_part:
            mean_c = fmean(temp_c for check in of_part if (temp_c := check.temp_c) is not None)
            world = _part_read(world, batch, part.name, mean_c, of_part[-1].id, at_ms)
    return world


def _further(world: World, batch: Batch) -> str:
    """The batch's product where it is a further one of the station; "" where it need not be named."""
    product = batch.procedure.product
    return product if product in [each.product for each in world.others] else ""


def _trusted(check: Check) -> bool:
    """Whether its temperature says something of the batch: neither taken back nor by a needle that failed."""
    return check.disputed is None and not check.doubted and check.probe_was != FAILED


def _part_read(world: World, batch: Batch, part: str, mean_c: float, about: int, at_ms: int) -> World:
    means, product = dict(world.means), _further(world, batch)
    key = f"{product}: {part}" if product else part
    points = (*means.get(key, ()), mean_c)[-KEPT:]
    world = replace(world, means=tuple((means | {key: points}).items()))
    if broken := sampling.drift(points, side=-1):
        return alerts.raised_once(world, drift(batch, part, points, broken, about, at_ms, product), ("part", key))
    return alerts.ended_about(world, alerts.DRIFT, ("part", key), "back to its usual", at_ms)


def drift(
    batch: Batch,
    part: str,
    points: Sequence[float],
    rules: Sequence[int],
    about: int,
    at_ms: int,
    product: str = "",
) -> Alert:
    """The batches of a part run colder than they used to; none of them need have missed a limit."""
    unit = batch.procedure.unit
    target = batch.procedure.part(part)
    assert target
    name = f"{product}: {part}" if product else part
    usual, newest = fmean(sampling.usual(points)), points[-1]
    return alerts.made(
        alerts.DRIFT,
        about,
        f"{name if product else name.capitalize()}: batches run colder than they used to (batch {batch.number}"
        f" {temp_text(newest, unit)}, before {temp_text(usual, unit)}; {run_rules_text(rules)}). Target is"
        f" {target.target.text()}. Compare oil, pieces a load and cook time before one is missed.",
        at_ms,
        temperature=round(in_unit(newest, unit), 2),
        usual=round(in_unit(usual, unit), 2),
        unit=unit,
        part=name,
        rules=" ".join(map(str, rules)),
    )
