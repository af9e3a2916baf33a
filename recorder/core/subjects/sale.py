"""Pieces sold, discarded or dropped; the last one ends the batch. What speaks against a sale is recorded."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import MISSED, Batch, Stage
from recorder.core.effects import Alert, Tone
from recorder.core.limits import listed, minutes_text, pieces_text, temp_text
from recorder.core.meant import batch_meant
from recorder.core.procedure import TIME_ALONE_MS
from recorder.core.subject import Answer, Command, Refusal, Subject, asked, asks_first, done
from recorder.core.subjects import cabinet, probe_loss
from recorder.core.transitions import leads_to
from recorder.core.world import FRESH_MS, World

UNPROVEN, COLD, UNHEATED, WAITED = "unproven", "cold", "not reheated", "waited"
UNKNOWN_TIME, PAST, POWER = "unknown time", "past", "power away"
UNREAD = "unread"
"""Deviations that are put on record only after "confirm"."""

UNREAD_MS = 2 * 3_600_000
"""So long at most food in holding goes unread: time is left then to put it right (common practice, no source)."""

UNCOUNTED = -1
"""Pieces are left, nobody knows how many."""


def _sold(world: World, command: Command) -> Answer:
    """Some pieces, or all that are left; what stands against it is asked about, and put on record."""
    intent, now = command.intent, command.now
    batch = batch_meant(world, intent)
    count, rest = _some(world.rules, batch, intent.count)
    doubts = _against_sale(world, batch, now.at_ms)
    why = [(text, unsafe) for _, text, unsafe in doubts]
    if any(kind not in command.agreed for kind, _, _ in doubts):
        kinds = " ".join(kind for kind, _, _ in doubts)
        say = f"Batch {batch.number}: {listed([text for text, _ in why])}. Confirm that it was sold."
        return asked(world, replace(intent, batch=batch.number), kinds, say, now.at_ms)
    if doubts and world.rules >= 6:  # what stood against earlier pieces of the batch stays said
        by_kind = {each[0]: each for each in (*batch.sold_despite, *doubts)}
        batch = replace(batch, sold_despite=tuple(by_kind.values()))
        why = [(text, unsafe) for _, text, unsafe in batch.sold_despite]
    pieces = {"sold_pieces": batch.sold_pieces + (count or 0), "sold_despite": batch.sold_despite}
    world = world.with_batch(batch.id, **pieces) if rest else _closed(world, batch, command, "sold", **pieces)
    if why:
        world = alerts.gathered(world, _sold_despite(world.batch(batch.id), why, now.seq, now.at_ms))
    say = (
        f"{pieces_text(count)} of batch {batch.number} sold, {_left(rest)}." if rest else f"Batch {batch.number} sold."
    )
    return done(world, say, Tone.ALERT if why else Tone.DONE)


def _against_sale(world: World, batch: Batch, at_ms: int) -> list[tuple[str, str, bool]]:
    """What stands against a sale: its kind, in words with its numbers, and whether it is one of safety."""
    hold, procedure, rules = batch.hold, batch.procedure, world.rules
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
    waited_ms = sum(ms for _, ms in batch.waits) if rules >= 6 else batch.longest_wait_ms
    if waited_ms >= TIME_ALONE_MS:
        text = f"its pieces waited {minutes_text(waited_ms)} without temperature control, 4 h is the most"
        against.append((WAITED, text, True))
    if batch.unknown_wait:
        against.append((WAITED, "how long its pieces waited before is not known", True))
    if hold.power_ms:
        since = "no piece is known to have been warm" if rules >= 7 else "no piece was read"
        text = f"the power was away for {minutes_text(hold.power_ms)} and {since} since"
        against.append((POWER, text, True))
    if hold.coldest_c is not None:
        read = temp_text(hold.coldest_c, procedure.unit)
        against.append((COLD, f"a piece in holding was read at {read}, below {procedure.hold_minimum.text()}", True))
    elif hold.cold_ms and not batch.by_time:
        cold = minutes_text(hold.cold_ms)
        against.append((COLD, f"hot holding was below {procedure.hold_minimum.text()} for {cold}", True))
    if unread := _unread(world, batch, at_ms):
        against.append((UNREAD, f"whether it was hot is not known, {unread}", True))
    if not hold.time_proven:
        against.append((UNKNOWN_TIME, f"how long it was held is not known, at least {minutes_text(held_ms)}", True))
    elif held_ms >= limit_ms:
        kind = "limit without temperature control" if batch.by_time else "quality limit"
        text = f"it was held {minutes_text(held_ms)}, its {kind} is {minutes_text(limit_ms)}"
        never = not batch.by_time and not hold.measured
        meanwhile = ", and no temperature was read meanwhile" if never and not unread else ""
        against.append((PAST, text + meanwhile, batch.by_time or never))
    return against


def _unread(world: World, batch: Batch, at_ms: int) -> str:
    """For how long nothing was read of food that heat keeps safe, in a cabinet with a probe of its own; "" where it was
    read often enough."""
    hold = batch.hold
    assert hold
    unread_ms = cabinet.unread_ms(hold, at_ms)
    if world.rules < 7 or batch.by_time or unread_ms <= FRESH_MS:
        return ""
    channels = [cabinet.channel(place) for place in cabinet.places_of(world, hold)]
    if not any(each in world.latest or probe_loss.is_lost(world, each) for each in channels):
        return ""
    if not hold.measured:
        return "no temperature was read while it was held"
    return f"no temperature was read for {minutes_text(unread_ms)}" if unread_ms >= UNREAD_MS else ""


def _discarded(world: World, command: Command) -> Answer:
    intent = command.intent
    batch = batch_meant(world, intent)
    count, rest = _some(world.rules, batch, intent.count)
    counted = f", {pieces_text(intent.count)}" if intent.count is not None else ""
    ask = f"Discard batch {batch.number}{counted}? Say confirm."
    pieces = batch.discarded_pieces + (count or 0)
    if rest:
        world = world.with_batch(batch.id, discarded_pieces=pieces)
        say = f"{pieces_text(count)} of batch {batch.number} discarded, {_left(rest)}."
        return replace(done(world, say), ask=ask)
    say = f"Batch {batch.number} discarded{'' if asks_first(world, intent) else counted}."
    return replace(done(_closed(world, batch, command, "discarded", discarded_pieces=pieces), say), ask=ask)


def _dropped(world: World, command: Command) -> Answer:
    """Pieces that fell or were spoilt: they count against the load like those discarded."""
    batch = batch_meant(world, command.intent)
    if command.intent.count is None:
        raise Refusal("say how many pieces")
    count, rest = _some(world.rules, batch, command.intent.count)
    pieces = batch.dropped_pieces + (count or 0)
    if rest:
        world = world.with_batch(batch.id, dropped_pieces=pieces)
        return done(world, f"{pieces_text(count)} of batch {batch.number} dropped, {_left(rest)}.")
    outcome = "sold" if batch.sold_pieces else "discarded"
    world = _closed(world, batch, command, outcome, dropped_pieces=pieces)
    return done(world, f"Batch {batch.number}: no pieces left.")


def _some(rules: int, batch: Batch, count: int | None) -> tuple[int | None, int]:
    """How many pieces are meant, and how many are left then (or `UNCOUNTED`); raises `Refusal` for more than there are.

    Without a count all are meant that are left; None where the load was not counted.
    """
    left = batch.pieces_left
    if count is None:
        return left, 0
    if rules >= 7 and batch.stage is Stage.LOADING and not batch.loads:
        raise Refusal(f"batch {batch.number} has no pieces yet; say the load first")
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


def _closed(world: World, batch: Batch, command: Command, outcome: str, **changes: Any) -> World:
    """The batch leaves the station, and whatever was open about it but what a person must answer."""
    at_ms, holds = command.now.at_ms, batch.holds
    if batch.hold and batch.hold.ended_ms is None:
        holds = (*holds[:-1], replace(batch.hold, ended_ms=at_ms, outcome=outcome))
    kept = alerts.ended_by(alerts.Ends.ACKNOWLEDGING)
    about = [alert.kind for alert in world.alerts if alert.batch == batch.number and alert.kind not in kept]
    world = alerts.ended(world, at_ms, outcome, about, batch.number)
    stage = leads_to(command.intent.meaning)
    return world.with_batch(
        batch.id, stage=stage, holds=holds, closed_ms=at_ms, outcome=outcome, waited=False, **changes
    )


def _sold_despite(batch: Batch, why: Sequence[tuple[str, bool]], about: int, at_ms: int) -> Alert:
    """Food was sold though something stood against it: in words, and whether it is one of safety."""
    safety = any(unsafe for _, unsafe in why)
    return alerts.made(
        alerts.SOLD_DESPITE,
        about,
        f"Batch {batch.number} was sold though {listed([each for each, _ in why])}.",
        at_ms,
        batch,
        unsafe=safety,
        safety=int(safety),
        pieces=batch.sold_pieces or None,
    )


SUBJECT = Subject(commands={**dict.fromkeys((m.HOLD_END, m.SOLD), _sold), m.DISCARD: _discarded, m.DROPPED: _dropped})
