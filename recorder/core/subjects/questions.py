"""Questions: "time left", "status", "last reading". An answer changes nothing."""

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import Batch, Stage
from recorder.core.effects import Tone
from recorder.core.events import NEEDLE
from recorder.core.limits import degrees, listed, minutes_text
from recorder.core.subject import Answer, Command, Subject
from recorder.core.subjects import breading, raw
from recorder.core.world import World


def _answered(world: World, say: str, known: bool = True) -> Answer:
    """An answer; one that knows nothing makes a sentence less likely."""
    return Answer(world, "answered" if known else "unanswered", Tone.ANSWER, say)


def _time_left(world: World, command: Command) -> Answer:
    """How long each cook and each hold still has, or is over; with a vat, the cook in that vat alone."""
    vat, at_ms = command.intent.vat, command.now.at_ms
    stages = (Stage.COOKING, Stage.HOLDING) if vat is None else (Stage.COOKING,)
    said = [_left(batch, at_ms) for batch in world.batches if batch.stage in stages and vat in (None, batch.vat)]
    if said:
        return _answered(world, " ".join(said))
    nothing = "Nothing is cooking or holding." if vat is None else f"Nothing is cooking in vat {vat}."
    return _answered(world, nothing, known=False)


def _left(batch: Batch, at_ms: int) -> str:
    if batch.stage is Stage.COOKING:
        frying = batch.fryings[-1]
        what, since_ms, until_ms, known = (
            "cook",
            frying.locked_ms,
            frying.locked_ms + batch.planned_ms,
            frying.time_proven,
        )
    else:
        hold = batch.hold
        assert hold
        until_ms = hold.counted_ms + batch.procedure.hold_limit_ms
        what, since_ms, known = "hold", hold.counted_ms, hold.time_proven
    if not known:
        return (
            f"Batch {batch.number}: its {what} time is not known, at least {minutes_text(at_ms - since_ms)} on record."
        )
    if until_ms > at_ms:
        return f"Batch {batch.number}: {minutes_text(until_ms - at_ms)} of its {what} left."
    return f"Batch {batch.number}: {minutes_text(at_ms - until_ms)} over its {what}."


def _status(world: World, command: Command) -> Answer:
    """The shift, the batches, what is out of the cooler, the breading, which alerts and which tasks are open."""
    shift = f"Shift of cook {world.open_shift.cook}." if world.open_shift else "No shift is open."
    if others := [str(each.cook) for each in world.signed_on if each is not world.shift]:
        shift += f" Signed on too: {listed(others)}."
    batches = [
        f"Batch {batch.number} {batch.stage.value}, {_checks(batch, world.rules)}."
        for batch in world.batches
        if batch.stage is not Stage.CLOSED
    ]
    before = [*raw.out_for(world, command.now.at_ms), *filter(None, [breading.in_use(world, command.now.at_ms)])]
    tasks = [f"Tasks open: {listed([task.name for task in world.open_tasks])}."] if world.open_tasks else []
    said = [shift, *(batches or ["No batch is open."]), *before, f"Alerts open: {alerts.names(world)}.", *tasks]
    return _answered(world, " ".join(said))


def _checks(batch: Batch, rules: int) -> str:
    """How far its checks are, and what speaks against it."""
    failed = [f"{batch.failed} failed"] if batch.failed else []
    cold = ["too cold"] if batch.stage is Stage.HOLDING and batch.hold and batch.hold.coldest_c is not None else []
    enough = batch.passed >= batch.checks_needed and not batch.failed
    lacks = [batch.missing] if enough and batch.missing else []
    passed = min(batch.passed, batch.checks_needed) if rules >= 7 else batch.passed
    return ", ".join([f"{passed} of {batch.checks_needed} checks", *failed, *lacks, *cold])


def _last_reading(world: World, command: Command) -> Answer:
    """The needle's newest temperature and how old it is."""
    latest = world.latest.get(NEEDLE)
    if latest is None:
        since = " since it was lost or the recorder started" if world.rules >= 7 else ""
        return _answered(world, f"The needle has given no reading{since}.", known=False)
    settled = "settled" if latest.settled else "not settled"
    ago = minutes_text(command.now.at_ms - latest.at_ms)
    return _answered(world, f"{degrees(latest.temp_c, world.unit)} degrees, {settled}, {ago} ago.")


SUBJECT = Subject(commands={m.TIME_LEFT: _time_left, m.STATUS: _status, m.LAST_READING: _last_reading})
