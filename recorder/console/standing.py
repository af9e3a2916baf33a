"""How a station stands, in three short lines for the foot of a terminal. Pure."""

from collections.abc import Iterator

from recorder.core.batch import Batch, Stage
from recorder.core.events import NEEDLE
from recorder.core.limits import minutes_text, temp_text
from recorder.core.world import FRESH_MS, World

SWITCH: dict[bool | None, tuple[str, ...]] = {None: (), False: ("F2 to speak",), True: ("LISTENING, F2 ends it",)}


def standing(world: World, now_ms: int, linked: bool | None, held: bool | None = None) -> tuple[str, str, str]:
    """Who and what is open; the temperatures, with their age where they are not fresh; the batches.

    `held` says whether the key that stands for the foot switch is down, None where there is no such key.
    """
    shift = f"cook {world.open_shift.cook}" if world.open_shift else "no shift"
    broker = {None: "no broker", True: "broker reached", False: "broker not reached"}[linked]
    count = sum(1 for alert in world.alerts if alert.ended_ms is None)
    alerts = f"{count} alert{'s' * (count != 1)} open"
    return (
        "  ·  ".join((world.station, shift, broker, alerts, *SWITCH[held])),
        "  ·  ".join(_temperatures(world, now_ms)) or "no temperatures yet",
        "  ·  ".join(_batch(batch, now_ms) for batch in world.batches if batch.stage is not Stage.CLOSED) or "no batch",
    )


def _temperatures(world: World, now_ms: int) -> Iterator[str]:
    for channel in sorted(world.latest, key=lambda each: (each != NEEDLE, each)):
        latest = world.latest[channel]
        age = f", {minutes_text(now_ms - latest.at_ms)} old" if now_ms - latest.at_ms > FRESH_MS else ""
        rest = ", at rest" if latest.settled else ""
        yield f"{channel} {temp_text(latest.temp_c, world.unit)}{rest}{age}"


def _batch(batch: Batch, now_ms: int) -> str:
    where = f"batch {batch.number} in vat {batch.vat}"
    match batch.stage:
        case Stage.COOKING:
            return f"{where} cooks for {minutes_text(now_ms - batch.fryings[-1].locked_ms)}"
        case Stage.HOLDING if batch.hold:
            return f"batch {batch.number} is held for {minutes_text(now_ms - batch.hold.counted_ms)}"
        case Stage.CHECKING:
            return f"batch {batch.number}: {batch.passed} of {batch.checks_needed} checks passed"
        case _:
            return f"{where} {batch.stage.value}"
