"""Prompts: the kitchen's own sentences, said at moments of the work, and whether "prompt done" followed.

The sentence is the kitchen's; cautions on pressure, steam and hot oil are the equipment maker's. A prompt that was not
done by the next step of its batch stays on record as not done, and is no alert.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.batch import Batch, Stage
from recorder.core.duties import Prompted
from recorder.core.effects import Cue, Tone
from recorder.core.limits import lasting
from recorder.core.own_words import BATCH_START, HOLD_START, LAST_LOAD, LID_LOCKED, LID_OPEN, SHIFT_END, SHIFT_START
from recorder.core.subject import Answer, Change, Columns, Command, Moment, Refusal, Row, Subject, Timer, done
from recorder.core.world import Shift, World


def _after(before: World, world: World, now: Moment) -> Change:
    """What is said of each batch, and of the shift, that has just come to a moment."""
    cues: tuple[Cue, ...] = ()
    for batch in world.batches:
        was = next((each for each in before.batches if each.id == batch.id), None)
        moment = "" if batch is was else _moment(was, batch, now)
        if said := _said(batch, moment, now):
            world = world.with_batch(batch.id, prompts=(*batch.prompts, *said))
            cues += tuple(_cue(batch, each.text) for each in said)
    shift = world.shift
    if shift and shift is not before.shift and (said := _of_shift(before.shift, shift, world, now)):
        world = replace(world, shift=replace(shift, prompts=(*shift.prompts, *said)))
        cues += tuple(Cue(Tone.ANSWER, each.text) for each in said)
    return world, cues


def _moment(was: Batch | None, batch: Batch, now: Moment) -> str:
    """The moment that a batch has come to; "" for none, as where words were struck."""
    if batch.id == now.seq:
        return BATCH_START
    if was is None:
        return ""
    if batch.hold and batch.hold.id == now.seq:
        return HOLD_START
    if batch.stage is Stage.LOADING and batch.loads and batch.loads[-1].id == now.seq:
        return LAST_LOAD if _full(batch) and not _full(was) else ""
    if not batch.fryings:
        return ""
    frying = batch.fryings[-1]
    if frying.opened_ms is None:
        return LID_LOCKED if frying.id == now.seq else ""
    opened = any(each.id == frying.id and each.opened_ms is not None for each in was.fryings)
    return LID_OPEN if frying.opened_ms == now.at_ms and not opened else ""


def _full(batch: Batch) -> bool:
    """Whether every part of the product is in, or as many pieces as a load has."""
    return len(batch.parts) == len(batch.procedure.parts) or batch.pieces >= batch.procedure.pieces_per_load


def _said(batch: Batch, moment: str, now: Moment) -> list[Prompted]:
    return [
        Prompted(f"{now.seq}-{place}", moment, prompt.say, now.at_ms, prompt.done, batch.stage.value, batch.round)
        for place, prompt in enumerate(batch.procedure.own.prompts, 1)
        if moment and prompt.at == moment
    ]


def _of_shift(was: Shift | None, shift: Shift, world: World, now: Moment) -> list[Prompted]:
    ended = bool(was and was.id == shift.id and was.ended_ms is None and shift.ended_ms is not None)
    moment = SHIFT_START if shift.id == now.seq else SHIFT_END if ended else ""
    own = world.procedure.own.prompts if world.procedure else ()
    return [
        Prompted(f"{now.seq}-{place}", moment, prompt.say, now.at_ms, prompt.done)
        for place, prompt in enumerate(own, 1)
        if moment and prompt.at == moment
    ]


def _cue(batch: Batch, text: str) -> Cue:
    vat = "" if batch.stage is Stage.HOLDING else f", vat {batch.vat}"
    return Cue(Tone.ANSWER, f"Batch {batch.number}{vat}: {text}")


def _timers(batch: Batch) -> Iterator[Timer]:
    """Prompts before the planned end of a cook; one that is longer than a further cook is not said of that."""
    if batch.stage is not Stage.COOKING or batch.fryings[-1].called:
        return
    frying, known = batch.fryings[-1], {each.id for each in batch.prompts}
    for place, prompt in enumerate(batch.procedure.own.prompts, 1):
        id = f"{frying.id}-{place}"
        if id in known or not 0 < prompt.before_end_ms < batch.planned_ms:
            continue
        due_ms = frying.locked_ms + batch.planned_ms - prompt.before_end_ms
        moment = f"{lasting(prompt.before_end_ms)} before the end"
        said = Prompted(id, moment, prompt.say, due_ms, prompt.done, batch.stage.value, batch.round)

        def say(world: World, _: int, said: Prompted = said) -> Change:
            prompts = (*world.batch(batch.id).prompts, said)
            return world.with_batch(batch.id, prompts=prompts), (_cue(batch, said.text),)

        yield due_ms, say


def _done(world: World, command: Command) -> Answer:
    named, at_ms = command.intent.batch, command.now.at_ms
    waiting: list[tuple[int, Batch | None, Prompted]] = [
        (prompt.at_ms, batch, prompt)
        for batch in world.batches
        for prompt in batch.waiting_prompts
        if named in (None, batch.number)
    ]
    numbers = sorted({batch.number for _, batch, _ in waiting if batch})
    if len(numbers) > 1:
        raise Refusal("say which: " + " or ".join(f"batch {number}" for number in numbers))
    if world.shift and named is None:
        waiting += [(prompt.at_ms, None, prompt) for prompt in world.shift.waiting_prompts]
    if not waiting:
        raise Refusal("no prompt waits" + ("" if named is None else f" for batch {named}"))
    _, batch, oldest = min(waiting, key=lambda each: each[0])
    answered = replace(oldest, done_ms=at_ms)
    if batch:
        prompts = tuple(answered if each is oldest else each for each in batch.prompts)
        return done(world.with_batch(batch.id, prompts=prompts), f"Batch {batch.number}, prompt done: {oldest.text}")
    assert world.shift
    prompts = tuple(answered if each is oldest else each for each in world.shift.prompts)
    return done(replace(world, shift=replace(world.shift, prompts=prompts)), f"Prompt done: {oldest.text}")


def _rows(world: World, other: World) -> Iterator[Row]:
    if world.shift and world.shift is not other.shift:
        yield from _as_rows(world.shift.prompts, (("batch", None), ("batch_id", None), ("shift", world.shift.id)))


def _batch_rows(batch: Batch) -> Iterator[Row]:
    yield from _as_rows(batch.prompts, (("batch", batch.number), ("batch_id", batch.id), ("shift", batch.shift)))


def _as_rows(prompts: Iterable[Prompted], of: Columns) -> Iterator[Row]:
    for each in prompts:
        yield (
            ("prompts", each.id),
            (
                *of,
                ("moment", each.moment),
                ("text", each.text),
                ("at_ms", each.at_ms),
                ("asks_done", int(each.asks)),
                ("done_ms", each.done_ms),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(
    commands={m.PROMPT_DONE: _done}, after=_after, batch_timers=_timers, rows=_rows, batch_rows=_batch_rows
)
