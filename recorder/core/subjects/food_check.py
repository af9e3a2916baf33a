"""Checks of pieces: "probe thigh" waits for the needle, a spoken temperature is judged at once."""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.batch import Batch, Check, Stage
from recorder.core.effects import Tone
from recorder.core.limits import to_c
from recorder.core.meanings import Intent
from recorder.core.meant import batch_meant, part_meant
from recorder.core.procedure import COLDEST_MEAT_C, HOTTEST_MEAT_C
from recorder.core.subject import Answer, Command, Moment, Refusal, Row, Subject, done, given, of_batch, seconds, shown
from recorder.core.subjects import judging, probe_check, raw_check
from recorder.core.world import World


def _probe(world: World, command: Command) -> Answer:
    batch = batch_meant(world, command.intent)
    part = part_meant(batch, command.intent)
    world, _ = probe_check.unread(world, command.now.at_ms)
    held = f", batch {batch.number} in holding" if batch.stage is Stage.HOLDING else ""
    loaded = "" if part in batch.parts else f" No {part} was loaded."
    say = f"Probing {part}{held}.{loaded}"
    return done(_opened(world, batch, part, command.now), say, Tone.ALERT if loaded else Tone.DONE)


def _reading(world: World, command: Command) -> Answer:
    intent, now = command.intent, command.now
    if intent.number is None:
        raise Refusal("say the temperature")
    if raw := raw_check.waiting(world):  # a batch's piece is not what was asked for last
        raise Refusal(f"the raw {raw.part} takes the needle's reading alone")
    asked_for = world.open_check()
    if asked_for and asked_for[0].stage is Stage.CLOSED and world.rules >= 6:  # words are not of a batch that is gone
        asked_for = None
    batch = asked_for[0] if asked_for else _unnamed(world, intent)
    temp_c = to_c(intent.number, batch.procedure.unit)
    if not COLDEST_MEAT_C <= temp_c <= HOTTEST_MEAT_C:
        raise Refusal(f"{intent.number:g} °{batch.procedure.unit} is no temperature of meat")
    if not asked_for:
        world = _opened(world, batch, None, now)
    batch = world.batch(batch.id)
    check = replace(batch.checks[-1], spoken_id=now.seq)
    world, (cue,) = judging.judged(world, batch, check, temp_c, "spoken", now.at_ms)
    return done(world, f"As spoken: {cue.say[0].lower()}{cue.say[1:]}", cue.tone)


def _unnamed(world: World, intent: Intent) -> Batch:
    """The batch of a reading that no check waits for; it can't be named in the same breath."""
    try:
        return batch_meant(world, intent)
    except Refusal as refusal:
        several = str(refusal).startswith("say which")
        raise Refusal("say probe, the part and the batch before it") if several else refusal from refusal


def _opened(world: World, batch: Batch, part: str | None, now: Moment) -> World:
    """`world` with a new check of `part` that waits for a reading; one that waited before it stays unread."""
    if waiting := world.open_check():
        world, _ = judging.unread(world, waiting[0].id, now.at_ms)
    batch = world.batch(batch.id)
    check = Check(now.seq, part, batch.round, now.at_ms, held=batch.stage is Stage.HOLDING)
    return world.with_batch(batch.id, checks=(*batch.checks, check))


def _rows(batch: Batch) -> Iterator[Row]:
    unit = batch.procedure.unit
    for check in batch.checks:
        part, counts = batch.procedure.part(check.part), check.counts and check.part in (None, *batch.parts)
        yield (
            ("checks", check.id),
            (
                *of_batch(batch),
                ("part", check.part),
                ("round", check.round),
                ("opened_ms", check.opened_ms),
                ("closed_ms", check.closed_ms),
                ("temp_c", check.temp_c),
                ("temperature", shown(check.temp_c, unit)),
                ("unit", unit),
                ("target", part.target.value if part else None),
                ("critical_limit", part.critical.value if part else None),
                ("source", check.source),
                ("verdict", check.verdict),
                *given(
                    uncertainty_c=check.uncertainty_c,
                    settle_seconds=seconds(check.settle_ms),
                    probe_check=check.probe_check,
                    probe_was=check.probe_was,
                    stage=Stage.HOLDING if check.held else None,
                    counts=None if check.temp_c is None else int(counts),
                    disputed=check.disputed,
                    in_doubt=int(check.doubted) or None,
                    critical_seconds=seconds(part.critical_for_ms or None) if part else None,
                    stood_seconds=seconds(check.stood_ms or None),
                ),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(commands={m.PROBE: _probe, m.READING: _reading}, batch_rows=_rows)
