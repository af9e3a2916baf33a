"""The base of all errors that a person can fix. Each room has its own kinds; this one lets a caller catch them all."""


class RecorderError(Exception):
    """Something that a person can fix; the text names the thing and the remedy."""


def why(error: Exception) -> str:
    """What went wrong, in words alone: without the system's number, and without the file, which the caller names."""
    return getattr(error, "strerror", None) or str(error)
