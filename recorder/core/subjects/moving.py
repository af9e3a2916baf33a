"""In which hot-holding cabinet a batch stands, where there are several: named at its start, and when it is moved."""

from recorder.core import meanings as m
from recorder.core.limits import listed, pieces_text
from recorder.core.meanings import Intent
from recorder.core.meant import batch_meant
from recorder.core.subject import Answer, Command, Refusal, Subject, done
from recorder.core.world import World


def meant(world: World, intent: Intent) -> tuple[int, ...]:
    """The cabinet that was named, or the only one; () where they have no numbers. Raises `Refusal`."""
    if intent.cabinet is not None and intent.cabinet not in world.cabinets:
        raise Refusal(f"there is no cabinet {intent.cabinet}")
    if intent.cabinet is None and len(world.cabinets) > 1:
        raise Refusal("say which cabinet: " + " or ".join(map(str, world.cabinets)))
    return world.cabinets if intent.cabinet is None else (intent.cabinet,)


def _moved(world: World, command: Command) -> Answer:
    """A batch in holding, or some of its pieces, stand in another cabinet now."""
    intent = command.intent
    batch = batch_meant(world, intent)
    if intent.cabinet is None:
        raise Refusal("say the cabinet")
    (to,) = meant(world, intent)
    hold, left = batch.hold, batch.pieces_left
    assert hold
    if intent.count is not None and intent.count < 1:
        raise Refusal("say how many pieces")
    if intent.count is not None and left is not None and intent.count > left:
        raise Refusal(f"batch {batch.number} has {pieces_text(left)} left")
    split = intent.count is not None and intent.count != left
    cabinets = tuple(sorted({*hold.cabinets, to})) if split else (to,)
    world = world.with_hold(batch.id, cabinets=cabinets)
    return done(world, f"Batch {batch.number} in cabinet{'s' * (len(cabinets) > 1)} {listed([*map(str, cabinets)])}.")


SUBJECT = Subject(commands={m.MOVED: _moved})
