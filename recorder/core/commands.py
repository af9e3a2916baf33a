"""What each spoken command does to the world, or why it is refused. "scratch that" is in `station.py`."""

from dataclasses import dataclass, replace

from recorder.core import alerts, answers, causes, checks, probing, trends
from recorder.core import meanings as m
from recorder.core.effects import Tone
from recorder.core.events import Intent, vat_channel
from recorder.core.rules import in_unit, minutes_text, plausible, to_c
from recorder.core.world import Batch, Cook, Correction, Hold, Load, OilRecord, Question, Shift, Stage, Verdict, World
from recorder.thermal.oil import polar_met

FRESH_MS = 60_000
"""A vat's or cabinet's reading older than this says nothing about now."""

QUESTION_MS = 20_000
"""How long "confirm" is waited for."""

HIGHEST_BATCH = 29
"""Batches are numbered from 1 to this: up to it no two numbers sound alike, as "thirteen" and "thirty" would."""

IN_VAT = (Stage.LOADING, Stage.COOKING, Stage.CHECKING, Stage.RETURNED)
OPEN = (*IN_VAT, Stage.HOLDING)


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a command."""

    world: World
    outcome: str
    """ "done", "asked", "refused", "answered", or "unanswered": a question with nothing to tell."""
    tone: Tone
    say: str
    ask: str = ""
    """How to ask whether to do it; "" where `say` serves for that."""

    @property
    def sensible(self) -> bool:
        """Whether the words made sense in the world as it was."""
        return self.outcome not in ("refused", "unanswered")


class _Refusal(Exception):
    """Carries the reason of a refusal up to `obey`; it never leaves this module."""


def obey(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    """What `intent` makes of `world`: entry number `seq`, at `at_ms`. Never raises; a senseless one is refused."""
    asked = world.question
    if intent.meaning not in (m.CONFIRM, *m.QUESTIONS):
        world = replace(world, question=None)
    try:
        if intent.meaning == m.CONFIRM:
            return _confirm(world, asked, seq, at_ms)
        answer = _act(world, intent, seq, at_ms)
        if answer.outcome == "done" and _asks_first(world, intent):
            return _ask(world, intent, answer, at_ms)
        return answer
    except _Refusal as refusal:
        return Answer(world, "refused", Tone.REFUSED, f"Refused: {refusal}.")


def _act(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    """What `intent` makes of `world` when nothing more is asked; raises `_Refusal`."""
    match intent.meaning:
        case m.SHIFT_START:
            return _shift_start(world, intent, seq, at_ms)
        case m.SHIFT_END:
            return _shift_end(world, intent, at_ms)
        case what if what in m.OIL:
            return _oil(world, intent, seq, at_ms)
        case m.OIL_POLAR:
            return _oil_polar(world, intent, seq, at_ms)
        case m.BATCH_START:
            return _batch_start(world, intent, seq, at_ms)
        case m.LOAD:
            return _load(world, intent, seq, at_ms)
        case m.LID_LOCKED:
            return _lid_locked(world, intent, seq, at_ms)
        case m.LID_OPEN:
            return _lid_open(world, intent, at_ms)
        case m.PROBE:
            return _probe(world, intent, seq, at_ms)
        case m.READING:
            return _reading(world, intent, seq, at_ms)
        case how if how in m.PROBE_CHECKS:
            return _probe_check(world, how, seq, at_ms)
        case m.COOK_MORE:
            return _cook_more(world, intent, seq, at_ms)
        case m.HOLD_START:
            return _hold_start(world, intent, seq, at_ms)
        case m.HOLD_END:
            return _hold_end(world, intent, at_ms)
        case m.DISCARD:
            return _discard(world, intent, at_ms)
        case m.TIME_LEFT:
            return _answered(world, *answers.time_left(world, intent.vat, at_ms))
        case m.STATUS:
            return _answered(world, *answers.status(world))
        case m.LAST_READING:
            return _answered(world, *answers.last_reading(world, at_ms))
        case _:
            raise _Refusal(f"{intent.meaning} means nothing here")


def _asks_first(world: World, intent: Intent) -> bool:
    return world.procedure is not None and intent.meaning in world.procedure.ask_first


def _ask(world: World, intent: Intent, answer: Answer, at_ms: int) -> Answer:
    """The question whether to do what `answer` did; nothing of that is in the world."""
    world = replace(world, question=Question(intent, at_ms + QUESTION_MS))
    say = answer.ask or f"Say confirm for {intent.meaning}: {answer.say[0].lower()}{answer.say[1:]}"
    return Answer(world, "asked", Tone.ASKS, say)


def fresh(world: World, channel: str, at_ms: int) -> float | None:
    """The temperature of `channel` in °C if one came lately, else None."""
    latest = world.latest.get(channel)
    return latest.temp_c if latest and at_ms - latest.at_ms <= FRESH_MS else None


def _done(world: World, say: str, tone: Tone = Tone.DONE) -> Answer:
    return Answer(world, "done", tone, say)


def _answered(world: World, say: str, told: bool) -> Answer:
    return Answer(world, "answered" if told else "unanswered", Tone.ANSWER, say)


def _pick(world: World, intent: Intent, stages: tuple[Stage, ...], remedy: str) -> Batch:
    """The one batch in one of `stages` that is meant; raises `_Refusal` that says which word is missing."""
    named = [batch for batch in world.batches if batch.stage is not Stage.CLOSED]
    if intent.vat is not None:
        _known_vat(world, intent.vat)
        named = [batch for batch in named if batch.vat == intent.vat and batch.stage in IN_VAT]
    if intent.batch is not None:
        named = [batch for batch in named if batch.number == intent.batch]
        if not named:
            raise _Refusal(f"batch {intent.batch} is not open")
    fitting = [batch for batch in named if batch.stage in stages]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise _Refusal("say which: " + " or ".join(f"batch {batch.number}" for batch in fitting))
    if len(named) == 1:
        raise _Refusal(f"batch {named[0].number} is {named[0].stage.value}; {remedy}")
    where = f" in vat {intent.vat}" if intent.vat is not None else ""
    raise _Refusal(f"no batch{where} is {' or '.join(stage.value for stage in stages)}; {remedy}")


def _free_number(world: World) -> int:
    """The next number that no open batch has. After `HIGHEST_BATCH` they begin again, so that each can be spoken."""
    taken = {batch.number for batch in world.batches if batch.stage is not Stage.CLOSED}
    count = max(HIGHEST_BATCH, len(taken) + 1)
    numbers = ((world.next_batch - 1 + further) % count + 1 for further in range(count))
    return next(number for number in numbers if number not in taken)


def _known_vat(world: World, vat: int) -> None:
    if vat not in world.vats:
        raise _Refusal(f"there is no vat {vat}")


def _busy(world: World) -> dict[int, Batch]:
    return {batch.vat: batch for batch in world.batches if batch.stage in IN_VAT}


def _shift_start(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if world.shift and world.shift.ended_ms is None:
        raise _Refusal(f"the shift of cook {world.shift.cook} is open; end it first")
    if intent.cook is None:
        raise _Refusal("say the cook's number")
    world = replace(world, shift=Shift(seq, intent.cook, at_ms), next_batch=1)
    return _done(world, f"Shift started, cook {intent.cook}.")


def _shift_end(world: World, intent: Intent, at_ms: int) -> Answer:
    shift = world.shift
    if shift is None or shift.ended_ms is not None:
        raise _Refusal("no shift is open")
    if intent.cook not in (None, shift.cook):
        raise _Refusal(f"the open shift is cook {shift.cook}'s")
    left = [f"batch {batch.number} {batch.stage.value}" for batch in world.batches if batch.stage is not Stage.CLOSED]
    still = ", ".join(left)
    world = replace(world, shift=replace(shift, ended_ms=at_ms, left_open=still))
    if left:
        return _done(world, f"Shift ended, cook {shift.cook}. Still open: {still}.", Tone.ALERT)
    return _done(world, f"Shift ended, cook {shift.cook}. Nothing is open.")


def _vat(world: World, intent: Intent) -> int:
    """The vat that is meant; raises `_Refusal`."""
    if intent.vat is None and len(world.vats) != 1:
        raise _Refusal("say which vat")
    vat = world.vats[0] if intent.vat is None else intent.vat
    _known_vat(world, vat)
    return vat


def _oil(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    vat = _vat(world, intent)
    oil_c = fresh(world, vat_channel(vat), at_ms)
    record = OilRecord(seq, vat, intent.meaning, at_ms, _shift_id(world), oil_c)
    world, record = trends.cared(world, record)
    world = replace(world, oil=(*(old for old in world.oil if old.vat != vat), record))
    unit = world.procedure.unit if world.procedure else "C"
    degrees = f", {in_unit(oil_c, unit):.0f} degrees" if oil_c is not None else ""
    return _done(world, f"{intent.meaning.capitalize()}, vat {vat}{degrees}.")


def _oil_polar(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    vat = _vat(world, intent)
    if intent.percent is None or not 0 <= intent.percent <= 100:
        raise _Refusal("say the percentage")
    record = OilRecord(seq, vat, intent.meaning, at_ms, _shift_id(world), None, intent.percent)
    world = replace(world, oil=(*(old for old in world.oil if old.vat != vat), record))
    limit = world.procedure.polar_limit if world.procedure else None
    world = trends.oil_renewed(world, vat, "read again", at_ms)
    say = f"Oil polar compounds {intent.percent:g} percent, vat {vat}."
    if limit is None or polar_met(intent.percent, limit):
        return _done(world, say)
    world = alerts.raised(world, causes.oil_polar(record, limit, at_ms))
    return _done(world, f"{say} The site's limit is {limit:g}.", Tone.ALERT)


def _probe_check(world: World, how: str, seq: int, at_ms: int) -> Answer:
    if waiting := world.open_check():
        world, _ = checks.unread(world, waiting[0].id, at_ms)
    world, _ = probing.unread(world, at_ms)
    procedure = world.procedure
    try:
        unit, altitude_m = (procedure.unit, procedure.altitude_m) if procedure else ("C", None)
        world = probing.opened(world, how, unit, altitude_m, seq, at_ms)
    except ValueError as error:
        raise _Refusal(str(error)) from error
    return _done(world, f"Checking the probe: {how}. Stir, and keep the needle in the middle.")


def _batch_start(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if world.procedure is None:
        raise _Refusal("no procedure is loaded")
    if world.shift is None or world.shift.ended_ms is not None:
        raise _Refusal("no shift is open; start the shift first")
    busy = _busy(world)
    if intent.vat is not None:
        _known_vat(world, intent.vat)
    vats = world.vats if intent.vat is None else (intent.vat,)
    free = [vat for vat in vats if vat not in busy]
    if not free:
        held = "; ".join(f"vat {vat} has batch {busy[vat].number}, {busy[vat].stage.value}" for vat in vats)
        raise _Refusal(held or "there is no vat")
    if len(free) > 1:
        raise _Refusal("say which vat: " + " or ".join(map(str, free)))
    batch = Batch(seq, _free_number(world), free[0], world.shift.id, world.procedure, at_ms)
    world = replace(world, batches=(*world.batches, batch), next_batch=batch.number + 1)
    return _done(trends.used(world, batch), f"Batch {batch.number}, vat {batch.vat}.")


def _load(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = _pick(world, intent, (Stage.LOADING,), "start a batch first")
    procedure = batch.procedure
    if procedure.part(intent.part) is None or intent.part is None:
        raise _Refusal(f"the procedure has no part {intent.part!r}")
    late = [load.part for load in batch.loads if procedure.rank(load.part) > procedure.rank(intent.part)]
    pieces = batch.pieces + (intent.count or 0)
    oil_c = fresh(world, vat_channel(batch.vat), at_ms)
    over = pieces > procedure.pieces_per_load
    load = Load(seq, intent.part, intent.count, at_ms, oil_c, bool(late), over)
    if oil_c is not None and not batch.loads and not in_band(batch, oil_c):
        world = alerts.raised(world, causes.oil_outside_band(batch, oil_c, seq, at_ms))
    world = world.with_batch(batch.id, loads=(*batch.loads, load))
    world = trends.load_felt(world, world.batch(batch.id), seq, oil_c, at_ms)
    counted = f" {intent.count}" if intent.count is not None else ""
    say = f"Batch {batch.number}, {intent.part}{counted}."
    if late:
        say += f" Out of order: {late[0]} is in already."
    if over:
        say += f" Over capacity: {pieces} of {procedure.pieces_per_load} pieces."
    return _done(world, say, Tone.ALERT if late or over else Tone.DONE)


def in_band(batch: Batch, oil_c: float) -> bool:
    return batch.procedure.oil_low.met_by(oil_c) and not batch.procedure.oil_high.passed_by(oil_c)


def _lid_locked(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = _pick(
        world, intent, (Stage.LOADING, Stage.RETURNED), "start a batch, or say cook more for one that goes back"
    )
    world = world.with_batch(batch.id, stage=Stage.COOKING, cooks=(*batch.cooks, Cook(seq, at_ms)))
    if not batch.loads:
        return _done(world, f"Batch {batch.number} cooking. No load was said.", Tone.ALERT)
    return _done(world, f"Batch {batch.number} cooking, vat {batch.vat}.")


def _lid_open(world: World, intent: Intent, at_ms: int) -> Answer:
    batch = _pick(world, intent, (Stage.COOKING,), "no lid is locked")
    cook = batch.cooks[-1]
    cooked_ms = at_ms - cook.locked_ms
    short = cook.time_proven and batch.round == 0 and cooked_ms < batch.procedure.shortest_cook_ms
    cook = replace(cook, opened_ms=at_ms, short=short)
    world = alerts.ended(world, at_ms, "lid opened", (alerts.COOK_OVERDUE,), batch.number)
    if short:
        world = alerts.raised(world, causes.cook_short(batch, cook, at_ms))
    world = world.with_batch(batch.id, stage=Stage.CHECKING, cooks=(*batch.cooks[:-1], cook))
    say = f"Batch {batch.number}, lid open after {minutes_text(cooked_ms)}."
    return _done(world, say + (" Short cook." if short else ""), Tone.ALERT if short else Tone.DONE)


def _probe(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = _pick(world, intent, (Stage.CHECKING,), "open its lid first")
    if batch.procedure.part(intent.part) is None:
        raise _Refusal(f"the procedure has no part {intent.part!r}")
    world, _ = probing.unread(world, at_ms)
    return _done(checks.opened(world, batch, intent.part, seq, at_ms), f"Probing {intent.part}.")


def _reading(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    if intent.number is None:
        raise _Refusal("say the temperature")
    waiting = world.open_check()
    if waiting:
        batch = waiting[0]
    else:
        batch = _pick(world, intent, (Stage.CHECKING,), "say probe and the part first")
        world = checks.opened(world, batch, None, seq, at_ms)
    temp_c = to_c(intent.number, batch.procedure.unit)
    if not plausible(temp_c):
        raise _Refusal(f"{intent.number:g} degrees is no temperature")
    world, (cue,) = checks.judged(world, world.batch(batch.id), temp_c, "spoken", at_ms)
    return _done(world, f"As spoken: {cue.say[0].lower()}{cue.say[1:]}", cue.tone)


def _cook_more(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = _pick(world, intent, (Stage.CHECKING,), "open its lid first")
    if batch.checks and batch.checks[-1].verdict is Verdict.OPEN:
        world, _ = checks.unread(world, batch.id, at_ms)
        batch = world.batch(batch.id)
    failed = [check for check in batch.checks if check.round == batch.round and check.temp_c is not None]
    why = ", ".join(f"{check.part or 'piece'} {check.verdict.value}" for check in failed if _missed(check.verdict))
    correction = Correction(seq, at_ms, why or "said by the cook")
    world = trends.batch_read(world, batch, at_ms)
    world = world.with_batch(batch.id, stage=Stage.RETURNED, corrections=(*batch.corrections, correction))
    return _done(world, f"Batch {batch.number} goes back. Lock the lid, then check it afresh.")


def _missed(verdict: Verdict) -> bool:
    return verdict in (Verdict.BELOW_TARGET, Verdict.BELOW_CRITICAL)


def _hold_start(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    batch = _pick(world, intent, (Stage.CHECKING,), "open its lid first")
    if not batch.proven:
        world = replace(world, question=Question(intent, at_ms + QUESTION_MS, unproven=batch.id))
        needed = batch.procedure.checks_per_batch
        fails = f", {batch.failed} failed" if batch.failed else ""
        say = f"Batch {batch.number} has {batch.passed} of {needed} checks passed{fails}. Confirm to hold it unproven."
        return Answer(world, "asked", Tone.ASKS, say)
    return _done(_held(world, batch, seq, at_ms), f"Batch {batch.number} holding.")


def _held(world: World, batch: Batch, seq: int, at_ms: int) -> World:
    if batch.checks and batch.checks[-1].verdict is Verdict.OPEN:
        world, _ = checks.unread(world, batch.id, at_ms)
        batch = world.batch(batch.id)
    hold = Hold(seq, at_ms, batch.proven)
    world = trends.batch_read(world, batch, at_ms)
    if not batch.proven:
        world = alerts.raised(world, causes.hold_unproven(batch, hold, at_ms))
    return world.with_batch(batch.id, stage=Stage.HOLDING, hold=hold)


def _hold_end(world: World, intent: Intent, at_ms: int) -> Answer:
    batch = _pick(world, intent, (Stage.HOLDING,), "it is not in holding")
    return _done(_closed(world, batch, at_ms, "sold", None), f"Batch {batch.number} sold.")


def _discard(world: World, intent: Intent, at_ms: int) -> Answer:
    batch = _pick(world, intent, OPEN, "it is closed")
    counted = f", {intent.count} pieces" if intent.count is not None else ""
    ask = f"Discard batch {batch.number}{counted}? Say confirm."
    say = f"Batch {batch.number} discarded{'' if _asks_first(world, intent) else counted}."
    return Answer(_closed(world, batch, at_ms, "discarded", intent.count), "done", Tone.DONE, say, ask)


def _confirm(world: World, asked: Question | None, seq: int, at_ms: int) -> Answer:
    if asked is None:
        raise _Refusal("nothing waits for confirm")
    world = replace(world, question=None)
    if asked.unproven is None:
        return _act(world, asked.intent, seq, at_ms)
    batch = world.batch(asked.unproven)
    return _done(_held(world, batch, seq, at_ms), f"Batch {batch.number} holding, unproven.", Tone.ALERT)


def _closed(world: World, batch: Batch, at_ms: int, outcome: str, pieces: int | None) -> World:
    """The batch leaves the station; whatever was open about it ends with it."""
    if batch.checks and batch.checks[-1].verdict is Verdict.OPEN:
        world, _ = checks.unread(world, batch.id, at_ms)
        batch = world.batch(batch.id)
    hold = replace(batch.hold, ended_ms=at_ms, outcome=outcome) if batch.hold else None
    about = [alert.kind for alert in world.alerts if alert.batch == batch.number]
    world = alerts.ended(world, at_ms, outcome, about, batch.number)
    return world.with_batch(
        batch.id, stage=Stage.CLOSED, hold=hold, closed_ms=at_ms, outcome=outcome, discarded_pieces=pieces
    )


def _shift_id(world: World) -> int | None:
    return world.shift.id if world.shift and world.shift.ended_ms is None else None
