"""Batches: their start under the procedure in force, and the loads of raw pieces."""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Batch, Load, Stage
from recorder.core.effects import Alert, Tone
from recorder.core.events import ProcedureLoaded, Reading, vat_channel
from recorder.core.limits import in_unit, minutes_text, temp_text
from recorder.core.meanings import Intent
from recorder.core.meant import batch_meant, known_vat, of_part, part_meant, product_meant
from recorder.core.procedure import menu_problems
from recorder.core.subject import Answer, Change, Command, Moment, Refusal, Row, Subject, done, given, of_batch, shown
from recorder.core.subjects import oil, proof, raw, recovery
from recorder.core.transitions import TRANSITIONS, leads_to
from recorder.core.world import World

HIGHEST_BATCH = 29
"""Batches are numbered from 1 to this: up to it no two numbers sound alike, as "thirteen" and "thirty" would."""


def _start(world: World, command: Command) -> Answer:
    vat, now = command.intent.vat, command.now
    procedure = product_meant(world, command.intent)
    if world.open_shift is None:
        raise Refusal("no shift is open; say shift start first")
    busy = world.in_vats
    if vat is not None:
        known_vat(world, vat)
    vats = world.vats if vat is None else (vat,)
    free = [each for each in vats if each not in busy]
    if not free:
        held = "; ".join(f"vat {each} has batch {busy[each].number}, {busy[each].stage.value}" for each in vats)
        raise Refusal(held or "there is no vat")
    if len(free) > 1:
        raise Refusal("say which vat: " + " or ".join(map(str, free)))
    stage = leads_to(m.BATCH_START)
    shift = world.open_shift.id
    batch = Batch(now.seq, _free_number(world), free[0], shift, procedure, now.at_ms, stage)
    world = replace(world, batches=(*world.batches, batch), next_batch=batch.number + 1)
    return done(oil.count_batch(world, batch), f"Batch {batch.number}, vat {batch.vat}{_product(world, batch)}.")


def _product(world: World, batch: Batch) -> str:
    """The product of a batch, where the station has several."""
    return f", {batch.procedure.called}" if world.others else ""


def _free_number(world: World) -> int:
    """The next number that no batch and no open alert has.

    After `HIGHEST_BATCH` they begin again, so that each can be spoken.
    """
    taken = {batch.number for batch in world.batches} | {
        alert.batch for alert in world.alerts if alert.ended_ms is None
    }
    count = max(HIGHEST_BATCH, len(taken) + 1)
    numbers = ((world.next_batch - 1 + further) % count + 1 for further in range(count))
    return next(number for number in numbers if number not in taken)


def _load(world: World, command: Command) -> Answer:
    intent, now = command.intent, command.now
    batch = _loaded(world, intent)
    procedure = batch.procedure
    part = part_meant(batch, intent)
    if intent.count is not None and intent.count < 1:
        raise Refusal("say how many pieces")
    late = [load.part for load in batch.loads if procedure.rank(load.part) > procedure.rank(part)]
    pieces = batch.pieces + (intent.count or 0)
    said_late = batch.stage is not Stage.LOADING
    oil_c = None if said_late else world.fresh(vat_channel(batch.vat), now.at_ms)
    over = pieces > procedure.pieces_per_load
    lot = raw.lot_of(world, part)
    load = Load(now.seq, part, intent.count, now.at_ms, oil_c, bool(late), over, said_late, lot)
    if oil_c is not None and not batch.loads and not _in_band(batch, oil_c):
        world = alerts.raised(world, oil_outside_band(batch, oil_c, now))
    complete = batch.proven
    left = replace(batch, loads=(*batch.loads, load)).pieces_left
    if left is not None and left < 0:
        raise Refusal(f"{pieces - left} pieces of batch {batch.number} are gone already, more than {pieces}")
    world = world.with_batch(batch.id, loads=(*batch.loads, load))
    world = raw.loaded(world, part, intent.count, now.at_ms)
    world = recovery.start_recovery(world, world.batch(batch.id), now.seq, oil_c, now.at_ms)
    counted = f" {intent.count}" if intent.count is not None else ""
    of_lot = f", {raw.spoken(lot)}" if lot else ""
    say = f"Batch {batch.number}, {part}{counted}{of_lot}{', said late' if said_late else ''}."
    if late:
        say += f" Out of order: {late[0]} is in already."
    if over:
        say += f" Over capacity: {pieces} of {procedure.pieces_per_load} pieces."
    if world.rules >= 7:
        world = proof.changed(world, world.batch(batch.id), complete, now.at_ms)
        if not complete and world.batch(batch.id).proven:  # what was read before counts once its load is said
            world = proof.complete(world, world.batch(batch.id), now.at_ms)
    if complete and not world.batch(batch.id).proven:
        say += f" Its checks are no longer complete: {world.batch(batch.id).missing}."
    return done(world, say, Tone.ALERT if late or over or said_late else Tone.DONE)


def _loaded(world: World, intent: Intent) -> Batch:
    """The batch that a load is said of: one that is loading, else one in the oil or out of it that lacks this part."""
    try:
        return batch_meant(world, intent, "say batch start first", strictly=True)
    except Refusal:
        transition = TRANSITIONS[m.LOAD]
        in_its_vat = [batch for batch in world.batches if intent.vat in (None, batch.vat)]
        if any(batch.stage in transition.stages for batch in in_its_vat):
            raise
        lacking = of_part(world, [batch for batch in in_its_vat if intent.part not in batch.parts], intent)
        fitting = [batch for batch in lacking if batch.stage in transition.otherwise]
        if len(fitting) != 1:
            raise
        return fitting[0]


def _in_band(batch: Batch, oil_c: float) -> bool:
    return batch.procedure.oil_low.met_by(oil_c) and not batch.procedure.oil_high.passed_by(oil_c)


def _oil_read(world: World, event: Reading, now: Moment) -> Change:
    for batch in world.batches:
        if vat_channel(batch.vat) == event.channel and _in_band(batch, event.temp_c):
            world = alerts.ended(world, now.at_ms, "oil back in its band", (alerts.OIL_OUTSIDE_BAND,), batch.number)
    return world, ()


def _procedure_loaded(world: World, event: ProcedureLoaded, _: Moment) -> Change:
    wrong = any(each.problems() or each.dangers() for each in (event.procedure, *event.others))
    wrong = wrong or bool(menu_problems(event.procedure, event.others))
    return (world if wrong else replace(world, procedure=event.procedure, others=event.others)), ()


def oil_outside_band(batch: Batch, oil_c: float, now: Moment) -> Alert:
    """The alert that the oil was not in its band at a load."""
    low, high = batch.procedure.oil_low, batch.procedure.oil_high
    return alerts.made(
        alerts.OIL_OUTSIDE_BAND,
        now.seq,
        f"Batch {batch.number}: oil of vat {batch.vat} was {temp_text(oil_c, low.unit)} at load,"
        f" band is {low.value:g} to {high.text()}.",
        now.at_ms,
        batch,
        temperature=round(in_unit(oil_c, low.unit), 2),
        low=low.value,
        high=high.value,
        unit=low.unit,
        vat=batch.vat,
    )


def _rows(batch: Batch) -> Iterator[Row]:
    procedure = batch.procedure
    yield (
        ("batches", batch.id),
        (
            ("number", batch.number),
            ("vat", batch.vat),
            ("shift", batch.shift),
            ("product", procedure.product),
            ("stage", batch.stage),
            ("started_ms", batch.started_ms),
            ("pieces", batch.pieces),
            ("rounds", batch.round + 1),
            ("checks_passed", batch.passed),
            ("checks_needed", batch.checks_needed),
            ("proven", int(batch.proven)),
            ("closed_ms", batch.closed_ms),
            ("outcome", batch.outcome),
            ("discarded_pieces", batch.discarded_pieces or None),
            *given(
                bound=shown(batch.bound_c, procedure.unit),
                pooled_bound=shown(batch.pooled_bound_c, procedure.unit),
                missing=batch.missing or None,
                sold_pieces=batch.sold_pieces or None,
                dropped_pieces=batch.dropped_pieces or None,
                waits=", ".join(f"{stage} {minutes_text(ms)}" for stage, ms in batch.waits) or None,
                reheat_by_ms=batch.reheat_by_ms,
                reheat_missed=int(batch.reheat_missed) or None,
            ),
            ("struck", 0),
        ),
    )
    for load in batch.loads:
        yield (
            ("loads", load.id),
            (
                *of_batch(batch),
                ("part", load.part),
                ("pieces", load.pieces),
                ("at_ms", load.at_ms),
                ("oil_temperature", shown(load.oil_c, procedure.unit)),
                ("unit", procedure.unit),
                ("out_of_order", int(load.out_of_order)),
                ("over_capacity", int(load.over_capacity)),
                *given(said_late=int(load.said_late) or None, lot=load.lot or None),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(
    commands={m.BATCH_START: _start, m.LOAD: _load},
    events={ProcedureLoaded: _procedure_loaded, Reading: _oil_read},
    batch_rows=_rows,
)
