"""What is raised where records can't be kept or read."""

from recorder.errors import RecorderError


class JournalError(RecorderError):
    """The record can't be kept or read; the text says where and what to do."""


class JournalBusy(JournalError):
    """Another process writes it."""


class JournalNewer(JournalError):
    """A newer version wrote it, as far as this one understands it."""


class JournalDamaged(JournalError):
    """The file is ours, and it is not as it was written: no disk that is only full, read-only or out of order."""
