"""What a manager's initials may be, wherever they come from: a keyboard or a phone."""

import re

LETTERS = "up to 8 letters (A to Z) and digits"

PATTERN = re.compile(r"[A-Za-z0-9]{1,8}")
"""Of ASCII alone: a full-width or Cyrillic letter looks like another person's initial and is not it."""


def are_initials(text: object) -> bool:
    """Whether `text` is a person's initials."""
    return isinstance(text, str) and PATTERN.fullmatch(text) is not None
