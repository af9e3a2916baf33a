"""A device key, by which an anchor says which device made it: Ed25519 (RFC 8032). The only door to cryptography.

The private key is a file of one person's rights (PKCS #8 in PEM, as other tools read it). Knows no anchor and no topic.
"""

import os
from pathlib import Path
from typing import Any

from recorder.driver import DriverUnavailable
from recorder.errors import why

OTHERS = 0o077
"""The rights of group and others: a key file has none of them."""


class Seal:
    """A private key, ready to sign. Make one with `load` or `make`."""

    def __init__(self, key: Any) -> None:
        self._key = key

    def sign(self, text: bytes) -> str:
        """The signature over `text`: 128 hexadecimal digits."""
        return str(self._key.sign(text).hex())

    @property
    def public(self) -> str:
        """The public key, 64 hexadecimal digits: what `genuine` needs."""
        return str(self._key.public_key().public_bytes_raw().hex())


def make(path: Path) -> Seal:
    """A new key in a new file that only its owner can read; raises `DriverUnavailable` where there is one already."""
    _, serialization = _library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    text = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise DriverUnavailable(f"the device key {path} can't be made: {why(error)}; name another file") from error
    return Seal(key)


def load(path: Path) -> Seal:
    """The key in the file at `path`; raises `DriverUnavailable`, also where others than its owner may touch it."""
    _, serialization = _library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    try:
        with path.open("rb") as file:
            text = file.read()
            if b"-----BEGIN" not in text:
                raise DriverUnavailable(f"the device key {path} can't be read: it holds no key; name another file")
            if (rights := os.fstat(file.fileno()).st_mode) & OTHERS:
                raise DriverUnavailable(
                    f"the device key {path} can be touched by others (mode {rights & 0o777:o}); chmod 600 {path}, and"
                    " make a new key if somebody may have read it"
                )
            key = serialization.load_pem_private_key(text, None)
    except FileNotFoundError as error:
        raise DriverUnavailable(f"there is no device key {path}; batch-recorder device-key {path} makes it") from error
    except (OSError, ValueError, TypeError) as error:
        raise DriverUnavailable(f"the device key {path} can't be read: {why(error)}; name another file") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise DriverUnavailable(f"the device key {path} is no Ed25519 key; batch-recorder device-key NEWFILE makes one")
    return Seal(key)


def genuine(public: str, text: bytes, signature: str) -> bool:
    """Whether the device with this public key signed `text`; raises `DriverUnavailable` for what is no public key."""
    invalid, _ = _library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
    except ValueError as error:
        raise DriverUnavailable(f"{public!r} is no public key; write the 64 digits that device-key printed") from error
    try:
        key.verify(bytes.fromhex(signature), text)
    except (invalid, ValueError):
        return False
    return True


def _library() -> tuple[Any, Any]:
    try:
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives import serialization
    except ImportError as error:
        raise DriverUnavailable("signing needs cryptography; in the clone: pip install -e '.[sign]'") from error
    return InvalidSignature, serialization
