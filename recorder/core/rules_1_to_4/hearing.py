"""How well the station hears: deaf, badly, or well. One alert at a time, for the cause that there is now."""

from recorder.core.effects import Cue, Tone
from recorder.core.events import CLIPPING, OFFSET, SILENT, TOO_LOUD, EarBack, EarClear, EarLost, EarTrouble
from recorder.core.rules_1_to_4 import alerts, station_causes
from recorder.core.rules_1_to_4.world import World

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


def happened(
    world: World, event: EarLost | EarBack | EarTrouble | EarClear, seq: int, at_ms: int
) -> tuple[World, tuple[Cue, ...]]:
    """What became of the ear. An ear that is back listens anew: a trouble that is still there will be told again."""
    deaf, badly = alerts.is_open(world, alerts.NOT_HEARING), alerts.is_open(world, alerts.HEARS_BADLY)
    match event:
        case EarLost(reason=reason) if not deaf:
            world = alerts.ended(world, at_ms, "hears nothing any more", (alerts.HEARS_BADLY,))
            return alerts.raised(world, station_causes.not_hearing(reason, seq, at_ms)), (Cue(Tone.ALERT, ""),)
        case EarBack():
            return alerts.ended(world, at_ms, "hears again", (alerts.NOT_HEARING, alerts.HEARS_BADLY)), ()
        case EarTrouble(what=what) if not deaf and not _told(world, what):
            wrong, remedy = TROUBLES.get(what, (f"the microphone's sound is {what}", "See to the microphone."))
            world = alerts.ended(world, at_ms, f"{what} instead", (alerts.HEARS_BADLY,))
            alert = station_causes.hears_badly(what, f"{wrong}. {remedy}", seq, at_ms)
            return alerts.raised(world, alert), (Cue(Tone.ALERT, f"Hearing badly: {wrong}."),)
        case EarClear() if badly:
            world = alerts.ended(world, at_ms, "hears well again", (alerts.HEARS_BADLY,))
            return world, (Cue(Tone.DONE, "Hearing well again."),)
        case _:
            return world, ()


def _told(world: World, what: str) -> bool:
    """Whether the open alert is about this very trouble."""
    return any(alert.ended_ms is None and ("trouble", what) in alert.numbers for alert in world.alerts)
