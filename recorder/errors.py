"""The base of all errors that a person can fix. Each room has its own kinds; this one lets a caller catch them all."""


class RecorderError(Exception):
    """Something that a person can fix; the text names the thing and the remedy."""
