"""The final alert to the broker, straight from memory: where nothing is recorded, nothing can wait on disk either.

The alert goes out as one of the newest entry that is on record, under an id of its own, and stands among the retained
open alerts until the recorder starts again and publishes them again.
"""

import time
from dataclasses import replace
from typing import Any, Protocol

from recorder.clock import Stamp
from recorder.core import alerts
from recorder.core.subjects.disk import not_recording
from recorder.core.world import World
from recorder.journal.chain import Entry
from recorder.notices import states
from recorder.notices.outbox import Messages, Publisher


class Line(Publisher, Protocol):
    """A way to the broker that keeps states, too."""

    def latest(self, name: str, value: dict[str, Any]) -> None:
        """Publish the newest `value` of a state, retained."""
        ...

    def settled(self) -> bool:
        """Whether the broker has all that it was given."""
        ...


def send(
    line: Line,
    messages: Messages,
    ends: tuple[Entry, Entry] | None,
    world: World,
    reason: str,
    now: Stamp,
    longest_s: float,
) -> bool:
    """Send that nothing is recorded any more, because of `reason`; whether the broker has it within `longest_s`.

    `ends` are the first entry and the newest on record, None where they can't be read: then there is no alert, since a
    receiver could not tell it from another, and the open alerts have to do.
    """
    alert = not_recording(printable(reason), ends[1].seq if ends else 0, now.at_ms)
    line.latest("open", {"at_ms": now.at_ms, **states.open_alerts(alerts.raised(world, alert))})
    message = messages.unrecorded(*ends, replace(alert, ended_ms=now.at_ms, ended_by="said"), now) if ends else None
    given, end_s = 0, time.monotonic() + longest_s
    while time.monotonic() < end_s:
        line.acknowledged()
        if (connection := line.connection()) and connection != given:
            given = connection
            if message:
                line.publish(message)
        if given and line.settled():
            return True
        time.sleep(0.01)
    return False


def printable(text: str) -> str:
    """`text` as JSON and a log can have it, whatever is in a file's name."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)
