"""What becomes of a command, and what commands share: which batch is meant, which vat, what a probe reads just now."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from recorder.core.batch import Batch, Stage
from recorder.core.effects import Tone
from recorder.core.events import Intent
from recorder.core.world import Question, World

FRESH_MS = 60_000
"""A vat's or cabinet's reading older than this says nothing about now."""

QUESTION_MS = 20_000
"""How long "confirm" is waited for."""

IN_VAT = (Stage.LOADING, Stage.COOKING, Stage.CHECKING, Stage.RETURNED)

STANDS = {
    Stage.LOADING: "loading",
    Stage.COOKING: "still cooking",
    Stage.CHECKING: "being checked",
    Stage.RETURNED: "going back into the oil",
    Stage.HOLDING: "in holding",
}
"""How a batch stands, in an answer. Never what to do about it: it may be under pressure."""


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
    strained: bool = False
    """Whether it was asked because the words hardly fit: another sentence that does fit is likelier."""

    @property
    def sensible(self) -> bool:
        """Whether the words made sense in the world as it was."""
        return self.outcome not in ("refused", "unanswered") and not self.strained


class Refusal(Exception):
    """Carries the reason of a refusal up to `commands.obey`, which lets none out."""


def done(world: World, say: str, tone: Tone = Tone.DONE) -> Answer:
    """A command that was obeyed."""
    return Answer(world, "done", tone, say)


def asked(world: World, intent: Intent, because: str, say: str, at_ms: int, strained: bool = False) -> Answer:
    """A command that is done, as the deviation `because`, only after "confirm"."""
    world = replace(world, question=Question(intent, at_ms + QUESTION_MS, because))
    return Answer(world, "asked", Tone.ASKS, say, strained=strained)


def asks_first(world: World, intent: Intent) -> bool:
    """Whether the procedure wants this confirmed before it is done."""
    return world.procedure is not None and intent.meaning in world.procedure.ask_first


def fresh(world: World, channel: str, at_ms: int) -> float | None:
    """The temperature of `channel` in °C if one came lately, else None."""
    latest = world.latest.get(channel)
    return latest.temp_c if latest and at_ms - latest.at_ms <= FRESH_MS else None


def pick(world: World, intent: Intent, *stages: Sequence[Stage], hint: str = "") -> Batch:
    """The one batch that is meant: in one of the first `stages` in which any is, else in the next ones.

    Raises `Refusal` that says which word is missing, or how things stand.
    """
    named = _named(world, intent)
    for some in stages:
        fitting = [batch for batch in named if batch.stage in some]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            raise Refusal(_which(fitting))
    if len(named) == 1:
        raise Refusal(f"batch {named[0].number} is {STANDS[named[0].stage]}")
    where = f" in vat {intent.vat}" if intent.vat is not None else ""
    wanted = " or ".join(STANDS[stage] for stage in stages[0]) if len(stages[0]) < len(STANDS) else "open"
    raise Refusal(f"no batch{where} is {wanted}{hint and f'; {hint}'}")


def _named(world: World, intent: Intent) -> list[Batch]:
    """The open batches that the words leave."""
    named = [batch for batch in world.batches if batch.stage is not Stage.CLOSED]
    if intent.vat is not None:
        known_vat(world, intent.vat)
        named = [batch for batch in named if batch.vat == intent.vat and batch.stage in IN_VAT]
    if intent.batch is not None:
        named = [batch for batch in named if batch.number == intent.batch]
        if not named:
            raise Refusal(f"batch {intent.batch} is not open")
    return named


def _which(fitting: Sequence[Batch]) -> str:
    """Which word is missing, of those that the sentences have: the vat while it is in one, else the batch."""
    locked = all(batch.stage in (Stage.LOADING, Stage.COOKING, Stage.RETURNED) for batch in fitting)
    if locked:
        return "say which vat: " + " or ".join(str(batch.vat) for batch in fitting)
    return "say which: " + " or ".join(f"batch {batch.number}" for batch in fitting)


def known_vat(world: World, vat: int) -> None:
    """Raises `Refusal` where the station has no such vat."""
    if vat not in world.vats:
        raise Refusal(f"there is no vat {vat}")
