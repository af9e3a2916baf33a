"""Events as canonical JSON and back: the only spelling that is stored. Knows no database and no meaning.

Canonical is RFC 8785, so the same event always has the same bytes. A field at its default is left out; so a field that
is added to an event later, with a default, leaves the bytes of older entries as they are.
"""

import json
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

import rfc8785

from recorder.core import events
from recorder.core.events import Event
from recorder.errors import RecorderError
from recorder.tables import build

KINDS: dict[str, type[Event]] = {
    "started": events.Started,
    "procedure loaded": events.ProcedureLoaded,
    "reading": events.Reading,
    "probe lost": events.ProbeLost,
    "probe back": events.ProbeBack,
    "probe charge": events.ProbeCharge,
    "heard": events.Heard,
    "not understood": events.Unheard,
    "ear lost": events.EarLost,
    "ear back": events.EarBack,
    "ear trouble": events.EarTrouble,
    "ear clear": events.EarClear,
    "link down": events.LinkDown,
    "link up": events.LinkUp,
    "acknowledged": events.Acknowledged,
    "seen": events.Seen,
    "signed": events.Signed,
    "records set aside": events.RecordsSetAside,
    "space low": events.SpaceLow,
    "space back": events.SpaceBack,
    "tick": events.Tick,
    "clock set": events.ClockStepped,
    "stopped": events.Stopped,
}
"""Kind, as it is stored -> event class."""

Built = TypeVar("Built")

_NAMES = {kind: name for name, kind in KINDS.items()}


class CodecError(RecorderError, ValueError):
    """A value that can't be stored, or stored text that is no event."""


def canonical(value: Any) -> bytes:
    """`value` as RFC 8785 JSON; raises `CodecError` for NaN, infinity and whole numbers beyond 2^53."""
    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, ValueError) as error:
        raise CodecError(f"can't be written as JSON: {error}") from error


def encode(event: Event) -> tuple[str, str]:
    """Kind and body of `event`; raises `CodecError`."""
    return _NAMES[type(event)], canonical(plain(event, brief=True)).decode()


def decode(kind: str, body: str) -> Event:
    """The event with this kind and body; raises `CodecError`."""
    if kind not in KINDS:
        raise CodecError(f"no event is of the kind {kind!r}")
    try:
        event: Event = built(KINDS[kind], json.loads(body))
    except (ValueError, RecursionError) as error:
        raise CodecError(f"the body is no {kind!r} event: {error}") from error
    return event


def built(kind: type[Built], value: Any) -> Built:
    """The dataclass of this kind whose plain form is `value`; raises `CodecError`."""
    try:
        return build(kind, value)
    except (ValueError, RecursionError) as error:
        raise CodecError(f"it is no {kind.__name__}: {error}") from error


def plain(value: Any, brief: bool = False) -> Any:
    """Dataclasses as dicts and tuples as lists, all the way down; `brief` leaves out fields at their default."""
    if is_dataclass(value):
        found = ((field, getattr(value, field.name)) for field in fields(value))
        return {field.name: plain(each, brief) for field, each in found if not (brief and each == field.default)}
    if isinstance(value, tuple):
        return [plain(each, brief) for each in value]
    if isinstance(value, dict):
        return {key: plain(each, brief) for key, each in value.items()}
    return value
