"""Which spoken command does what: obeyed, asked back or refused. "scratch that" is in `striking.py`."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.effects import Tone
from recorder.core.limits import listed
from recorder.core.meanings import Intent
from recorder.core.sayable import sayable
from recorder.core.subject import QUESTION_MS, Answer, Command, Moment, Refusal, asks_first
from recorder.core.world import Question, World

NO_HINT = (m.LID_OPEN, m.DISCARD, m.BATCH_START)
"""Not offered where something else was refused: a lid may be under pressure, a discard is no second best, and a new
batch is no answer to what was said of another."""

Commands = Mapping[str, Callable[[World, Command], Answer]]
"""By meaning."""


def obey(commands: Commands, world: World, intent: Intent, now: Moment) -> Answer:
    """What `intent` makes of `world`. Never raises; a senseless one is refused."""
    question = world.question
    if intent.meaning not in (m.CONFIRM, *m.QUESTIONS):
        world = replace(world, question=None)
    try:
        if intent.meaning == m.CONFIRM:
            if question is None:
                raise Refusal("nothing waits for confirm")
            agreed = Command(question.intent, now, question.because)
            return _act(commands, replace(world, question=None), agreed)
        answer = _act(commands, world, Command(intent, now))
        if answer.outcome == "done" and asks_first(world, intent):
            return _ask(world, intent, answer, now.at_ms)
        return answer
    except Refusal as refusal:
        return Answer(world, "refused", Tone.REFUSED, f"Refused: {refusal}.{_hint(world, intent, str(refusal))}")


def _hint(world: World, intent: Intent, refusal: str) -> str:
    """What can be said instead, where the refusal does not say it."""
    fitting = [meaning for meaning in sayable(world) if meaning not in NO_HINT]
    if world.rules < 7 or intent.meaning == m.CONFIRM or "say " in refusal or not fitting:
        return ""
    return f" Words that fit now: {listed(fitting)}."


def _act(commands: Commands, world: World, command: Command) -> Answer:
    """What `command` makes of `world` where nothing more is asked. Raises `Refusal`."""
    act = commands.get(command.intent.meaning)
    if act is None:
        raise Refusal(f"{command.intent.meaning} means nothing here")
    return act(world, command)


def _ask(world: World, intent: Intent, answer: Answer, at_ms: int) -> Answer:
    """The question whether to do what `answer` did; nothing of that is in the world."""
    world = replace(world, question=Question(intent, at_ms + QUESTION_MS))
    say = answer.ask or f"Say confirm for {intent.meaning}: {answer.say[0].lower()}{answer.say[1:]}"
    return Answer(world, "asked", Tone.ASKS, say)
