"""How well the station hears: deaf, badly, or well. One alert at a time, for the cause that there is now."""

from recorder.core import alerts
from recorder.core.effects import Cue, Tone
from recorder.core.events import CLIPPING, OFFSET, SILENT, TOO_LOUD, EarBack, EarClear, EarLost, EarTrouble
from recorder.core.subject import Change, Moment, Subject
from recorder.core.world import World

TROUBLES = {
    SILENT: ("the microphone gives only silence", "Unmute it, look at its plug and battery, turn its level up."),
    OFFSET: ("the microphone's sound is far off centre", "Plug it in anew; if that does not help, replace it."),
    CLIPPING: ("the microphone's sound is cut off at full scale", "Turn its capture level down."),
    TOO_LOUD: (
        "noise drowns speech at the microphone",
        "Bring it close to the mouth, away from the noise, and turn its capture level down.",
    ),
}
"""What troubles the ear -> what is wrong, and what to do."""


def _lost(world: World, event: EarLost, now: Moment) -> Change:
    if alerts.is_open(world, alerts.NOT_HEARING):
        return world, ()
    world = alerts.ended(world, now.at_ms, "hears nothing any more", (alerts.HEARS_BADLY,))
    text = f"The recorder does not hear: {event.reason}. Commands are not recorded until it hears."
    alert = alerts.made(alerts.NOT_HEARING, now.seq, text, now.at_ms, reason=event.reason)
    return alerts.raised(world, alert), (Cue(Tone.ALERT, ""),)


def _back(world: World, _: EarBack, now: Moment) -> Change:
    """It listens again from nothing: a trouble that is still there will be noticed again."""
    return alerts.ended(world, now.at_ms, "hears again", (alerts.NOT_HEARING, alerts.HEARS_BADLY)), ()


def _troubled(world: World, event: EarTrouble, now: Moment) -> Change:
    what = event.what
    known = any(alert.ended_ms is None and ("trouble", what) in alert.numbers for alert in world.alerts)
    if known or alerts.is_open(world, alerts.NOT_HEARING):
        return world, ()
    wrong, remedy = TROUBLES.get(what, (f"the microphone's sound is {what}", "See to the microphone."))
    world = alerts.ended(world, now.at_ms, f"{what} instead", (alerts.HEARS_BADLY,))
    text = f"The recorder hears badly: {wrong}. {remedy} Commands may not be recorded until then."
    alert = alerts.made(alerts.HEARS_BADLY, now.seq, text, now.at_ms, trouble=what)
    return alerts.raised(world, alert), (Cue(Tone.ALERT, f"Hearing badly: {wrong}."),)


def _clear(world: World, _: EarClear, now: Moment) -> Change:
    if not alerts.is_open(world, alerts.HEARS_BADLY):
        return world, ()
    world = alerts.ended(world, now.at_ms, "hears well again", (alerts.HEARS_BADLY,))
    return world, (Cue(Tone.DONE, "Hearing well again."),)


SUBJECT = Subject(events={EarLost: _lost, EarBack: _back, EarTrouble: _troubled, EarClear: _clear})
