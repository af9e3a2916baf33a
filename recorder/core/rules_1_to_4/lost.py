"""Probes that give no temperatures: one alert for one cause, however many channels it takes and however it flaps."""

from dataclasses import replace

from recorder.core.editions import ONE_FOR_A_BOARD
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.rules_1_to_4 import alerts, station_causes
from recorder.core.rules_1_to_4.world import World

TOGETHER_MS = 5_000
"""Channels that are lost within this time for the same reason are lost by one cause, such as a board's plug."""

STEADY_MS = 30_000
"""A channel is back when it has stayed so long; until then a new loss is the same one."""

Change = tuple[World, tuple[Cue, ...]]


def lost(world: World, channel: str, reason: str, seq: int, at_ms: int) -> Change:
    """`channel` gives no temperatures any more."""
    said = (Cue(Tone.ALERT, f"Probe {channel} lost: {reason}."),)
    latest = {name: value for name, value in world.latest.items() if name != channel}
    if _about(world, channel):
        if all(name != channel for name, _ in world.backs):
            return world, ()
        backs = tuple(back for back in world.backs if back[0] != channel)
        return replace(world, latest=latest, backs=backs), said
    world = replace(world, latest=latest)
    for alert in _open(world):
        if _one_for_a_board(world) and ("reason", reason) in alert.numbers and at_ms - alert.began_ms <= TOGETHER_MS:
            wider = station_causes.probe_lost((*channels(alert), channel), reason, seq, at_ms)
            return alerts.amended(world, replace(wider, id=alert.id)), said
    return alerts.raised(world, station_causes.probe_lost((channel,), reason, seq, at_ms)), said


def back(world: World, channel: str, at_ms: int) -> Change:
    """`channel` gives temperatures, perhaps again; a temperature is the best proof of that."""
    alert = _about(world, channel)
    if alert is None or any(name == channel for name, _ in world.backs):
        return world, ()
    said = (Cue(Tone.DONE, f"Probe {channel} is back."),)
    if not _one_for_a_board(world):
        return alerts.ended(world, at_ms, "probe back", (alerts.PROBE_LOST,), id=alert.id), said
    return replace(world, backs=(*world.backs, (channel, at_ms))), said


def steady_ms(world: World, alert: Alert) -> int | None:
    """When an alert of a lost probe is over, if nothing more happens; None while one of its channels is still lost."""
    if alert.kind != alerts.PROBE_LOST or alert.ended_ms is not None:
        return None
    since = dict(world.backs)
    names = channels(alert)
    return max(since[name] for name in names) + STEADY_MS if all(name in since for name in names) else None


def steady(world: World, alert: Alert, at_ms: int) -> Change:
    """All channels of `alert` are back for good."""
    backs = tuple(each for each in world.backs if each[0] not in channels(alert))
    return alerts.ended(replace(world, backs=backs), at_ms, "probe back", (alerts.PROBE_LOST,), id=alert.id), ()


def channels(alert: Alert) -> tuple[str, ...]:
    """The channels that an alert of a lost probe is about."""
    return tuple(str(dict(alert.numbers)["channel"]).split(", "))


def _one_for_a_board(world: World) -> bool:
    return world.rules >= 3 and world.edition >= ONE_FOR_A_BOARD


def _open(world: World) -> tuple[Alert, ...]:
    return tuple(alert for alert in world.alerts if alert.kind == alerts.PROBE_LOST and alert.ended_ms is None)


def _about(world: World, channel: str) -> Alert | None:
    return next((alert for alert in _open(world) if channel in channels(alert)), None)
