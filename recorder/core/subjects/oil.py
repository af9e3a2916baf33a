"""The oil's care: its level, filtering and changing, its polar compounds, and how much it was used in between."""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Batch, Stage
from recorder.core.effects import Alert, Tone
from recorder.core.events import vat_channel
from recorder.core.limits import in_unit, listed, temp_text
from recorder.core.meant import vat_meant
from recorder.core.subject import Answer, Command, Refusal, Row, Subject, asked, done, given, shown
from recorder.core.world import Care, OilRecord, World
from recorder.thermal import oil

CARE = {m.OIL_FILTERED: (m.OIL_FILTERED,), m.OIL_CHANGED: (m.OIL_FILTERED, m.OIL_CHANGED)}
"""What renews oil -> what it counts as: fresh oil needs no filtering."""


LEVEL_RIGHT = (m.OIL_LEVEL_OK, m.OIL_TOPPED_UP, m.OIL_CHANGED)
"""After these the level is low no more, as far as words tell."""

OUTSIDE, LOW = "outside", "low"
"""Kinds of what stands against oil that is said to be ready."""


def _oil(world: World, command: Command) -> Answer:
    what, now = command.intent.meaning, command.now
    vat = vat_meant(world, command.intent)
    for batch in world.batches:
        if batch.vat == vat and batch.stage is Stage.COOKING and what in CARE:
            raise Refusal(f"batch {batch.number} is still cooking in vat {vat}")
    oil_c = world.fresh(vat_channel(vat), now.at_ms)
    shift = world.open_shift.id if world.open_shift else None
    world, record = record_care(world, OilRecord(now.seq, vat, what, now.at_ms, shift, oil_c))
    low = {*world.low_vats} - {vat} if what in LEVEL_RIGHT else {*world.low_vats}
    world = replace(world, low_vats=tuple(sorted({*low, vat} if what == m.OIL_LEVEL_LOW else low)))
    degrees = f", {in_unit(oil_c, world.unit):.0f} degrees" if oil_c is not None else ""
    return done(_recorded(world, record), f"{what.capitalize()}, vat {vat}{degrees}.")


def _ready(world: World, command: Command) -> Answer:
    """The vat is said to be ready; what its probe and its level say against that is asked about, and put on record."""
    intent, now = command.intent, command.now
    vat = vat_meant(world, intent)
    oil_c = world.fresh(vat_channel(vat), now.at_ms)
    against = _against_ready(world, vat, oil_c)
    if any(kind not in command.agreed for kind, _ in against):
        say = f"Vat {vat}: {listed([text for _, text in against])}. Confirm that it is ready."
        return asked(world, replace(intent, vat=vat), " ".join(kind for kind, _ in against), say, now.at_ms)
    shift = world.open_shift.id if world.open_shift else None
    despite = listed([text for _, text in against])
    record = OilRecord(now.seq, vat, m.OIL_READY, now.at_ms, shift, oil_c, despite=despite)
    degrees = f", {in_unit(oil_c, world.unit):.0f} degrees" if oil_c is not None else ", no temperature on record"
    say = f"Oil ready, vat {vat}{degrees}."
    return done(_recorded(world, record), say, Tone.ALERT if against else Tone.DONE)


def _against_ready(world: World, vat: int, oil_c: float | None) -> list[tuple[str, str]]:
    """What stands against it: its kind, and in words."""
    procedure, against = world.procedure, []
    if procedure and oil_c is not None:
        low, high = procedure.oil_low, procedure.oil_high
        if not low.met_by(oil_c) or high.passed_by(oil_c):
            read = temp_text(oil_c, procedure.unit)
            against.append((OUTSIDE, f"its oil is {read}, the band is {low.value:g} to {high.text()}"))
    if vat in world.low_vats:
        against.append((LOW, "its level was last said to be low"))
    return against


def _polar(world: World, command: Command) -> Answer:
    percent, now = command.intent.percent, command.now
    vat = vat_meant(world, command.intent)
    if percent is None or not 0 <= percent <= 100:
        raise Refusal("say the percentage")
    shift = world.open_shift.id if world.open_shift else None
    record = OilRecord(now.seq, vat, m.OIL_POLAR, now.at_ms, shift, None, percent)
    limit = world.procedure.polar_limit if world.procedure else None
    world = alerts.ended_about(_recorded(world, record), alerts.OIL_POLAR, ("vat", vat), "read again", now.at_ms)
    say = f"Oil polar compounds {percent:g} percent, vat {vat}."
    if limit is None or oil.polar_met(percent, limit):
        return done(world, say)
    world = alerts.raised(world, _over_polar_limit(record, limit))
    return done(world, f"{say} The site's limit is {limit:g}.", Tone.ALERT)


def _recorded(world: World, record: OilRecord) -> World:
    return replace(world, oil=(*(old for old in world.oil if old.vat != record.vat), record))


def record_care(world: World, record: OilRecord) -> tuple[World, OilRecord]:
    """`record` with how much the oil was used since the same was done to it, where it is care of the oil."""
    if record.what not in CARE:
        return world, record
    for last in world.care:
        if (last.vat, last.what) == (record.vat, record.what):
            use = oil.use_since(last.at_ms, record.at_ms, last.batches_ms)
            record = replace(record, hours=use.hours, batches=use.batches)
    kept = (each for each in world.care if each.vat != record.vat or each.what not in CARE[record.what])
    renewed = (Care(record.vat, what, record.at_ms) for what in CARE[record.what])
    world = replace(world, care=(*kept, *renewed))
    if record.what == m.OIL_CHANGED:
        about = ("vat", record.vat)
        world = alerts.ended_about(world, alerts.OIL_POLAR, about, "oil changed", record.at_ms)
    return world, record


def count_batch(world: World, batch: Batch) -> World:
    """A batch was begun: the oil of its vat is used by one more."""
    care = (
        replace(each, batches_ms=(*each.batches_ms, batch.started_ms)) if each.vat == batch.vat else each
        for each in world.care
    )
    return replace(world, care=tuple(care))


def reset_timing(world: World) -> World:
    """Nobody knows how much time has passed, nor how long ago the oil was cared for."""
    return replace(world, care=())


def _over_polar_limit(record: OilRecord, limit: float) -> Alert:
    return alerts.made(
        alerts.OIL_POLAR,
        record.id,
        f"Vat {record.vat}: {record.percent:g} % of polar compounds, the site's limit is {limit:g} %. It is due to"
        " be changed, by the equipment maker's instructions: hot oil burns.",
        record.at_ms,
        percent=record.percent,
        limit=limit,
        vat=record.vat,
    )


def _rows(world: World, other: World) -> Iterator[Row]:
    same = {id(each) for each in other.oil}
    for each in world.oil:
        if id(each) not in same:
            yield (
                ("oil", each.id),
                (
                    ("vat", each.vat),
                    ("what", each.what),
                    ("at_ms", each.at_ms),
                    ("shift", each.shift),
                    ("oil_temperature", shown(each.oil_c, world.unit)),
                    ("unit", world.unit),
                    *given(
                        percent=each.percent,
                        hours_since=each.hours,
                        batches_since=each.batches,
                        despite=each.despite or None,
                    ),
                    ("struck", 0),
                ),
            )


SUBJECT = Subject(commands={**dict.fromkeys(m.OIL, _oil), m.OIL_READY: _ready, m.OIL_POLAR: _polar}, rows=_rows)
