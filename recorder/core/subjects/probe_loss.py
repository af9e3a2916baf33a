"""What each probe shows just now, and probes that give no temperatures.

A loss is one alert for one cause, however many channels it takes and however it flaps.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from recorder.core import alerts
from recorder.core.effects import Alert, Cue, Tone
from recorder.core.events import ProbeBack, ProbeCharge, ProbeLost, Reading
from recorder.core.subject import Change, Moment, Subject, Timer
from recorder.core.world import Latest, World

TOGETHER_MS = 5_000
"""Channels that are lost within this time for the same reason are lost by one cause, such as a board's plug."""

STEADY_MS = 30_000
"""A channel is back when it has stayed so long; until then a new loss is the same one."""


def _read(world: World, event: Reading, now: Moment) -> Change:
    """A temperature is the best proof that a channel is back."""
    world, cues = _back(world, event.channel, now.at_ms)
    latest = {**world.latest, event.channel: Latest(event.temp_c, now.at_ms, event.settled)}
    return replace(world, latest=latest), cues


def _charged(world: World, event: ProbeCharge, _: Moment) -> Change:
    return replace(world, charges=tuple({**dict(world.charges), event.channel: event.percent}.items())), ()


def _lost(world: World, event: ProbeLost, now: Moment) -> Change:
    channel, reason = event.channel, event.reason
    said = (Cue(Tone.ALERT, f"Probe {channel} lost: {reason}."),)
    latest = {name: value for name, value in world.latest.items() if name != channel}
    if _about(world, channel):
        if all(name != channel for name, _ in world.backs):
            return world, ()
        backs = tuple(back for back in world.backs if back[0] != channel)
        return replace(world, latest=latest, backs=backs), said
    world = replace(world, latest=latest)
    for alert in _open(world):
        if ("reason", reason) in alert.numbers and now.at_ms - alert.began_ms <= TOGETHER_MS:
            wider = _probe_lost((*channels(alert), channel), reason, now)
            return alerts.amended(world, replace(wider, id=alert.id)), said
    return alerts.raised(world, _probe_lost((channel,), reason, now)), said


def _back(world: World, channel: str, at_ms: int) -> Change:
    """`channel` gives temperatures, perhaps again."""
    alert = _about(world, channel)
    if alert is None or any(name == channel for name, _ in world.backs):
        return world, ()
    said = (Cue(Tone.DONE, f"Probe {channel} is back."),)
    return replace(world, backs=(*world.backs, (channel, at_ms))), said


def is_lost(world: World, channel: str) -> bool:
    """Whether `channel` gives no temperatures just now."""
    return _about(world, channel) is not None and all(name != channel for name, _ in world.backs)


def channels(alert: Alert) -> tuple[str, ...]:
    """The channels that an alert of a lost probe is about."""
    return tuple(str(dict(alert.numbers)["channel"]).split(", "))


def steady(world: World) -> Iterator[Timer]:
    """A loss is over when all its channels have stayed back; never while one of them is still lost."""
    since = dict(world.backs)
    for alert in _open(world):
        names = channels(alert)
        if all(name in since for name in names):
            yield max(since[name] for name in names) + STEADY_MS, partial(_over, alert)


def _over(alert: Alert, world: World, at_ms: int) -> Change:
    backs = tuple(each for each in world.backs if each[0] not in channels(alert))
    return alerts.ended(replace(world, backs=backs), at_ms, "probe back", (alerts.PROBE_LOST,), id=alert.id), ()


def _open(world: World) -> tuple[Alert, ...]:
    return tuple(alert for alert in world.alerts if alert.kind == alerts.PROBE_LOST and alert.ended_ms is None)


def _about(world: World, channel: str) -> Alert | None:
    return next((alert for alert in _open(world) if channel in channels(alert)), None)


def _probe_lost(names: Sequence[str], reason: str, now: Moment) -> Alert:
    listed = ", ".join(names)
    several = "s" if len(names) > 1 else ""
    until = "they are back" if several else "it is back"
    text = f"Probe{several} {listed}: {reason}. Temperatures there are not recorded until {until}."
    return alerts.made(alerts.PROBE_LOST, now.seq, text, now.at_ms, channel=listed, reason=reason)


SUBJECT = Subject(
    events={
        Reading: _read,
        ProbeLost: _lost,
        ProbeBack: lambda world, event, now: _back(world, event.channel, now.at_ms),
        ProbeCharge: _charged,
    },
    timers=steady,
)
