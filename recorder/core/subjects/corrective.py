"""Causes and corrective actions: what the kitchen says of each critical alert, from its own lists.

Each goes on the newest critical alert without one. A cook is reminded once, and never twice.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from recorder.core import meanings as m
from recorder.core.duties import CorrectiveAction, Deviation
from recorder.core.effects import Cue, Level, Tone
from recorder.core.limits import listed
from recorder.core.own_words import NO_WORDS, Choice, OwnWords
from recorder.core.subject import Answer, Change, Command, Moment, Refusal, Row, Subject, Timer, done
from recorder.core.world import World

REMIND_MS = 10 * 60_000
"""A cook who said nothing of a critical alert is reminded so long after, or once it is over (common practice, no
source)."""

KEPT_MS = 12 * 3_600_000
"""So long after its beginning something can still be said of an alert that is over (common practice, no source)."""

ANSWERS_KEPT = 16
"""More than commands can be struck: what was said before is finished."""

CAUSE, ACTION = "cause", "action"
CALLED = {CAUSE: "cause", ACTION: "corrective action"}


def _own(world: World) -> OwnWords:
    return world.procedure.own if world.procedure else NO_WORDS


def _lacks(own: OwnWords, deviation: Deviation) -> list[str]:
    """What is not on record of it though the kitchen has words for it."""
    cause = not deviation.cause and any(choice.fits(deviation.kind) for choice in own.causes)
    action = not deviation.action and any(choice.fits(deviation.kind) for choice in own.actions)
    return [what for what, lacking in ((CAUSE, cause), (ACTION, action)) if lacking]


def _after(before: World, world: World, now: Moment) -> Change:
    """Critical alerts that began are kept in mind; of those that are over, the cook hears what is not on record.

    Also where the kitchen has no words for them yet. Words that are struck do not make a reminder unheard.
    """
    same = world.alerts is before.alerts and world.deviations is before.deviations
    if same and all(_kept(world, each, now.at_ms) for each in world.deviations):
        return world, ()
    was = {each.alert: each for each in before.deviations}
    known = {each.alert for each in world.deviations}
    struck = {alert.id for alert in world.alerts if alert.ended_by == "command struck"}
    new = [
        Deviation(alert.id, alert.kind, alert.batch, was[alert.id].since_ms if alert.id in was else now.at_ms)
        for alert in world.alerts
        if alert.level is Level.CRITICAL and alert.id not in known | struck
    ]
    still = {alert.id for alert in world.alerts if alert.ended_ms is None}
    kept = [
        replace(each, reminded=True) if each.alert in was and was[each.alert].reminded else each
        for each in sorted((*world.deviations, *new), key=lambda each: each.since_ms)
        if each.alert not in struck and _kept(world, each, now.at_ms)
    ]
    if tuple(kept) != world.deviations:
        world = replace(world, deviations=tuple(kept))
    over = [each for each in kept if each.alert not in still and not each.reminded]
    return _reminded(world, over) if over else (world, ())


def _kept(world: World, deviation: Deviation, at_ms: int) -> bool:
    """Whether something can still be said of it: it is not long over."""
    still = any(alert.id == deviation.alert and alert.ended_ms is None for alert in world.alerts)
    return still or at_ms - deviation.since_ms <= KEPT_MS


def _timers(world: World) -> Iterator[Timer]:
    own = _own(world)
    waiting = [each for each in world.deviations if not each.reminded and _lacks(own, each)]
    if waiting:
        due_ms = min(each.since_ms for each in waiting) + REMIND_MS

        def remind(world: World, at_ms: int) -> Change:
            return _reminded(world, [each for each in waiting if each.since_ms + REMIND_MS <= at_ms])

        yield due_ms, remind


def _reminded(world: World, about: Sequence[Deviation]) -> Change:
    """The cook hears once what is not on record of these, as far as the kitchen has words for it."""
    again = tuple(replace(each, reminded=True) if each in about else each for each in world.deviations)
    world, own = replace(world, deviations=again), _own(world)
    lacking = dict.fromkeys(what for each in about for what in _lacks(own, each))
    if not lacking:
        return world, ()
    say = (
        f"No {' or '.join(CALLED[what] for what in lacking)} is on record for"
        f" {listed([each.about for each in about if _lacks(own, each)])}. Say {' or '.join(lacking)}, and which."
    )
    return world, (Cue(Tone.ALERT, say),)


def _answer(world: World, command: Command, what: str, name: str | None, choices: Sequence[Choice]) -> Answer:
    if name is None:
        raise Refusal(f"say which {what}")
    choice = next((each for each in choices if each.name == name), None)
    if choice is None:
        raise Refusal(f"the procedure has no {what} {name!r}")
    kept = [each for each in world.deviations if _kept(world, each, command.now.at_ms)]
    lacking = [each for each in kept if what in _lacks(_own(world), each)]
    if not lacking:
        raise Refusal(f"no critical alert lacks a {CALLED[what]}")
    fitting = [each for each in lacking if choice.fits(each.kind)]
    if not fitting:
        raise Refusal(f"{name} is not for {lacking[-1].about}")
    newest = fitting[-1]
    cook = world.open_shift.cook if world.open_shift else None
    given = CorrectiveAction(command.now.seq, newest.alert, what, name, command.now.at_ms, cook)
    has = replace(newest, cause=newest.cause or what == CAUSE, action=newest.action or what == ACTION)
    deviations = tuple(has if each is newest else each for each in world.deviations)
    world = replace(world, deviations=deviations, answers=(*world.answers, given)[-ANSWERS_KEPT:])
    return done(world, f"{CALLED[what].capitalize()} {name}, for {newest.about}.")


def _cause(world: World, command: Command) -> Answer:
    return _answer(world, command, CAUSE, command.intent.cause, _own(world).causes)


def _action(world: World, command: Command) -> Answer:
    return _answer(world, command, ACTION, command.intent.action, _own(world).actions)


def _rows(world: World, other: World) -> Iterator[Row]:
    for each in world.answers if world.answers is not other.answers else ():
        yield (
            ("corrective_actions", each.id),
            (
                ("alert", each.alert),
                ("what", each.what),
                ("text", each.name),
                ("at_ms", each.at_ms),
                ("cook", each.cook),
                ("struck", 0),
            ),
        )


COMMANDS: dict[str, Callable[[World, Command], Answer]] = {m.CAUSE: _cause, m.ACTION: _action}

SUBJECT = Subject(commands=COMMANDS, timers=_timers, after=_after, rows=_rows)
