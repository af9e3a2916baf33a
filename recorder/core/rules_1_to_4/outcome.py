"""What becomes of a command, and what commands share: which batch is meant, which vat, what a probe reads just now."""

from dataclasses import dataclass

from recorder.core.effects import Tone
from recorder.core.events import Intent
from recorder.core.rules_1_to_4.batch import Batch, Stage
from recorder.core.rules_1_to_4.world import World

FRESH_MS = 60_000
"""A vat's or cabinet's reading older than this says nothing about now."""

QUESTION_MS = 20_000
"""How long "confirm" is waited for."""

IN_VAT = (Stage.LOADING, Stage.COOKING, Stage.CHECKING, Stage.RETURNED)


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


class Refusal(Exception):
    """Carries the reason of a refusal up to `commands.obey`, which lets none out."""


def done(world: World, say: str, tone: Tone = Tone.DONE) -> Answer:
    """A command that was obeyed."""
    return Answer(world, "done", tone, say)


def asks_first(world: World, intent: Intent) -> bool:
    """Whether the procedure wants this confirmed before it is done."""
    return world.procedure is not None and intent.meaning in world.procedure.ask_first


def fresh(world: World, channel: str, at_ms: int) -> float | None:
    """The temperature of `channel` in °C if one came lately, else None."""
    latest = world.latest.get(channel)
    return latest.temp_c if latest and at_ms - latest.at_ms <= FRESH_MS else None


def pick(world: World, intent: Intent, stages: tuple[Stage, ...], remedy: str) -> Batch:
    """The one batch in one of `stages` that is meant; raises `Refusal` that says which word is missing."""
    named = [batch for batch in world.batches if batch.stage is not Stage.CLOSED]
    if intent.vat is not None:
        known_vat(world, intent.vat)
        named = [batch for batch in named if batch.vat == intent.vat and batch.stage in IN_VAT]
    if intent.batch is not None:
        named = [batch for batch in named if batch.number == intent.batch]
        if not named:
            raise Refusal(f"batch {intent.batch} is not open")
    fitting = [batch for batch in named if batch.stage in stages]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise Refusal("say which: " + " or ".join(f"batch {batch.number}" for batch in fitting))
    if len(named) == 1:
        raise Refusal(f"batch {named[0].number} is {named[0].stage.value}; {remedy}")
    where = f" in vat {intent.vat}" if intent.vat is not None else ""
    raise Refusal(f"no batch{where} is {' or '.join(stage.value for stage in stages)}; {remedy}")


def known_vat(world: World, vat: int) -> None:
    """Raises `Refusal` where the station has no such vat."""
    if vat not in world.vats:
        raise Refusal(f"there is no vat {vat}")
