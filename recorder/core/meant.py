"""Which batch, vat or part a command means. Each function raises `Refusal` that says which word is missing, or why."""

from collections.abc import Sequence

from recorder.core.batch import IN_VAT, Batch, Stage
from recorder.core.meanings import Intent
from recorder.core.procedure import Procedure
from recorder.core.subject import Refusal
from recorder.core.transitions import TRANSITIONS
from recorder.core.world import World

STANDS = {
    Stage.LOADING: "loading",
    Stage.COOKING: "still cooking",
    Stage.CHECKING: "being checked",
    Stage.RETURNED: "going back into the oil",
    Stage.HOLDING: "in holding",
}
"""How a batch stands, in an answer. Never what to do about it: it may be under pressure."""


def batch_meant(world: World, intent: Intent, hint: str = "", strictly: bool = False) -> Batch:
    """The one batch that is meant: in one of the stages that the command has in `TRANSITIONS`.

    With `strictly` in none of those where it is meant only if there is none in the first.
    """
    transition = TRANSITIONS[intent.meaning]
    named = of_part(world, _named(world, intent), intent)
    for stages in (transition.stages, () if strictly else transition.otherwise):
        fitting = [batch for batch in named if batch.stage in stages]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            raise Refusal(_which(fitting))
    if len(named) == 1:
        raise Refusal(f"batch {named[0].number} is {STANDS[named[0].stage]}")
    where = f" in vat {intent.vat}" if intent.vat is not None else ""
    wanted = transition.stages
    stands = " or ".join(STANDS[stage] for stage in wanted) if len(wanted) < len(STANDS) else "open"
    raise Refusal(f"no batch{where} is {stands}{hint and f'; {hint}'}")


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


def of_part(world: World, named: list[Batch], intent: Intent) -> list[Batch]:
    """Those whose product has the part that was named, where there are any: another's can't be meant."""
    if world.rules < 7 or intent.part is None:
        return named
    return [batch for batch in named if batch.procedure.part(intent.part)] or named


def _which(fitting: Sequence[Batch]) -> str:
    """Which word is missing, of those that the sentences have: the vat while it is in one, else the batch."""
    locked = all(batch.stage in (Stage.LOADING, Stage.COOKING, Stage.RETURNED) for batch in fitting)
    if locked:
        return "say which vat: " + " or ".join(str(batch.vat) for batch in fitting)
    return "say which: " + " or ".join(f"batch {batch.number}" for batch in fitting)


def known_vat(world: World, vat: int) -> None:
    """Nothing, where the station has this vat."""
    if vat not in world.vats:
        raise Refusal(f"there is no vat {vat}")


def vat_meant(world: World, intent: Intent) -> int:
    """The vat that was named, or the only one."""
    if intent.vat is None and len(world.vats) != 1:
        raise Refusal("say which vat")
    vat = world.vats[0] if intent.vat is None else intent.vat
    known_vat(world, vat)
    return vat


def part_meant(batch: Batch, intent: Intent) -> str:
    """The part that was named, one that the procedure of `batch` has."""
    parts = batch.procedure.parts
    if intent.part is None and len(parts) == 1:
        return parts[0].name
    if intent.part is None:
        raise Refusal("say the part")
    if batch.procedure.part(intent.part) is None:
        raise Refusal(f"the procedure has no part {intent.part!r}")
    return intent.part


def product_meant(world: World, intent: Intent) -> Procedure:
    """The procedure of the product that was named, or of the one that need not be."""
    if not world.menu:
        raise Refusal("no procedure is loaded")
    named = [each for each in world.menu if intent.product in (None, each.product)]
    if not named:
        raise Refusal(f"there is no product {intent.product!r}")
    return named[0]
