"""What messages on a topic say: plain numbers, or a number within JSON, to temperatures and faults. Pure."""

import json
import math
import re

from recorder.probes.plausible import Plausible
from recorder.probes.source import Chunk, Fault, Found, Reader

RETAINED = "retained"
"""A chunk's `where`: the broker has kept this message, nobody knows how long. It is not of now."""

LARGEST = 4_096
"""Bytes; a longer message is no sensor's."""

_NUMBER = re.compile(r"\s*[+-]?\d{1,5}(?:\.\d{1,6})?\s*")


class MqttReader(Reader):
    """A reader of one topic."""

    def __init__(self, channel: str, unit: str, path: str) -> None:
        """`path`: the keys to the number within JSON, joined by points, and places in lists from 0; "": no JSON."""
        super().__init__()
        self._channel, self._unit, self._path = channel, unit, path
        self._plausible = Plausible()

    def read(self, chunk: Chunk) -> list[Found]:
        """What the message says, if it says anything."""
        return self.counted(self._said(chunk.data) if chunk.where != RETAINED else RETAINED)

    def reopened(self) -> None:
        """Nothing goes on from one message to the next."""

    def _said(self, data: bytes) -> Found | str:
        if len(data) > LARGEST:
            return "too long"
        try:
            text = data.decode()
            value = _within(json.loads(text), self._path) if self._path else text
        except (ValueError, RecursionError):
            return "not JSON" if self._path else "not a number"
        except LookupError:
            return f"nothing at {self._path}"
        if value is None:
            return Fault(self._channel, "no value")
        if isinstance(value, str) and _NUMBER.fullmatch(value):
            value = float(value)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return "not a number"
        return self._plausible.judge(self._channel, value, self._unit)


def _within(value: object, path: str) -> object:
    """What stands at `path`; raises `LookupError`."""
    for key in path.split("."):
        if isinstance(value, list) and key.isdigit():
            value = value[int(key)]
        elif isinstance(value, dict):
            value = value[key]
        else:
            raise LookupError(key)
    return value
