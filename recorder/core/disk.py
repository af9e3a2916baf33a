"""The disk of the records: short of space, or found damaged. It judges no number: who looks at the disk does."""

from recorder.core import alerts, station_causes
from recorder.core.effects import Cue, Tone
from recorder.core.events import RecordsSetAside, SpaceBack, SpaceLow
from recorder.core.world import World


def happened(
    world: World, event: RecordsSetAside | SpaceLow | SpaceBack, seq: int, at_ms: int
) -> tuple[World, tuple[Cue, ...]]:
    """What became of the disk."""
    match event:
        case RecordsSetAside(file=file, reason=reason):
            said = "The records were damaged, new ones are begun. Nothing of before is known. Tell the manager."
            return alerts.raised(world, station_causes.records_damaged(file, reason, seq, at_ms)), (
                Cue(Tone.ALERT, said),
            )
        case SpaceLow(free_mb=free_mb, least_mb=least_mb):
            if alerts.is_open(world, alerts.DISK_NEARLY_FULL):
                return world, ()
            world = alerts.raised(world, station_causes.disk_nearly_full(free_mb, least_mb, seq, at_ms))
            return world, (Cue(Tone.ALERT, "The disk is nearly full. Tell the manager."),)
        case _:
            return alerts.ended(world, at_ms, "space is back", (alerts.DISK_NEARLY_FULL,)), ()
