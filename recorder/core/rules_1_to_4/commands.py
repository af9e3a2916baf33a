"""Which spoken command does what: obeyed, asked back or refused. "scratch that" is in `station.py`."""

from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.editions import UNANSWERED
from recorder.core.effects import Tone
from recorder.core.events import Intent
from recorder.core.rules_1_to_4 import answers, batch_commands, station_commands
from recorder.core.rules_1_to_4.outcome import QUESTION_MS, Answer, Refusal, asks_first, done
from recorder.core.rules_1_to_4.world import Question, World


def obey(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    """What `intent` makes of `world`: entry number `seq`, at `at_ms`. Never raises; a senseless one is refused."""
    asked = world.question
    if intent.meaning not in (m.CONFIRM, *m.QUESTIONS):
        world = replace(world, question=None)
    try:
        if intent.meaning == m.CONFIRM:
            return _confirm(world, asked, seq, at_ms)
        answer = _act(world, intent, seq, at_ms)
        if answer.outcome == "done" and asks_first(world, intent):
            return _ask(world, intent, answer, at_ms)
        return answer
    except Refusal as refusal:
        return Answer(world, "refused", Tone.REFUSED, f"Refused: {refusal}.")


def _act(world: World, intent: Intent, seq: int, at_ms: int) -> Answer:
    """What `intent` makes of `world` when nothing more is asked; raises `Refusal`."""
    match intent.meaning:
        case m.SHIFT_START:
            return station_commands.shift_start(world, intent, seq, at_ms)
        case m.SHIFT_END:
            return station_commands.shift_end(world, intent, at_ms)
        case what if what in m.OIL:
            return station_commands.oil(world, intent, seq, at_ms)
        case m.OIL_POLAR:
            return station_commands.oil_polar(world, intent, seq, at_ms)
        case m.BATCH_START:
            return batch_commands.batch_start(world, intent, seq, at_ms)
        case m.LOAD:
            return batch_commands.load(world, intent, seq, at_ms)
        case m.LID_LOCKED:
            return batch_commands.lid_locked(world, intent, seq, at_ms)
        case m.LID_OPEN:
            return batch_commands.lid_open(world, intent, at_ms)
        case m.PROBE:
            return batch_commands.probe(world, intent, seq, at_ms)
        case m.READING:
            return batch_commands.reading(world, intent, seq, at_ms)
        case how if how in m.PROBE_CHECKS:
            return station_commands.probe_check(world, how, seq, at_ms)
        case m.COOK_MORE:
            return batch_commands.cook_more(world, intent, seq, at_ms)
        case m.HOLD_START:
            return batch_commands.hold_start(world, intent, seq, at_ms)
        case m.HOLD_END:
            return batch_commands.hold_end(world, intent, at_ms)
        case m.DISCARD:
            return batch_commands.discard(world, intent, at_ms)
        case m.TIME_LEFT:
            return _answered(world, *answers.time_left(world, intent.vat, at_ms))
        case m.STATUS:
            return _answered(world, *answers.status(world))
        case m.LAST_READING:
            return _answered(world, *answers.last_reading(world, at_ms))
        case _:
            raise Refusal(f"{intent.meaning} means nothing here")


def _ask(world: World, intent: Intent, answer: Answer, at_ms: int) -> Answer:
    """The question whether to do what `answer` did; nothing of that is in the world."""
    world = replace(world, question=Question(intent, at_ms + QUESTION_MS))
    say = answer.ask or f"Say confirm for {intent.meaning}: {answer.say[0].lower()}{answer.say[1:]}"
    return Answer(world, "asked", Tone.ASKS, say)


def _answered(world: World, say: str, told: bool) -> Answer:
    return Answer(world, "answered" if told or world.edition < UNANSWERED else "unanswered", Tone.ANSWER, say)


def _confirm(world: World, asked: Question | None, seq: int, at_ms: int) -> Answer:
    if asked is None:
        raise Refusal("nothing waits for confirm")
    world = replace(world, question=None)
    if asked.unproven is None:
        return _act(world, asked.intent, seq, at_ms)
    world = batch_commands.held(world, world.batch(asked.unproven), seq, at_ms)
    batch = world.batch(asked.unproven)
    if world.rules >= 4 and batch.proven:  # its last check was read meanwhile
        return done(world, f"Batch {batch.number} holding.")
    return done(world, f"Batch {batch.number} holding, unproven.", Tone.ALERT)
