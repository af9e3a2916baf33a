"""Entries of a journal as the loop writes them."""

from collections.abc import Sequence

from recorder.clock import Stamp
from recorder.core.effects import Effect
from recorder.core.events import Event
from recorder.journal.chain import Entry
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.loop import MakeMessages, record


def silent(entry: Entry, event: Event, effects: Sequence[Effect]) -> list[Message]:
    """No messages."""
    return []


def numbered(entry: Entry, event: Event, effects: Sequence[Effect]) -> list[Message]:
    """One message, with the entry's number."""
    return [Message("t", f"{entry.seq}")]


def append(
    journal: Journal, stamp: Stamp, event: Event, effects: Sequence[Effect] = (), messages: MakeMessages = silent
) -> Entry:
    return record(journal, stamp, event, effects, messages)
