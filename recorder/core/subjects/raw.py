"""Raw food out of the cooler: how long it is out, until it is back or in a vat, and of which lot it is."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import partial

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.limits import lasting, listed, minutes_text, pieces_text
from recorder.core.meanings import Intent
from recorder.core.procedure import TIME_ALONE_MS, Procedure
from recorder.core.subject import Answer, Change, Command, Refusal, Row, Subject, Timer, done, given, seconds
from recorder.core.world import RawTime, World

LONGEST_LOT = 12
"""Digits; a date with its time has so many."""

BACK, LOADED = "back", "loaded"


def part_said(world: World, intent: Intent) -> tuple[Procedure, str]:
    """The part that was named, or the only one, and the procedure of a product that has it. Raises `Refusal`."""
    if not world.menu:
        raise Refusal("no procedure is loaded")
    parts = {part.name for each in world.menu for part in each.parts}
    part = next(iter(parts)) if intent.part is None and len(parts) == 1 else intent.part
    if part is None:
        raise Refusal("say the part")
    if part not in parts:
        raise Refusal(f"the procedure has no part {part!r}")
    return next(each for each in world.menu if each.part(part)), part


def longest_ms(world: World, part: str) -> int | None:
    """The longest that raw food of this part may be out: the shortest that a product with it has; None for none."""
    with_it = [each for each in world.menu if each.part(part)]
    return min((each.raw_out_ms for each in with_it or world.menu if each.raw_out_ms is not None), default=None)


def _out(world: World, command: Command) -> Answer:
    _, part = part_said(world, command.intent)
    count, now = command.intent.count, command.now
    if count is not None and count < 1:
        raise Refusal("say how many pieces")
    shift = world.open_shift.id if world.open_shift else None
    taken = RawTime(now.seq, part, count, count, now.at_ms, shift)
    before = [each for each in world.raw_out if each.part == part]
    counted = f" {count}" if count is not None else ""
    say = f"Raw {part}{counted} out."
    if before:
        say += f" More of it has been out for {minutes_text(now.at_ms - before[0].out_ms)}."
    return done(replace(world, raw=(*world.raw_out, taken)), say)


def _back(world: World, command: Command) -> Answer:
    count, at_ms = command.intent.count, command.now.at_ms
    parts = {each.part for each in world.raw_out}
    part = next(iter(parts)) if command.intent.part is None and len(parts) == 1 else command.intent.part
    if part is None:
        raise Refusal("say the part")
    out = [each for each in world.raw_out if each.part == part]
    if not out:
        raise Refusal(f"no raw {part} is out")
    if count is None:
        return _all_back(world, part, out, at_ms)
    if count < 1:
        raise Refusal("say how many pieces")
    if any(each.left is None for each in out):
        raise Refusal(f"the raw {part} that is out was not counted; say raw back {part} once all of it is back")
    left = sum(each.left or 0 for each in out)
    if count > left:
        raise Refusal(f"{pieces_text(left)} of raw {part} {'is' if left == 1 else 'are'} out")
    if count == left:
        return _all_back(world, part, out, at_ms)
    # What was taken out last is taken to be back first: so what is left is watched by the longer time.
    world = _fewer(world, reversed(out), count, BACK, at_ms)
    since_ms = next(each.out_ms for each in world.raw_out if each.part == part)
    return done(world, f"Raw {part} {count} back, {left - count} still out, for {minutes_text(at_ms - since_ms)}.")


def _all_back(world: World, part: str, out: list[RawTime], at_ms: int) -> Answer:
    """All of the part that is out went back."""
    for each in out:
        world = _ended(world, each, BACK, at_ms)
    say = f"Raw {part} back after {minutes_text(at_ms - out[0].out_ms)}."
    if not all(each.time_proven for each in out):
        say = f"Raw {part} back. How long it was out is not known."
    elif any(each.past for each in out):
        say += " That is past the longest without temperature control."
    elif any(each.warned for each in out):
        say += " That is longer than the kitchen's longest."
    late = any(each.warned or each.past or not each.time_proven for each in out)
    return done(world, say, Tone.ALERT if late else Tone.DONE)


def loaded(world: World, part: str, count: int | None, at_ms: int) -> World:
    """Pieces of `part` went into a vat: what was out longest goes first, as far as all was counted."""
    return _fewer(world, [each for each in world.raw_out if each.part == part], count or 0, LOADED, at_ms)


def _fewer(world: World, out: Iterable[RawTime], count: int, outcome: str, at_ms: int) -> World:
    """`count` pieces fewer are out, of `out` in this order; what was not counted stays until it is said to be back."""
    for each in out:
        if each.left is None or count <= 0:
            break
        fewer = min(each.left, count)
        count -= fewer
        if fewer == each.left:
            world = _ended(world, replace(each, left=0), outcome, at_ms)
        else:
            world = _with(world, replace(each, left=each.left - fewer))
    return world


def _with(world: World, changed: RawTime) -> World:
    return replace(world, raw=tuple(changed if each.id == changed.id else each for each in world.raw))


def _ended(world: World, each: RawTime, outcome: str, at_ms: int) -> World:
    world = _with(world, replace(each, ended_ms=at_ms, outcome=outcome))
    return alerts.ended(world, at_ms, outcome, (alerts.RAW_OUT,), id=alerts.alert_id(each.id, alerts.RAW_OUT))


def _lot(world: World, command: Command) -> Answer:
    """The lot of what was taken out last; further digits go behind those that were said."""
    digits, more = command.intent.lot, command.intent.meaning == m.LOT_MORE
    if not digits:
        raise Refusal("say the digits of the lot")
    if not world.raw_out:
        raise Refusal("no raw food is out; say raw out and the part first")
    newest = world.raw_out[-1]
    if more and not newest.lot:
        raise Refusal("no lot was said yet; say lot and its first digits")
    lot = newest.lot + digits if more else digits
    if len(lot) > LONGEST_LOT:
        raise Refusal(f"a lot has at most {LONGEST_LOT} digits; say lot and its digits from the first one on")
    world = _with(world, replace(newest, lot=lot))
    lots = {**dict(world.lots), newest.part: lot}
    return done(replace(world, lots=tuple(lots.items())), f"Lot {' '.join(lot)}, raw {newest.part}.")


def lot_of(world: World, part: str) -> str:
    """The lots of all of `part` that is out, with a space between them; else the one that was said last; "" for none.

    A load may be of any of them: a recall has to find it by each.
    """
    out = dict.fromkeys(each.lot for each in world.raw_out if each.part == part and each.lot)
    return " ".join(out) or dict(world.lots).get(part, "")


def spoken(lots: str) -> str:
    """Lots for an answer, digit by digit: "lot 0 4 1 7", "lots 0 4 1 7 and 0 5 2"."""
    each = lots.split()
    return f"lot{'s' * (len(each) > 1)} {listed([' '.join(digits) for digits in each])}"


def still_out(world: World) -> list[str]:
    """What is out of the cooler, each part once, in words: "raw thigh out"."""
    return [f"raw {part} out" for part in dict.fromkeys(each.part for each in world.raw_out)]


def out_for(world: World, at_ms: int) -> list[str]:
    """For "status", of each part that is out, a sentence: "Raw thigh out for 12 min 05 s."."""
    parts: dict[str, RawTime] = {}
    for each in world.raw_out:
        parts.setdefault(each.part, each)
    return [
        f"Raw {part} out for {minutes_text(at_ms - each.out_ms)}{'' if each.time_proven else ' at least'}."
        for part, each in parts.items()
    ]


def time_unknown(world: World, at_ms: int) -> World:
    """Nobody knows how much time has passed: what is out may have been so for too long."""
    for each in world.raw_out:
        world = _with(world, replace(each, time_proven=False))
        world = alerts.raised(world, _unknown(each, at_ms)) if each.time_proven else world
    return world


def _timers(world: World) -> Iterator[Timer]:
    for each in world.raw_out:
        most_ms = longest_ms(world, each.part)
        if most_ms is not None and not each.warned:
            yield each.out_ms + most_ms, partial(_warned, each.id, most_ms)
        if not each.past:
            yield each.out_ms + TIME_ALONE_MS, partial(_past, each.id)


def _warned(id: int, most_ms: int, world: World, _: int) -> Change:
    each = next(each for each in world.raw if each.id == id)
    world = alerts.raised(_with(world, replace(each, warned=True)), _too_long(each, most_ms))
    return world, (Cue(Tone.ALERT, f"Raw {each.part} has been out of the cooler too long."),)


def _past(id: int, world: World, _: int) -> Change:
    each = next(each for each in world.raw if each.id == id)
    due_ms = each.out_ms + TIME_ALONE_MS
    about = alerts.alert_id(each.id, alerts.RAW_OUT)
    world = alerts.ended(world, due_ms, "out for four hours", (alerts.RAW_OUT,), id=about)
    world = alerts.raised(_with(world, replace(each, warned=True, past=True)), _four_hours(each, due_ms))
    return world, (Cue(Tone.ALERT, f"Raw {each.part} has been out of the cooler for 4 hours."),)


def _too_long(each: RawTime, most_ms: int) -> Alert:
    return alerts.made(
        alerts.RAW_OUT,
        each.id,
        f"Raw {each.part} has been out of the cooler for {lasting(most_ms)}, the kitchen's longest. See to the food.",
        each.out_ms + most_ms,
        part=each.part,
        limit_seconds=most_ms / 1000,
    )


def _four_hours(each: RawTime, at_ms: int) -> Alert:
    return alerts.made(
        alerts.RAW_PAST,
        each.id,
        f"Raw {each.part} has been out of the cooler for {lasting(TIME_ALONE_MS)}, the longest without temperature"
        " control (FDA Food Code 2022, 3-501.19). Discard what is left of it, by your kitchen's written procedure.",
        at_ms,
        part=each.part,
        limit_seconds=TIME_ALONE_MS / 1000,
    )


def _unknown(each: RawTime, at_ms: int) -> Alert:
    return alerts.made(
        alerts.RAW_UNKNOWN,
        each.id,
        f"Raw {each.part} was out of the cooler while the recorder was off, nobody knows for how long. Treat its time"
        " as unknown, and take its temperature.",
        at_ms,
        part=each.part,
    )


def _rows(world: World, other: World) -> Iterator[Row]:
    same = {id(each) for each in other.raw}
    for each in world.raw:
        if id(each) not in same:
            yield (
                ("raw_times", each.id),
                (
                    ("part", each.part),
                    ("pieces", each.pieces),
                    ("pieces_left", each.left),
                    ("out_ms", each.out_ms),
                    ("back_ms", each.ended_ms),
                    ("seconds", None if each.ended_ms is None else seconds(each.ended_ms - each.out_ms)),
                    ("shift", each.shift),
                    ("too_long", int(each.warned)),
                    ("past_limit", int(each.past)),
                    ("time_proven", int(each.time_proven)),
                    ("outcome", each.outcome),
                    *given(lot=each.lot or None),
                    ("struck", 0),
                ),
            )


SUBJECT = Subject(
    commands={m.RAW_OUT: _out, m.RAW_BACK: _back, **dict.fromkeys(m.LOTS, _lot)}, timers=_timers, rows=_rows
)
