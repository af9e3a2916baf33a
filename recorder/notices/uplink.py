"""A station's way off the device, as one object that is there or not: messages, states, anchors, signs of life.

All but the callbacks is for the loop's thread. Knows no device and judges nothing.
"""

import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from recorder.clock import Stamp
from recorder.core.events import Event
from recorder.core.world import World
from recorder.journal.anchors import Sign
from recorder.journal.errors import JournalError
from recorder.journal.journal import Journal
from recorder.notices import final_alert
from recorder.notices.alive import Alive
from recorder.notices.anchoring import Anchoring
from recorder.notices.mqtt import MqttPublisher
from recorder.notices.outbox import Messages, Outbox
from recorder.notices.settings import MqttSettings
from recorder.notices.state_publisher import StatePublisher

GOODBYE_S = 0.3
"""How long a stop waits for the broker to take the last messages (they are on disk), and again for the goodbye."""


class Uplink:
    """One station's broker, and all that goes there."""

    def __init__(
        self,
        settings: MqttSettings,
        journal: Journal,
        database: Path,
        channels: Sequence[str],
        sign: Sign | None,
        on_link: Callable[[bool, str], None],
        on_answer: Callable[[str, bytes], None],
    ) -> None:
        """`channels` are those of the configuration; `sign` signs anchors, where there is a device key.

        `on_link` and `on_answer` are those of `MqttPublisher`, and called from its thread. Raises `DriverUnavailable`
        when a file of the settings can't be used.
        """
        self._journal = journal
        self.publisher = MqttPublisher(settings, on_link, on_answer)
        self.outbox = Outbox(journal.outbox, self.publisher)
        self._states = StatePublisher(self.publisher.latest, journal, database, channels)
        self._anchoring = Anchoring(self.publisher.latest, journal, settings.station, sign)
        self._alive = Alive(self.publisher.passing, self._states.newest)

    def start(self) -> None:
        """Begin to connect, for as long as it takes; once."""
        self.publisher.start()

    def update(self, event: Event, world: World, at_ms: int) -> None:
        """`event` is on disk, and `world` is how things stand after it: publish the states that differ."""
        self._states.update(event, world, at_ms)

    def beat(self, world: World, now_ms: int) -> bool:
        """Send what waits and what is due; True where more is under way. Returns at once, raises `JournalError`."""
        sending = self.outbox.step(now_ms)
        self._states.beat(world, now_ms)
        self._anchoring.beat(now_ms)
        self._alive.beat(self.publisher.connection(), now_ms)
        return sending

    def close(self, now_ms: Callable[[], int]) -> None:
        """Send the last anchor, and what waits if the broker takes it soon; say goodbye. Raises `JournalError`."""
        self._anchoring.send(now_ms())
        end_s = time.monotonic() + GOODBYE_S
        while self.publisher.connected() and not self.outbox.empty() and time.monotonic() < end_s:
            self.outbox.step(now_ms())
            time.sleep(0.01)
        _part(self.publisher)

    def fail(self, messages: Messages, world: World, reason: str, now: Stamp, longest_s: float) -> None:
        """Send the final alert, that nothing is recorded any more because of `reason`, and say goodbye."""
        self.start()  # it has not begun where a driver could not even be made
        try:
            ends = self._journal.ends()
        except JournalError:
            ends = None
        final_alert.send(self.publisher, messages, ends, world, reason, now, longest_s)
        _part(self.publisher)


def fail_without_records(settings: MqttSettings, messages: Messages, reason: str, now: Stamp, longest_s: float) -> None:
    """As `Uplink.fail`, where the records can't even be opened. Raises `DriverUnavailable`."""
    publisher = MqttPublisher(settings)
    publisher.start()
    final_alert.send(publisher, messages, None, World(), reason, now, longest_s)
    _part(publisher)


def _part(publisher: MqttPublisher) -> None:
    """Say goodbye to the broker, beside: it lasts as long as the network thread is in a connect that nobody answers."""
    goodbye = threading.Thread(target=publisher.close, name="goodbye", daemon=True)
    goodbye.start()
    goodbye.join(GOODBYE_S)
