"""Signatures: a manager puts initials to a day's records."""

from recorder.core.effects import Cue, Level, Record, Tone
from recorder.core.events import Signed
from recorder.core.subject import Columns, Moment
from recorder.core.world import World


def signed(world: World, event: Signed, now: Moment) -> tuple[tuple[Cue, ...], tuple[Record, ...]]:
    """A day is signed; while warnings or worse are open, only with a note that says what of them."""
    open_alerts = sum(alert.ended_ms is None and alert.level != Level.INFO for alert in world.alerts)
    if open_alerts and not event.note.strip():
        many = "1 alert is" if open_alerts == 1 else f"{open_alerts} alerts are"
        return (Cue(Tone.REFUSED, f"Not signed: {many} open. Say in a note why."),), ()
    row: Columns = (
        ("day", event.day),
        ("at_ms", now.at_ms),
        ("initials", event.by),
        ("note", event.note),
        ("open_alerts", open_alerts),
        ("struck", 0),
    )
    return (Cue(Tone.DONE, f"Signed for {event.day} by {event.by}."),), (Record("signatures", now.seq, row),)
