"""Where the broker is and how to speak to it. Opens nothing."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Where the broker is and how to speak to it."""

    station: str
    host: str = "127.0.0.1"
    port: int = 1883
    protocol: str = "5"
    """ "5" or "3.1.1"."""
    root: str = "kitchen"
    """First part of every topic."""
    username: str | None = None
    password_file: Path | None = None
    """File that holds the password in its first line."""
    ca_file: Path | None = None
    """Certificate of the authority that signed the broker's; turns TLS on."""
    cert_file: Path | None = None
    """This device's own certificate, with `key_file`."""
    key_file: Path | None = None
    keepalive_s: int = 30

    def __post_init__(self) -> None:
        if self.protocol not in ("5", "3.1.1"):
            raise ValueError(f'protocol is {self.protocol!r}; write "5" or "3.1.1"')
        if not self.host or not 0 < self.port < 65_536:
            raise ValueError(f"the broker is {self.host!r}, port {self.port!r}; write its name, and a port up to 65535")
        if self.keepalive_s < 1:
            raise ValueError(f"keepalive_s is {self.keepalive_s!r}; write 1 or more")
        if (self.cert_file or self.key_file) and not self.ca_file:
            raise ValueError("cert_file and key_file do nothing without ca_file; name it too")
        if any(sign in self.root for sign in "+#") or self.root.startswith("/") or not self.root:
            raise ValueError(f"root is {self.root!r}; write a topic without +, # and a leading /")

    def topic(self, *parts: str) -> str:
        """The station's topic that ends with `parts`."""
        return "/".join((self.root, self.station, *parts))
