"""Corrections: "cook more" sends a batch back into the oil, from the checks or out of holding."""

from collections.abc import Iterator
from dataclasses import replace

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.batch import MISSED, Batch, Correction, Stage
from recorder.core.limits import minutes_text
from recorder.core.meant import batch_meant
from recorder.core.subject import Answer, Command, Refusal, Row, Subject, done, of_batch
from recorder.core.subjects.reheating import goes_back_by_ms
from recorder.core.subjects.trends import first_checks_done
from recorder.core.subjects.waits import moved
from recorder.core.world import World


def _cook_more(world: World, command: Command) -> Answer:
    batch, at_ms = batch_meant(world, command.intent), command.now.at_ms
    world = first_checks_done(world, batch, at_ms)
    held = batch.stage is Stage.HOLDING and batch.hold
    vat = _vat_again(world, batch) if held else batch.vat
    correction = Correction(command.now.seq, at_ms, _why(batch))
    by_ms = goes_back_by_ms(batch, at_ms)
    ends = alerts.ended_by(alerts.Ends.MORE_COOKING)
    world = alerts.ended(world, at_ms, "goes back into the oil", ends, batch.number)
    holds = (*batch.holds[:-1], replace(held, ended_ms=at_ms, outcome="cooked more")) if held else batch.holds
    changes = {
        "corrections": (*batch.corrections, correction),
        "holds": holds,
        "reheat_by_ms": by_ms,
        "reheat_met_ms": None,
    }
    world = moved(world, batch, m.COOK_MORE, at_ms, vat=vat, **changes)
    left_ms = by_ms - at_ms if by_ms is not None else None
    within = f" {minutes_text(left_ms)} are left to reheat it." if left_ms is not None and left_ms > 0 else ""
    into = f", vat {vat}," if vat != batch.vat else ""
    return done(world, f"Batch {batch.number} goes back{into} and counts as unchecked.{within}")


def _vat_again(world: World, batch: Batch) -> int:
    """The vat for a batch that comes back out of holding: its own, or the only free one; raises `Refusal`."""
    busy = world.in_vats
    free = [vat for vat in world.vats if vat not in busy]
    if batch.vat not in busy:
        return batch.vat
    if len(free) == 1:
        return free[0]
    there = busy[batch.vat]
    raise Refusal(f"batch {batch.number} is in holding, and its vat {there.vat} has batch {there.number}")


def _why(batch: Batch) -> str:
    """Why a batch goes back, by what was read."""
    missed = [check for check in batch.fresh if check.verdict in MISSED]
    why = [f"{check.part or 'piece'} {check.verdict.value}" for check in missed]
    if batch.stage is Stage.HOLDING and batch.hold:
        why += (
            ["held below the minimum"] if batch.hold.coldest_c is not None or batch.hold.cold_ms else ["out of holding"]
        )
    return ", ".join(why) or "said by the cook"


def _rows(batch: Batch) -> Iterator[Row]:
    for correction in batch.corrections:
        yield (
            ("corrections", correction.id),
            (
                *of_batch(batch),
                ("at_ms", correction.at_ms),
                ("action", "cook more"),
                ("why", correction.why),
                ("struck", 0),
            ),
        )


SUBJECT = Subject(commands={m.COOK_MORE: _cook_more}, batch_rows=_rows)
