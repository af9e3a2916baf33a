"""A history that breaks a promise, made short, and written as code that anybody can run."""

import time
from collections.abc import Sequence
from dataclasses import fields, is_dataclass

from recorder.core.events import Event
from tests.model.kitchen import broken
from tests.model.ledger import Broken


def shrunk(history: Sequence[Event], ticking: bool, promise: str, seconds: float = 60) -> list[Event]:
    """The shortest history found in that time that still breaks the same promise."""
    until_s = time.monotonic() + seconds
    kept = list(history)
    size = len(kept) // 2
    while size:
        place, smaller = 0, False
        while place < len(kept) and time.monotonic() < until_s:
            tried = kept[:place] + kept[place + size :]
            error = broken(tried, ticking)
            if error is not None and error.promise == promise:
                kept, smaller = tried, True
            else:
                place += size
        if time.monotonic() >= until_s:
            break
        size = size if smaller and size == 1 else size // 2
    return kept


def written(history: Sequence[Event], ticking: bool, error: Broken | None = None) -> str:
    """The history as code."""
    lines = [f"# {str(error)[:300]}"] if error else []
    lines += ["HISTORY: list[Event] = [", *(f"    {brief(event)}," for event in history), "]"]
    return "\n".join([*lines, f"assert broken(HISTORY, ticking={ticking}) is None"])


def brief(value: object) -> str:
    """An event as code, without what is at its default."""
    if not is_dataclass(value) or isinstance(value, type):
        many = isinstance(value, tuple) and any(map(is_dataclass, value))
        return f"({', '.join(map(brief, value))},)" if isinstance(value, tuple) and many else repr(value)
    said = [
        f"{field.name}={brief(getattr(value, field.name))}"
        for field in fields(value)
        if getattr(value, field.name) != field.default
    ]
    return f"{type(value).__name__}({', '.join(said)})"
