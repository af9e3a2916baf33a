"""Whether the channels of a station's probes fit its vats and cabinets: each named, once, and read often enough."""

from collections.abc import Iterator, Sequence
from typing import Any

from recorder.core.events import CABINET, cabinet_channel, vat_channel
from recorder.core.world import FRESH_MS
from recorder.misfits import MisfitError
from recorder.probes.probe import ProbeSettings

LONGEST_PERIOD_S = FRESH_MS / 1000 / 2
"""A channel that is read less often than this would now and then count as not fresh."""


def misfits(
    entries: Sequence[dict[str, Any]],
    probes: Sequence[ProbeSettings | None],
    vats: Sequence[int],
    cabinets: Sequence[int],
) -> Iterator[MisfitError]:
    """Where a channel is not named, not once, of a vat or cabinet that there is not, or not read often enough.

    `entries` are the tables [[probe]] as they are written, and `probes` what was made of them; None of a wrong one.
    """
    owners: dict[str, str] = {}
    for place, (probe, entry) in enumerate(zip(probes, entries, strict=True)):
        if probe is None:
            continue
        title = probe.title()
        key = next((each for each in ("channels", "channel", "register") if hasattr(probe, each)), "channels")

        def wrong(problem: str, place: int = place, key: str = key, title: str = title) -> MisfitError:
            return MisfitError(f"of {title}: {problem}", "probe", place, key)

        if not probe.names() and len(probes) > 1:
            yield wrong('with several probes each names its channels, such as channels = ["needle"]')
        if "vat" in _written(entry) and len(vats) > 1:
            shown = ", ".join(map(str, vats))
            yield wrong(f'channel "vat" may be any of the vats {shown}; write which, such as "{vat_channel(vats[0])}"')
            continue
        for name in probe.names():
            if owners.get(name) == title:
                yield wrong(f"the channel {name} stands twice; name each once")
            elif name in owners:
                yield wrong(f"the channel {name} is also that of {owners[name]}; take it out of one of them")
            owners.setdefault(name, title)
            if problem := _of_nothing(name, vats, cabinets):
                yield wrong(f"the channel {name} is of {problem}")
        named = ", ".join(probe.names()) or "all its channels"
        for time in ("period_s", "poll_s", "interval_s"):
            if (seconds := getattr(probe, time, None) or 0) > LONGEST_PERIOD_S:
                why = f"a reading counts as fresh for {FRESH_MS // 1000} s, so write {LONGEST_PERIOD_S:g} or less"
                yield MisfitError(f"is {seconds:g} for {title} ({named}); {why}", "probe", place, time)


def _of_nothing(name: str, vats: Sequence[int], cabinets: Sequence[int]) -> str:
    """Of what that there is not a channel is, and the remedy; "" for one of something."""
    numbered = [*map(cabinet_channel, cabinets)]
    if name.startswith("vat") and name not in map(vat_channel, vats):
        return f"no vat here (vats = {list(vats)}); change one of them"
    if name.startswith(CABINET) and name not in (numbered or [CABINET]):
        remedy = f'write which, such as "{numbered[0]}"' if numbered else "change one of them"
        return f"no cabinet here (cabinets = {list(cabinets)}); {remedy}"
    return ""


def _written(entry: dict[str, Any]) -> list[Any]:
    """The channels in an entry of [[probe]], as they stand there; it is checked elsewhere."""
    registers = entry.get("register")
    one_each = [each for each in registers if isinstance(each, dict)] if isinstance(registers, list) else []
    many = entry.get("channels")
    single = [each.get("channel") for each in (entry, *one_each) if "channel" in each]
    return [*(many if isinstance(many, list) else []), *single]
