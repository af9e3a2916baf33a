"""What is said to a question: "time left", "status", "last reading". Answers change nothing.

Each gives the words, and whether there was anything to tell.
"""

from recorder.core.events import NEEDLE
from recorder.core.limits import degrees, minutes_text
from recorder.core.rules_1_to_4.batch import Batch, Stage
from recorder.core.rules_1_to_4.world import World

Told = tuple[str, bool]


def time_left(world: World, vat: int | None, at_ms: int) -> Told:
    """How long each cook and each hold still has, or is over; with `vat`, the cook in that vat alone."""
    stages = (Stage.COOKING, Stage.HOLDING) if vat is None else (Stage.COOKING,)
    said = [_left(batch, at_ms) for batch in world.batches if batch.stage in stages and vat in (None, batch.vat)]
    if said:
        return " ".join(said), True
    return ("Nothing is cooking or holding." if vat is None else f"Nothing is cooking in vat {vat}."), False


def _left(batch: Batch, at_ms: int) -> str:
    if batch.stage is Stage.COOKING:
        what, until_ms = "cook", batch.cooks[-1].locked_ms + batch.procedure.planned_cook_ms
    else:
        assert batch.hold
        what, until_ms = "hold", batch.hold.started_ms + batch.procedure.hold_limit_ms
    if until_ms > at_ms:
        return f"Batch {batch.number}: {minutes_text(until_ms - at_ms)} of its {what} left."
    return f"Batch {batch.number}: {minutes_text(at_ms - until_ms)} over its {what}."


def status(world: World) -> Told:
    """The shift, the open batches and the number of open alerts."""
    if world.shift is None or world.shift.ended_ms is not None:
        shift = "No shift is open."
    else:
        shift = f"Shift of cook {world.shift.cook}."
    batches = [
        f"Batch {batch.number} {batch.stage.value}, {batch.passed} of {batch.procedure.checks_per_batch} checks."
        for batch in world.batches
        if batch.stage is not Stage.CLOSED
    ]
    open_alerts = sum(1 for alert in world.alerts if alert.ended_ms is None)
    return " ".join([shift, *(batches or ["No batch is open."]), f"Alerts open: {open_alerts}."]), True


def last_reading(world: World, at_ms: int) -> Told:
    """The needle's newest temperature and how old it is."""
    latest = world.latest.get(NEEDLE)
    if latest is None:
        return "The needle has given no reading.", False
    unit = world.procedure.unit if world.procedure else "C"
    settled = "settled" if latest.settled else "not settled"
    ago = minutes_text(at_ms - latest.at_ms)
    return f"{degrees(latest.temp_c, unit)} degrees, {settled}, {ago} ago.", True
