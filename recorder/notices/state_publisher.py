"""Publishes how the station stands: the retained states, each as soon as it differs from the last one published."""

import shutil
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

from recorder.core.events import Event, Heard, Reading
from recorder.core.meanings import SCRATCH
from recorder.core.world import World
from recorder.journal.journal import Journal
from recorder.notices import states

HEALTH_MS = 60_000
"""Health goes out this often at least."""


class StatePublisher:
    """Knows what was published last. Used by the loop's thread."""

    def __init__(
        self,
        publish: Callable[[str, dict[str, Any]], None],
        journal: Journal,
        database: Path,
        channels: Sequence[str],
    ) -> None:
        """`publish` is given the last part of a topic and the state; `channels` are those of the configuration."""
        self._publish = publish
        self._journal = journal
        self._database = database
        self._channels = channels
        self._version = version("batch-recorder")
        self._published: dict[str, dict[str, Any]] = {}
        self.newest: dict[str, int] = {}
        """The `at_ms` of each state as it was given last, readings excepted."""
        self._checks = self._kept_checks()
        self._beat_ms = 0

    def update(self, event: Event, world: World, at_ms: int) -> None:
        """`event` is on disk, and `world` is how things stand after it."""
        if isinstance(event, Reading):
            reading = {"at_ms": event.at_ms, "temp_c": event.temp_c, "settled": event.settled}
            self._publish(f"reading/{event.channel}", reading)
        if isinstance(event, Heard) and event.intent.meaning == SCRATCH:
            self._checks = self._kept_checks()
        self._checks |= states.read_checks(world)
        for id in sorted(self._checks)[: -states.CHECKS]:
            del self._checks[id]
        self._latest("open", states.open_alerts(world), at_ms)
        self._latest("batches", states.batches(world), at_ms)
        self._latest("checks", states.last_checks(self._checks), at_ms)
        if not isinstance(event, Reading):
            self._latest("health", self._health(world), at_ms)

    def beat(self, world: World, at_ms: int) -> None:
        """Time has passed: health goes out every `HEALTH_MS`, changed or not, so that silence means something."""
        if at_ms - self._beat_ms >= HEALTH_MS:
            self._beat_ms = at_ms
            self._published.pop("health", None)
            self._latest("health", self._health(world), at_ms)

    def _health(self, world: World) -> dict[str, Any]:
        free_mb = shutil.disk_usage(self._database.parent).free // 100_000_000 * 100
        unsent = self._journal.outbox.count_unsent()
        return states.health(world, self._channels, self._version, unsent, free_mb)

    def _kept_checks(self) -> dict[int, dict[str, Any]]:
        return {row["id"]: states.kept_check(row) for row in self._journal.last_checks(states.CHECKS)}

    def _latest(self, name: str, value: dict[str, Any], at_ms: int) -> None:
        if self._published.get(name) != value:
            self._published[name] = value
            self.newest[name] = at_ms
            self._publish(name, {"at_ms": at_ms, **value})
