"""What is said of a batch, from its start to its end.

Each function is one meaning's and does it to the world, at entry number `seq`; raises `Refusal`.
"""

from dataclasses import replace
from typing import Any

from recorder.core import alerts, batch_causes, checks, probing, station_causes, trends, waiting
from recorder.core.batch import MISSED, Batch, Cook, Correction, Hold, Load, Stage, listed
from recorder.core.effects import Tone
from recorder.core.events import Intent, vat_channel
from recorder.core.limits import minutes_text, pieces_text, temp_text, to_c
from recorder.core.outcome import IN_VAT, Answer, Refusal, asked, asks_first, done, fresh, known_vat, pick
from recorder.core.procedure import COLDEST_MEAT_C, HOTTEST_MEAT_C, TIME_ALONE_MS
from recorder.core.world import World

HIGHEST_BATCH = 29
"""Batches are numbered from 1 to this: up to it no two numbers sound alike, as "thirteen" and "thirty" would."""

OPEN = (*IN_VAT, Stage.HOLDING)

UNPROVEN, COLD, UNHEATED, WAITED = "unproven", "cold", "not reheated", "waited"
UNKNOWN_TIME, PAST, POWER, NO_LOCK = "unknown time", "past", "power away", "no lid locked"
"""Deviations that are put on record only after "confirm"."""


def batch_start(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if world.procedure is None:
        raise Refusal("no procedure is loaded")
    if world.shift is None or world.shift.ended_ms is not None:
        raise Refusal("no shift is open; say shift start first")
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
    """The next number that no batch and no open alert has.

    After `HIGHEST_BATCH` they begin again, so that each can be spoken.
    """
    taken = {batch.number for batch in world.batches} | {
        alert.batch for alert in world.alerts if alert.ended_ms is None
    }
    count = max(HIGHEST_BATCH, len(taken) + 1)
    numbers = ((world.next_batch - 1 + further) % count + 1 for further in range(count))
    return next(number for number in numbers if number not in taken)


def _busy(world: World) -> dict[int, Batch]:
    return {batch.vat: batch for batch in world.batches if batch.stage in IN_VAT}


def _moved(world: World, batch: Batch, stage: Stage, at_ms: int, **changes: Any) -> World:
    """`batch` goes on to `stage`: whatever it waited for is over, and kept where that was too long."""
    world = alerts.ended(world, at_ms, "went on", (alerts.PIECES_WAIT,), batch.number)
    waits = batch.waits
    unknown = batch.unknown_wait or (not batch.wait_known and stage is Stage.COOKING)
    if batch.waited and (wait := waiting.of(batch)):
        waits = (*waits, (batch.stage, at_ms - wait.since_ms))
    return world.with_batch(
        batch.id, stage=stage, waited=False, wait_known=True, waits=waits, unknown_wait=unknown, **changes
    )


def load(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = _loaded(world, intent)
    procedure = batch.procedure
    _known_part(batch, intent)
    assert intent.part
    if intent.count is not None and intent.count < 1:
        raise Refusal("say how many pieces")
    late = [load.part for load in batch.loads if procedure.rank(load.part) > procedure.rank(intent.part)]
    pieces = batch.pieces + (intent.count or 0)
    said_late = batch.stage is not Stage.LOADING
    oil_c = None if said_late else fresh(world, vat_channel(batch.vat), at_ms)
    over = pieces > procedure.pieces_per_load
    load = Load(seq, intent.part, intent.count, at_ms, oil_c, bool(late), over, said_late)
    if oil_c is not None and not batch.loads and not in_band(batch, oil_c):
        world = alerts.raised(world, batch_causes.oil_outside_band(batch, oil_c, seq, at_ms))
    complete = batch.proven
    left = replace(batch, loads=(*batch.loads, load)).pieces_left
    if left is not None and left < 0:
        raise Refusal(f"{pieces - left} pieces of batch {batch.number} are gone already, more than {pieces}")
    world = world.with_batch(batch.id, loads=(*batch.loads, load))
    world = trends.load_felt(world, world.batch(batch.id), seq, oil_c, at_ms)
    counted = f" {intent.count}" if intent.count is not None else ""
    say = f"Batch {batch.number}, {intent.part}{counted}{', said late' if said_late else ''}."
    if late:
        say += f" Out of order: {late[0]} is in already."
    if over:
        say += f" Over capacity: {pieces} of {procedure.pieces_per_load} pieces."
    if complete and not world.batch(batch.id).proven:
        say += f" Its checks are no longer complete: {world.batch(batch.id).missing}."
    return done(world, say, Tone.ALERT if late or over or said_late else Tone.DONE)


def _known_part(batch: Batch, intent: Intent) -> None:
    """Raises `Refusal` where no part was named that the procedure of `batch` has."""
    if intent.part is None:
        raise Refusal("say the part")
    if batch.procedure.part(intent.part) is None:
        raise Refusal(f"the procedure has no part {intent.part!r}")


def _loaded(world: World, intent: Intent) -> Batch:
    """The batch that a load is said of: one that is loading, else one in the oil or out of it that lacks this part."""
    try:
        return pick(world, intent, (Stage.LOADING,), hint="say batch start first")
    except Refusal:
        later = (Stage.COOKING, Stage.CHECKING)
        if any(batch.stage is Stage.LOADING and intent.vat in (None, batch.vat) for batch in world.batches):
            raise
        fitting = [
            batch
            for batch in world.batches
            if batch.stage in later and intent.vat in (None, batch.vat) and intent.part not in batch.parts
        ]
        if len(fitting) != 1:
            raise
        return fitting[0]


def in_band(batch: Batch, oil_c: float) -> bool:
    return batch.procedure.oil_low.met_by(oil_c) and not batch.procedure.oil_high.passed_by(oil_c)


def lid_locked(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.LOADING, Stage.RETURNED), hint="say batch start first, or cook more")
    cook = Cook(seq, at_ms, time_proven=not batch.waited, said_late=batch.waited)
    world = _moved(world, batch, Stage.COOKING, at_ms, cooks=(*batch.cooks, cook))
    if not batch.loads:
        return done(world, f"Batch {batch.number} cooking. No load was said.", Tone.ALERT)
    late = " Said late: it may have cooked for longer." if batch.waited else ""
    return done(world, f"Batch {batch.number} cooking, vat {batch.vat}.{late}", Tone.ALERT if late else Tone.DONE)


def lid_open(world: World, intent: Intent, seq: int, at_ms: int, agreed: str) -> Answer:
    batch = pick(world, intent, (Stage.COOKING,), (Stage.LOADING, Stage.RETURNED), hint="no lid is locked")
    if batch.stage is not Stage.COOKING:
        return _lid_never_locked(world, intent, batch, seq, at_ms, agreed)
    world = alerts.ended(world, at_ms, "lid opened", (alerts.COOK_OVERDUE,), batch.number)
    return _opened(world, batch, batch.cooks[-1], at_ms)


def _opened(world: World, batch: Batch, cook: Cook, at_ms: int) -> Answer:
    """The lid of `batch` is open: `cook` is over, and short where it can't have been long enough."""
    cooked_ms = at_ms - (_earliest_ms(batch) if cook.said_late else cook.locked_ms)
    shortest_ms = batch.procedure.shortest_cook_ms if batch.round == 0 else batch.procedure.more_cook_ms
    short = cooked_ms < shortest_ms and (cook.time_proven or cook.said_late)
    cook = replace(cook, opened_ms=at_ms, short=short)
    if short:
        world = alerts.raised(world, batch_causes.cook_short(batch, cook, cooked_ms, shortest_ms, at_ms))
    cooks = (*(each for each in batch.cooks if each.id != cook.id), cook)
    world = _moved(world, batch, Stage.CHECKING, at_ms, cooks=cooks)
    known = f"after {minutes_text(cooked_ms)}" if cook.time_proven else "after a time that is not known"
    say = f"Batch {batch.number}, lid open {known}.{' Short cook.' if short else ''}"
    return done(world, say, Tone.DONE if cook.time_proven and not short else Tone.ALERT)


def _earliest_ms(batch: Batch) -> int:
    """When a cook can have begun at the earliest whose lid was locked without a word."""
    raw_ms = waiting.raw_since_ms(batch)
    since_ms = raw_ms if raw_ms is not None else batch.started_ms
    return batch.corrections[-1].at_ms if batch.corrections else since_ms


def _lid_never_locked(world: World, intent: Intent, batch: Batch, seq: int, at_ms: int, agreed: str) -> Answer:
    """The cook forgot to say "lid locked": the batch may have cooked, and nobody knows for how long."""
    if NO_LOCK not in agreed:
        say = f"Batch {batch.number}: no locked lid was said. Confirm that it has cooked, for an unknown time."
        return asked(world, replace(intent, batch=batch.number), NO_LOCK, say, at_ms, strained=True)
    return _opened(world, batch, Cook(seq, at_ms, time_proven=False, said_late=True), at_ms)


def probe(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.CHECKING,), (Stage.HOLDING,))
    _known_part(batch, intent)
    world, _ = probing.unread(world, at_ms)
    held = f", batch {batch.number} in holding" if batch.stage is Stage.HOLDING else ""
    loaded = "" if intent.part in batch.parts else f" No {intent.part} was loaded."
    say = f"Probing {intent.part}{held}.{loaded}"
    return done(checks.opened(world, batch, intent.part, seq, at_ms), say, Tone.ALERT if loaded else Tone.DONE)


def reading(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if intent.number is None:
        raise Refusal("say the temperature")
    asked_for = world.open_check()
    batch = asked_for[0] if asked_for else _unnamed(world, intent)
    temp_c = to_c(intent.number, batch.procedure.unit)
    if not COLDEST_MEAT_C <= temp_c <= HOTTEST_MEAT_C:
        raise Refusal(f"{intent.number:g} °{batch.procedure.unit} is no temperature of meat")
    if not asked_for:
        world = checks.opened(world, batch, None, seq, at_ms)
    batch = world.batch(batch.id)
    check = replace(batch.checks[-1], spoken_id=seq)
    world, (cue,) = checks.judged(world, batch, check, temp_c, "spoken", at_ms)
    return done(world, f"As spoken: {cue.say[0].lower()}{cue.say[1:]}", cue.tone)


def _unnamed(world: World, intent: Intent) -> Batch:
    """The batch of a reading that no check waits for; it can't be named in the same breath."""
    try:
        return pick(world, intent, (Stage.CHECKING,), (Stage.HOLDING,))
    except Refusal as refusal:
        several = str(refusal).startswith("say which")
        raise Refusal("say probe, the part and the batch before it") if several else refusal from refusal


def cook_more(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = pick(world, intent, (Stage.CHECKING,), (Stage.HOLDING,))
    world = trends.batch_read(world, batch, at_ms)
    held = batch.stage is Stage.HOLDING and batch.hold
    vat = _vat_again(world, batch) if held else batch.vat
    correction = Correction(seq, at_ms, _why(batch))
    was = held or batch.struck_hold
    if was and batch.reheat_by_ms is None and (was.cold_ms or was.power_ms):
        since_ms = was.cold_since_ms if was.cold_since_ms is not None else at_ms
        batch = replace(batch, reheat_by_ms=since_ms + batch_causes.REHEAT_MS)
    world = alerts.ended(world, at_ms, "goes back into the oil", alerts.ENDED_BY_MORE_COOKING, batch.number)
    holds = (*batch.holds[:-1], replace(held, ended_ms=at_ms, outcome="cooked more")) if held else batch.holds
    changes = {"corrections": (*batch.corrections, correction), "holds": holds, "reheat_by_ms": batch.reheat_by_ms}
    world = _moved(world, batch, Stage.RETURNED, at_ms, vat=vat, **changes)
    left_ms = batch.reheat_by_ms - at_ms if batch.reheat_by_ms is not None else None
    within = f" {minutes_text(left_ms)} are left to reheat it." if left_ms is not None and left_ms > 0 else ""
    into = f", vat {vat}," if vat != batch.vat else ""
    return done(world, f"Batch {batch.number} goes back{into} and counts as unchecked.{within}")


def _vat_again(world: World, batch: Batch) -> int:
    """The vat for a batch that comes back out of holding: its own, or the only free one; raises `Refusal`."""
    busy = _busy(world)
    free = [vat for vat in world.vats if vat not in busy]
    if batch.vat not in busy:
        return batch.vat
    if len(free) == 1:
        return free[0]
    there = busy[batch.vat]
    raise Refusal(f"batch {batch.number} is in holding, and its vat {there.vat} has batch {there.number}")


def _why(batch: Batch) -> str:
    """Why a batch goes back, by what was read."""
    missed = [check for check in batch.fresh if check.verdict in MISSED]
    why = [f"{check.part or 'piece'} {check.verdict.value}" for check in missed]
    if batch.stage is Stage.HOLDING and batch.hold:
        why += (
            ["held below the minimum"] if batch.hold.coldest_c is not None or batch.hold.cold_ms else ["out of holding"]
        )
    return ", ".join(why) or "said by the cook"


def hold_start(world: World, intent: Intent, seq: int, at_ms: int, agreed: str) -> Answer:
    batch = pick(world, intent, (Stage.CHECKING,))
    if not batch.proven and UNPROVEN not in agreed:
        say = f"Batch {batch.number} has {batch.passed} of {batch.checks_needed} checks passed: {batch.missing}."
        return asked(
            world,
            replace(intent, batch=batch.number),
            UNPROVEN,
            f"{say} Confirm to hold it with its checks not complete.",
            at_ms,
        )
    world = trends.batch_read(world, batch, at_ms)
    hold = _next_hold(batch, seq, at_ms, world.rules)
    if world.rules >= 6 and batch.struck_hold and hold.power_ms:  # its alert went with the words that were struck
        world = alerts.raised(world, station_causes.power_away(hold.power_ms, [], [batch.number], seq, at_ms))
    world = _moved(world, batch, Stage.HOLDING, at_ms, holds=(*batch.holds, hold), struck_hold=None)
    waits = world.batch(batch.id).waits
    if not batch.proven:
        world = alerts.raised(world, batch_causes.hold_unproven(batch, hold, at_ms))
    if waits:
        world = world.with_batch(batch.id, holds=(*batch.holds, replace(hold, late=True)))
        world = alerts.raised(world, batch_causes.hold_late(batch, hold, waits, at_ms))
    say = f"Batch {batch.number} holding" + ("" if batch.proven else f", checks not complete: {batch.missing}")
    late = f" Its pieces waited {minutes_text(max(ms for _, ms in waits))}, longer than they may." if waits else ""
    return done(world, f"{say}.{late}", Tone.DONE if batch.proven and not late else Tone.ALERT)


def _next_hold(batch: Batch, seq: int, at_ms: int, rules: int) -> Hold:
    """A hold counts from the open lid.

    By time alone, after a struck one, and after a further cook that was too short, it goes on from the one before.
    """
    counted_ms = batch.open_since_ms if batch.open_since_ms is not None else at_ms
    hold = Hold(seq, at_ms, batch.proven, counted_ms, time_proven=batch.wait_known)
    if batch.by_time and batch.holds:
        known = all(each.time_proven for each in batch.holds) and batch.wait_known
        hold = replace(hold, counted_ms=min(each.counted_ms for each in batch.holds), time_proven=known)
    elif (
        rules >= 6 and batch.hold and all(cook.short for cook in batch.cooks if cook.locked_ms >= batch.hold.started_ms)
    ):
        hold = replace(hold, counted_ms=batch.hold.counted_ms)
    struck = batch.struck_hold
    if struck and batch.corrections and batch.corrections[-1].at_ms >= struck.started_ms:  # it was cooked since
        by_time_ms = min(hold.counted_ms, struck.counted_ms)
        return replace(hold, counted_ms=by_time_ms) if batch.by_time else hold
    if struck:
        hold = replace(
            hold,
            started_ms=struck.started_ms,
            counted_ms=min(hold.counted_ms, struck.counted_ms),
            time_proven=hold.time_proven and struck.time_proven,
            cold_ms=struck.cold_ms,
            coldest_c=struck.coldest_c,
            power_ms=struck.power_ms,
            cold_since_ms=struck.cold_since_ms,
            measured=struck.measured,
        )
    return hold


def sold(world: World, intent: Intent, seq: int, at_ms: int, agreed: str) -> Answer:
    """Some pieces, or all that are left; what stands against it is asked about, and put on record."""
    batch = pick(world, intent, (Stage.HOLDING,))
    count, rest = _some(batch, intent.count)
    doubts = _against_sale(batch, at_ms)
    why = [(text, unsafe) for _, text, unsafe in doubts]
    if any(kind not in agreed for kind, _, _ in doubts):
        kinds = " ".join(kind for kind, _, _ in doubts)
        say = f"Batch {batch.number}: {listed([text for text, _ in why])}. Confirm that it was sold."
        return asked(world, replace(intent, batch=batch.number), kinds, say, at_ms)
    if doubts and world.rules >= 6:  # what stood against earlier pieces of the batch stays said
        by_kind = {each[0]: each for each in (*batch.sold_despite, *doubts)}
        batch = replace(batch, sold_despite=tuple(by_kind.values()))
        why = [(text, unsafe) for _, text, unsafe in batch.sold_despite]
    pieces = {"sold_pieces": batch.sold_pieces + (count or 0), "sold_despite": batch.sold_despite}
    world = world.with_batch(batch.id, **pieces) if rest else _closed(world, batch, at_ms, "sold", **pieces)
    if why:
        world = alerts.gathered(world, batch_causes.sold_despite(world.batch(batch.id), why, seq, at_ms))
    say = (
        f"{pieces_text(count)} of batch {batch.number} sold, {_left(rest)}." if rest else f"Batch {batch.number} sold."
    )
    return done(world, say, Tone.ALERT if why else Tone.DONE)


def _against_sale(batch: Batch, at_ms: int) -> list[tuple[str, str, bool]]:
    """What stands against a sale: its kind, in words with its numbers, and whether it is one of safety."""
    hold, procedure = batch.hold, batch.procedure
    assert hold
    held_ms, limit_ms = at_ms - hold.counted_ms, procedure.hold_limit_ms
    against = []
    if not hold.proven or not batch.proven:
        colder = min(
            (check.temp_c for check in batch.fresh if check.verdict in MISSED and check.temp_c is not None),
            default=None,
        )
        read = f", a piece was read at {temp_text(colder, procedure.unit)}" if colder is not None else ""
        against.append(
            (UNPROVEN, f"its checks are not complete ({batch.missing or 'at the start of its hold'}){read}", True)
        )
    if batch.reheat_missed:
        against.append((UNHEATED, "it was held too cold and not hot again within 2 hours", True))
    if batch.longest_wait_ms >= TIME_ALONE_MS:
        text = f"its pieces waited {minutes_text(batch.longest_wait_ms)} without temperature control, 4 h is the most"
        against.append((WAITED, text, True))
    if batch.unknown_wait:
        against.append((WAITED, "how long its pieces waited before is not known", True))
    if hold.power_ms:
        text = f"the power was away for {minutes_text(hold.power_ms)} and no piece was read since"
        against.append((POWER, text, True))
    if hold.coldest_c is not None:
        read = temp_text(hold.coldest_c, procedure.unit)
        against.append((COLD, f"a piece in holding was read at {read}, below {procedure.hold_minimum.text()}", True))
    elif hold.cold_ms and not batch.by_time:
        cold = minutes_text(hold.cold_ms)
        against.append((COLD, f"hot holding was below {procedure.hold_minimum.text()} for {cold}", True))
    if not hold.time_proven:
        against.append((UNKNOWN_TIME, f"how long it was held is not known, at least {minutes_text(held_ms)}", True))
    elif held_ms >= limit_ms:
        kind = "limit without temperature control" if batch.by_time else "quality limit"
        text = f"it was held {minutes_text(held_ms)}, its {kind} is {minutes_text(limit_ms)}"
        unread = not batch.by_time and not hold.measured
        against.append(
            (PAST, text + (", and no temperature was read meanwhile" if unread else ""), batch.by_time or unread)
        )
    return against


def discard(world: World, intent: Intent, at_ms: int) -> Answer:
    batch = pick(world, intent, OPEN)
    count, rest = _some(batch, intent.count)
    counted = f", {pieces_text(intent.count)}" if intent.count is not None else ""
    ask = f"Discard batch {batch.number}{counted}? Say confirm."
    if rest:
        world = world.with_batch(batch.id, discarded_pieces=batch.discarded_pieces + (count or 0))
        return Answer(
            world, "done", Tone.DONE, f"{pieces_text(count)} of batch {batch.number} discarded, {_left(rest)}.", ask
        )
    say = f"Batch {batch.number} discarded{'' if asks_first(world, intent) else counted}."
    world = _closed(world, batch, at_ms, "discarded", discarded_pieces=batch.discarded_pieces + (count or 0))
    return Answer(world, "done", Tone.DONE, say, ask)


def dropped(world: World, intent: Intent, at_ms: int) -> Answer:
    """Pieces that fell or were spoilt: they count against the load like those discarded."""
    batch = pick(world, intent, OPEN)
    if intent.count is None:
        raise Refusal("say how many pieces")
    count, rest = _some(batch, intent.count)
    pieces = batch.dropped_pieces + (count or 0)
    if rest:
        world = world.with_batch(batch.id, dropped_pieces=pieces)
        return done(world, f"{pieces_text(count)} of batch {batch.number} dropped, {_left(rest)}.")
    outcome = "sold" if batch.sold_pieces else "discarded"
    return done(_closed(world, batch, at_ms, outcome, dropped_pieces=pieces), f"Batch {batch.number}: no pieces left.")


UNCOUNTED = -1
"""Pieces are left, nobody knows how many."""


def _some(batch: Batch, count: int | None) -> tuple[int | None, int]:
    """How many pieces are meant, and how many are left then (or `UNCOUNTED`); raises `Refusal` for more than there are.

    Without a count all are meant that are left; None where the load was not counted.
    """
    left = batch.pieces_left
    if count is None:
        return left, 0
    if count < 1:
        raise Refusal("say how many pieces")
    if left is None:
        gone = batch.sold_pieces + batch.discarded_pieces + batch.dropped_pieces
        if gone + count > max(batch.pieces, batch.procedure.pieces_per_load):
            raise Refusal(f"{gone + count} pieces are more than a vat holds")
        return count, UNCOUNTED
    if count > left:
        raise Refusal(f"batch {batch.number} has {pieces_text(left)} left")
    return count, left - count


def _left(rest: int) -> str:
    return "and it stays open" if rest == UNCOUNTED else f"{rest} left"


def _closed(world: World, batch: Batch, at_ms: int, outcome: str, **changes: Any) -> World:
    """The batch leaves the station, and whatever was open about it but what a person must answer."""
    holds = batch.holds
    if batch.hold and batch.hold.ended_ms is None:
        holds = (*holds[:-1], replace(batch.hold, ended_ms=at_ms, outcome=outcome))
    about = [
        alert.kind
        for alert in world.alerts
        if alert.batch == batch.number and alert.kind not in alerts.ENDED_BY_ACKNOWLEDGING
    ]
    world = alerts.ended(world, at_ms, outcome, about, batch.number)
    return world.with_batch(
        batch.id, stage=Stage.CLOSED, holds=holds, closed_ms=at_ms, outcome=outcome, waited=False, **changes
    )
