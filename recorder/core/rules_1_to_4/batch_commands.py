"""What is said of a batch, from its start to its end.

Each function is one meaning's and does it to the world, at entry number `seq`; raises `Refusal`.
"""

from dataclasses import replace

from recorder.core.editions import FREE_NUMBER
from recorder.core.effects import Tone
from recorder.core.events import Intent, vat_channel
from recorder.core.limits import minutes_text, plausible, to_c
from recorder.core.rules_1_to_4 import alerts, batch_causes, checks, probing, trends
from recorder.core.rules_1_to_4.batch import MISSED, Batch, Cook, Correction, Hold, Load, Stage
from recorder.core.rules_1_to_4.outcome import (
    IN_VAT,
    QUESTION_MS,
    Answer,
    Refusal,
    asks_first,
    done,
    fresh,
    known_vat,
    pick,
)
from recorder.core.rules_1_to_4.world import Question, World

HIGHEST_BATCH = 29
"""Batches are numbered from 1 to this: up to it no two numbers sound alike, as "thirteen" and "thirty" would."""

OPEN = (*IN_VAT, Stage.HOLDING)


def batch_start(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if world.procedure is None:
        raise Refusal("no procedure is loaded")
    if world.shift is None or world.shift.ended_ms is not None:
        raise Refusal("no shift is open; start the shift first")
    busy = _busy(world)
    if intent.vat is not None:
        known_vat(world, intent.vat)
    vats = world.vats if intent.vat is None else (intent.vat,)
    free = [vat for vat in vats if vat not in busy]
    if not free:
        held = "; ".join(f"vat {vat} has batch {busy[vat].number}, {busy[vat].stage.value}" for vat in vats)
        raise Refusal(held or "there is no vat")
    if len(free) > 1:
        raise Refusal("say which vat: " + " or ".join(map(str, free)))
    batch = Batch(seq, _free_number(world), free[0], world.shift.id, world.procedure, at_ms)
    world = replace(world, batches=(*world.batches, batch), next_batch=batch.number + 1)
    return done(trends.used(world, batch), f"Batch {batch.number}, vat {batch.vat}.")


def _free_number(world: World) -> int:
    """The next number that no open batch has. After `HIGHEST_BATCH` they begin again, so that each can be spoken."""
    if world.edition < FREE_NUMBER:
        return world.next_batch
    taken = {batch.number for batch in world.batches if batch.stage is not Stage.CLOSED}
    count = max(HIGHEST_BATCH, len(taken) + 1)
    numbers = ((world.next_batch - 1 + further) % count + 1 for further in range(count))
    return next(number for number in numbers if number not in taken)


def _busy(world: World) -> dict[int, Batch]:
    return {batch.vat: batch for batch in world.batches if batch.stage in IN_VAT}


def load(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.LOADING,), "start a batch first")
    procedure = batch.procedure
    if procedure.part(intent.part) is None or intent.part is None:
        raise Refusal(f"the procedure has no part {intent.part!r}")
    late = [load.part for load in batch.loads if procedure.rank(load.part) > procedure.rank(intent.part)]
    pieces = batch.pieces + (intent.count or 0)
    oil_c = fresh(world, vat_channel(batch.vat), at_ms)
    over = pieces > procedure.pieces_per_load
    load = Load(seq, intent.part, intent.count, at_ms, oil_c, bool(late), over)
    if oil_c is not None and not batch.loads and not in_band(batch, oil_c):
        world = alerts.raised(world, batch_causes.oil_outside_band(batch, oil_c, seq, at_ms))
    world = world.with_batch(batch.id, loads=(*batch.loads, load))
    world = trends.load_felt(world, world.batch(batch.id), seq, oil_c, at_ms)
    counted = f" {intent.count}" if intent.count is not None else ""
    say = f"Batch {batch.number}, {intent.part}{counted}."
    if late:
        say += f" Out of order: {late[0]} is in already."
    if over:
        say += f" Over capacity: {pieces} of {procedure.pieces_per_load} pieces."
    return done(world, say, Tone.ALERT if late or over else Tone.DONE)


def in_band(batch: Batch, oil_c: float) -> bool:
    return batch.procedure.oil_low.met_by(oil_c) and not batch.procedure.oil_high.passed_by(oil_c)


def lid_locked(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(
        world, intent, (Stage.LOADING, Stage.RETURNED), "start a batch, or say cook more for one that goes back"
    )
    world = world.with_batch(batch.id, stage=Stage.COOKING, cooks=(*batch.cooks, Cook(seq, at_ms)))
    if not batch.loads:
        return done(world, f"Batch {batch.number} cooking. No load was said.", Tone.ALERT)
    return done(world, f"Batch {batch.number} cooking, vat {batch.vat}.")


def lid_open(world: World, intent: Intent, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.COOKING,), "no lid is locked")
    cook = batch.cooks[-1]
    cooked_ms = at_ms - cook.locked_ms
    short = cook.time_proven and batch.round == 0 and cooked_ms < batch.procedure.shortest_cook_ms
    cook = replace(cook, opened_ms=at_ms, short=short)
    world = alerts.ended(world, at_ms, "lid opened", (alerts.COOK_OVERDUE,), batch.number)
    if short:
        world = alerts.raised(world, batch_causes.cook_short(batch, cook, at_ms))
    world = world.with_batch(batch.id, stage=Stage.CHECKING, cooks=(*batch.cooks[:-1], cook))
    say = f"Batch {batch.number}, lid open after {minutes_text(cooked_ms)}."
    return done(world, say + (" Short cook." if short else ""), Tone.ALERT if short else Tone.DONE)


def probe(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.CHECKING,), "open its lid first")
    if batch.procedure.part(intent.part) is None:
        raise Refusal(f"the procedure has no part {intent.part!r}")
    world, _ = probing.unread(world, at_ms)
    return done(checks.opened(world, batch, intent.part, seq, at_ms), f"Probing {intent.part}.")


def reading(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if intent.number is None:
        raise Refusal("say the temperature")
    waiting = world.open_check()
    if waiting:
        batch = waiting[0]
    else:
        batch = pick(world, intent, (Stage.CHECKING,), "say probe and the part first")
        world = checks.opened(world, batch, None, seq, at_ms)
    temp_c = to_c(intent.number, batch.procedure.unit)
    if not plausible(temp_c):
        raise Refusal(f"{intent.number:g} degrees is no temperature")
    world, (cue,) = checks.judged(world, world.batch(batch.id), temp_c, "spoken", at_ms)
    return done(world, f"As spoken: {cue.say[0].lower()}{cue.say[1:]}", cue.tone)


def cook_more(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.CHECKING,), "open its lid first")
    if batch.open_check:
        world, _ = checks.unread(world, batch.id, at_ms)
        batch = world.batch(batch.id)
    missed = [check for check in batch.checks if check.round == batch.round and check.verdict in MISSED]
    why = ", ".join(f"{check.part or 'piece'} {check.verdict.value}" for check in missed)
    correction = Correction(seq, at_ms, why or "said by the cook")
    world = trends.batch_read(world, batch, at_ms)
    world = world.with_batch(batch.id, stage=Stage.RETURNED, corrections=(*batch.corrections, correction))
    return done(world, f"Batch {batch.number} goes back. Lock the lid, then check it afresh.")


def hold_start(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.CHECKING,), "open its lid first")
    if not batch.proven:
        world = replace(world, question=Question(intent, at_ms + QUESTION_MS, unproven=batch.id))
        needed = batch.procedure.checks_per_batch
        fails = f", {batch.failed} failed" if batch.failed else ""
        say = f"Batch {batch.number} has {batch.passed} of {needed} checks passed{fails}. Confirm to hold it unproven."
        return Answer(world, "asked", Tone.ASKS, say)
    return done(held(world, batch, seq, at_ms), f"Batch {batch.number} holding.")


def held(world: World, batch: Batch, seq: int, at_ms: int) -> World:
    """`batch` moves into holding, proven or not; an unproven one is told."""
    if batch.open_check:
        world, _ = checks.unread(world, batch.id, at_ms)
        batch = world.batch(batch.id)
    hold = Hold(seq, at_ms, batch.proven)
    world = trends.batch_read(world, batch, at_ms)
    if not batch.proven:
        world = alerts.raised(world, batch_causes.hold_unproven(batch, hold, at_ms))
    return world.with_batch(batch.id, stage=Stage.HOLDING, hold=hold)


def hold_end(world: World, intent: Intent, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.HOLDING,), "it is not in holding")
    return done(_closed(world, batch, at_ms, "sold", None), f"Batch {batch.number} sold.")


def discard(world: World, intent: Intent, at_ms: int) -> Answer:
    batch = pick(world, intent, OPEN, "it is closed")
    counted = f", {intent.count} pieces" if intent.count is not None else ""
    ask = f"Discard batch {batch.number}{counted}? Say confirm."
    say = f"Batch {batch.number} discarded{'' if asks_first(world, intent) else counted}."
    return Answer(_closed(world, batch, at_ms, "discarded", intent.count), "done", Tone.DONE, say, ask)


def _closed(world: World, batch: Batch, at_ms: int, outcome: str, pieces: int | None) -> World:
    """The batch leaves the station; whatever was open about it ends with it."""
    if batch.open_check:
        world, _ = checks.unread(world, batch.id, at_ms)
        batch = world.batch(batch.id)
    hold = replace(batch.hold, ended_ms=at_ms, outcome=outcome) if batch.hold else None
    about = [alert.kind for alert in world.alerts if alert.batch == batch.number]
    world = alerts.ended(world, at_ms, outcome, about, batch.number)
    return world.with_batch(
        batch.id, stage=Stage.CLOSED, hold=hold, closed_ms=at_ms, outcome=outcome, discarded_pieces=pieces
    )
