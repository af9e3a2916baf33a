"""The disk of the records: short of space, or found damaged. It judges no number: who looks at the disk does."""

from recorder.core import alerts
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.events import RecordsSetAside, SpaceBack, SpaceLow
from recorder.core.subject import Change, Moment, Subject
from recorder.core.world import World


def _set_aside(world: World, event: RecordsSetAside, now: Moment) -> Change:
    said = "The records were damaged, new ones are begun. Nothing of before is known. Tell the manager."
    why = f" ({event.reason})" if event.reason else ""
    text = (
        f"The records were damaged{why}. They lie in {event.file}, and new ones were begun: no batch and no hold of"
        " before is known. Begin them again or discard them; keep that file and its copies. Acknowledge when it is"
        " done."
    )
    alert = alerts.made(alerts.RECORDS_DAMAGED, now.seq, text, now.at_ms, file=event.file, reason=event.reason)
    return alerts.raised(world, alert), (Cue(Tone.ALERT, said),)


def _space_low(world: World, event: SpaceLow, now: Moment) -> Change:
    if alerts.is_open(world, alerts.DISK_NEARLY_FULL):
        return world, ()
    free_mb, least_mb = event.free_mb, event.least_mb
    text = (
        f"The recorder's disk is nearly full: {free_mb} MB free, should be {least_mb} MB. Make room: when it is full"
        " nothing is recorded."
    )
    alert = alerts.made(alerts.DISK_NEARLY_FULL, now.seq, text, now.at_ms, free_mb=free_mb, least_mb=least_mb)
    return alerts.raised(world, alert), (Cue(Tone.ALERT, "The disk is nearly full. Tell the manager."),)


def _space_back(world: World, _: SpaceBack, now: Moment) -> Change:
    return alerts.ended(world, now.at_ms, "space is back", (alerts.DISK_NEARLY_FULL,)), ()


def not_recording(reason: str, about: int, at_ms: int) -> Alert:
    """Nothing can be kept. The one alert that is in no journal; `about` is the newest entry that is."""
    text = f"The recorder records nothing any more: {reason}. Write down by hand what is done until it starts again."
    return alerts.made(alerts.NOT_RECORDING, about, text, at_ms, reason=reason)


SUBJECT = Subject(events={RecordsSetAside: _set_aside, SpaceLow: _space_low, SpaceBack: _space_back})
