"""Where the broker is and how to speak to it. Opens nothing."""

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from recorder.misfits import Wrong, refuse

PLAIN_PORT, TLS_PORT = 1883, 8883
"""As registered with IANA for mqtt and secure-mqtt."""


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Where the broker is and how to speak to it."""

    station: str
    host: str = "127.0.0.1"
    port: int = 0
    """0 stands for the usual one: 8883 with TLS and 1883 without."""
    protocol: str = "5"
    """ "5" or "3.1.1"."""
    root: str = "kitchen"
    """First part of every topic."""
    username: str | None = None
    password_file: Path | None = None
    """File that holds the password in its first line."""
    tls: bool | None = None
    """Whether TLS is spoken, and the broker's certificate verified; None for: unless the broker is on this machine."""
    ca_file: Path | None = None
    """Certificate of the authority that signed the broker's; None for those that the machine trusts."""
    cert_file: Path | None = None
    """This device's own certificate, with `key_file`."""
    key_file: Path | None = None
    keepalive_s: int = 30

    def __post_init__(self) -> None:
        if self.tls is None:
            object.__setattr__(self, "tls", bool(self.ca_file or self.cert_file) or not self.local)
        if self.port == 0:
            object.__setattr__(self, "port", TLS_PORT if self.tls else PLAIN_PORT)
        refuse(self._wrong())

    def _wrong(self) -> Iterator[Wrong]:
        if self.protocol not in ("5", "3.1.1"):
            yield "protocol", f'is {self.protocol!r}; write "5" or "3.1.1"'
        if not self.host:
            yield "host", 'is empty; write the broker\'s name, such as "127.0.0.1"'
        if not 0 < self.port < 65_536:
            yield "port", f"is {self.port}; write 1 to 65535, such as {PLAIN_PORT}"
        if self.keepalive_s < 1:
            yield "keepalive_s", f"is {self.keepalive_s!r}; write 1 or more"
        if not self.tls and (self.ca_file or self.cert_file or self.key_file):
            yield "tls", "is false, and ca_file, cert_file and key_file do nothing then; take that line out, or them"
        if self.password_file and self.username is None:
            yield "password_file", "does nothing without username; name it too"
        if self.key_file and not self.cert_file:
            yield "key_file", "does nothing without cert_file; name it too"
        if any(sign in self.root for sign in "+#") or self.root.startswith("/") or not self.root:
            yield "root", f"is {self.root!r}; write a topic without +, # and a leading /"

    @property
    def local(self) -> bool:
        """Whether the broker is on this machine, so that nothing of it goes over a network."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"

    def topic(self, *parts: str) -> str:
        """The station's topic that ends with `parts`."""
        return "/".join((self.root, self.station, *parts))
