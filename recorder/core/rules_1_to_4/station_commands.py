"""What is said of the station, not of a batch: shifts, the oil's care, the check of the probe.

Each function is one meaning's and does it to the world, at entry number `seq`; raises `Refusal`.
"""

from dataclasses import replace

from recorder.core.editions import FREE_NUMBER, READ_AGAIN
from recorder.core.effects import Tone
from recorder.core.events import Intent, vat_channel
from recorder.core.limits import in_unit
from recorder.core.rules_1_to_4 import alerts, checks, probing, station_causes, trends
from recorder.core.rules_1_to_4.batch import Stage
from recorder.core.rules_1_to_4.outcome import Answer, Refusal, done, fresh, known_vat
from recorder.core.rules_1_to_4.world import OilRecord, Shift, World
from recorder.thermal.oil import polar_met


def shift_start(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if world.shift and world.shift.ended_ms is None:
        raise Refusal(f"the shift of cook {world.shift.cook} is open; end it first")
    if intent.cook is None:
        raise Refusal("say the cook's number")
    numbers = [batch.number for batch in world.batches if batch.stage is not Stage.CLOSED]
    first = max(numbers, default=0) + 1 if world.edition < FREE_NUMBER else 1
    world = replace(world, shift=Shift(seq, intent.cook, at_ms), next_batch=first)
    return done(world, f"Shift started, cook {intent.cook}.")


def shift_end(world: World, intent: Intent, at_ms: int) -> Answer:
    shift = world.shift
    if shift is None or shift.ended_ms is not None:
        raise Refusal("no shift is open")
    if intent.cook not in (None, shift.cook):
        raise Refusal(f"the open shift is cook {shift.cook}'s")
    left = [f"batch {batch.number} {batch.stage.value}" for batch in world.batches if batch.stage is not Stage.CLOSED]
    still = ", ".join(left)
    world = replace(world, shift=replace(shift, ended_ms=at_ms, left_open=still))
    if left:
        return done(world, f"Shift ended, cook {shift.cook}. Still open: {still}.", Tone.ALERT)
    return done(world, f"Shift ended, cook {shift.cook}. Nothing is open.")


def oil(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    vat = _vat(world, intent)
    oil_c = fresh(world, vat_channel(vat), at_ms)
    record = OilRecord(seq, vat, intent.meaning, at_ms, _shift_id(world), oil_c)
    world, record = trends.cared(world, record)
    world = replace(world, oil=(*(old for old in world.oil if old.vat != vat), record))
    unit = world.procedure.unit if world.procedure else "C"
    degrees = f", {in_unit(oil_c, unit):.0f} degrees" if oil_c is not None else ""
    return done(world, f"{intent.meaning.capitalize()}, vat {vat}{degrees}.")


def oil_polar(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    vat = _vat(world, intent)
    if intent.percent is None or not 0 <= intent.percent <= 100:
        raise Refusal("say the percentage")
    record = OilRecord(seq, vat, intent.meaning, at_ms, _shift_id(world), None, intent.percent)
    world = replace(world, oil=(*(old for old in world.oil if old.vat != vat), record))
    limit = world.procedure.polar_limit if world.procedure else None
    met = limit is None or polar_met(intent.percent, limit)
    by = "at or below it again" if met and world.edition < READ_AGAIN else "read again"
    world = trends.oil_renewed(world, vat, by, at_ms)
    say = f"Oil polar compounds {intent.percent:g} percent, vat {vat}."
    if limit is None or met:
        return done(world, say)
    world = alerts.raised(world, station_causes.oil_polar(record, limit, at_ms))
    return done(world, f"{say} The site's limit is {limit:g}.", Tone.ALERT)


def _vat(world: World, intent: Intent) -> int:
    """The vat that is meant; raises `Refusal`."""
    if intent.vat is None and len(world.vats) != 1:
        raise Refusal("say which vat")
    vat = world.vats[0] if intent.vat is None else intent.vat
    known_vat(world, vat)
    return vat


def _shift_id(world: World) -> int | None:
    return world.shift.id if world.shift and world.shift.ended_ms is None else None


def probe_check(world: World, how: str, seq: int, at_ms: int) -> Answer:
    if waiting := world.open_check():
        world, _ = checks.unread(world, waiting[0].id, at_ms)
    world, _ = probing.unread(world, at_ms)
    procedure = world.procedure
    try:
        unit, altitude_m = (procedure.unit, procedure.altitude_m) if procedure else ("C", None)
        world = probing.opened(world, how, unit, altitude_m, seq, at_ms)
    except ValueError as error:
        raise Refusal(str(error)) from error
    return done(world, f"Checking the probe: {how}. Stir, and keep the needle in the middle.")
