"""Passwords for a broker: made at random, and hashed as mosquitto's own tool does."""

import hashlib
import os
import secrets
from base64 import b64encode

ROUNDS = 10_000
"""Of PBKDF2; mosquitto's own default is 101."""

LETTERS = "23456789abcdefghjkmnpqrstuvwxyz"
"""Without those that look like another: 0 and o, 1 and i and l."""

GROUPS, LONG = 5, 4
"""Groups of letters, and how long each is: 99 bits in all, typed once on a phone."""


def made(groups: int = GROUPS) -> str:
    """A new password, such as "k7dm-q2xr-9bte-wz4h-cn8p"; of fewer groups where it is of use for minutes only."""
    return "-".join("".join(secrets.choice(LETTERS) for _ in range(LONG)) for _ in range(groups))


def hashed(password: str) -> str:
    """As mosquitto_passwd writes it: PBKDF2 with SHA-512, its rounds, its salt."""
    salt = os.urandom(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"$7${ROUNDS}${b64encode(salt).decode()}${b64encode(digest).decode()}"
