"""A sensor that publishes its temperature over MQTT, such as one of a vat or a cabinet: the settings. Opens nothing."""

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.clock import Clock
from recorder.misfits import Wrong, refuse
from recorder.probes.kinds import Detection, Search
from recorder.probes.mqtt.values import MqttReader
from recorder.probes.probe import LONGEST_S, named, outside, strange
from recorder.probes.thinning import PERIOD_MS

if TYPE_CHECKING:
    from recorder.probes.mqtt.topic import Topic

PLAIN_PORT, TLS_PORT = 1883, 8883
"""As registered with IANA for mqtt and secure-mqtt."""

SHARED = ("host", "port", "protocol", "username", "password_file", "tls", "ca_file", "cert_file", "key_file")
"""How the broker is reached; a probe without `host` takes all of them from [mqtt]."""

FILES = ("password_file", "ca_file", "cert_file", "key_file")


@dataclass(frozen=True, slots=True)
class MqttProbeSettings:
    """One topic, and the broker that has it."""

    driver: str
    """Its name in `kinds.PROBES`: "mqtt"."""
    topic: str
    """What the sensor publishes to, without wildcards, such as "sensors/fryer-2/oil"."""
    channel: str = ""
    """What it measures, which must be given: "cabinet", "cabinet1" to "cabinet9", "vat" (that is "vat1"), "vat2" to
    "vat9", or "needle"."""
    unit: str = ""
    """ "C" or "F", as the sensor publishes; it must be given."""
    path: str = ""
    """Where the number stands within JSON: keys joined by points, places in lists from 0, such as "probes.0.temp".

    "": the message is the number.
    """
    host: str = ""
    """The broker; "" for that of [mqtt], with all that stands there."""
    port: int = 0
    """0 stands for the usual one: 8883 with TLS and 1883 without."""
    protocol: str = "5"
    """ "5" or "3.1.1"."""
    username: str = ""
    password_file: str = ""
    """File that holds the password in its first line."""
    tls: bool | None = None
    """Whether TLS is spoken, and the broker's certificate verified; None for: unless the broker is on this machine."""
    ca_file: str = ""
    """Certificate of the authority that signed the broker's; "" for those that the machine trusts."""
    cert_file: str = ""
    """This device's own certificate, with `key_file`."""
    key_file: str = ""
    period_s: float = PERIOD_MS / 1000
    """A channel that stays level is recorded this often."""
    silence_s: float = 0.0
    """A channel that says nothing for this long is lost; 0 stands for twice `period_s`."""

    def __post_init__(self) -> None:
        refuse(self._wrong())
        if self.silence_s == 0:
            object.__setattr__(self, "silence_s", 2 * self.period_s)

    def _wrong(self) -> Iterator[Wrong]:
        if not self.topic or not self.topic.isprintable() or any(sign in self.topic for sign in "+#"):
            yield "topic", f"is {self.topic!r}; write the sensor's own topic, without + and #"
        if not self.channel:
            yield "channel", 'is missing; write what the sensor measures, such as "vat2"'
        else:
            yield from strange("channel", [self.channel])
        if not self.unit:
            yield "unit", 'is missing, and a message does not say it; write unit = "C" or "F", as the sensor publishes'
        elif self.unit not in ("C", "F"):
            yield "unit", f'is {self.unit!r}; write "C" or "F"'
        if self.path and not all(self.path.split(".")):
            yield "path", f'is {self.path!r}; write keys joined by points, such as "probes.0.temp"'
        if self.protocol not in ("5", "3.1.1"):
            yield "protocol", f'is {self.protocol!r}; write "5" or "3.1.1"'
        if not 0 <= self.port < 65_536:
            yield "port", f"is {self.port}; write 1 to 65535"
        if self.password_file and not self.username:
            yield "password_file", "does nothing without username; name it too"
        if self.key_file and not self.cert_file:
            yield "key_file", "does nothing without cert_file; name it too"
        if self.tls is False and (self.ca_file or self.cert_file):
            yield "tls", "is false, and ca_file and cert_file do nothing then; take that line out, or them"
        yield from outside(self, period_s=LONGEST_S, **({"silence_s": LONGEST_S} if self.silence_s else {}))

    @property
    def secured(self) -> bool:
        """Whether TLS is spoken."""
        return bool(self.ca_file or self.cert_file) or not _local(self.host) if self.tls is None else self.tls

    @property
    def endpoint(self) -> tuple[str, int]:
        """Host and port."""
        return self.host, self.port or (TLS_PORT if self.secured else PLAIN_PORT)

    def at(self, folder: Path) -> "MqttProbeSettings":
        """The same, with its files named from `folder`."""
        named_files = {key: str(folder / getattr(self, key)) for key in FILES if getattr(self, key)}
        return replace(self, **named_files)  # type: ignore[arg-type]

    @classmethod
    def detect(cls, search: Search) -> Detection | None:
        """Never: only the kitchen knows what its broker carries."""
        return None

    def title(self) -> str:
        """For logs."""
        return f"mqtt {self.topic}"

    def url(self) -> str:
        """As a probe's URL."""
        path = f"&path={self.path}" if self.path else ""
        port = f"&port={self.port}" if self.port else ""
        user = f"&username={self.username}&password_file={self.password_file}" if self.password_file else ""
        plain = f"&tls={str(self.tls).lower()}" if self.tls is not None else ""
        where = f"&host={self.host}{port}&protocol={self.protocol}{user}{plain}"
        return f"mqtt:{self.topic}?channel={self.channel}&unit={self.unit}{path}{where}"

    def names(self) -> tuple[str, ...]:
        """The channel, as events name it."""
        return (named(self.channel),)

    def reader(self) -> MqttReader:
        """A fresh reader of this topic."""
        return MqttReader(named(self.channel), self.unit, self.path)

    def faster(self) -> str:
        """What to do where it measures too seldom."""
        return "Have the sensor publish at least once a second, or take a probe on a wire for the needle."

    def source(self, clock: Clock) -> "Topic":
        """The topic, not yet subscribed to."""
        from recorder.probes.mqtt.topic import Topic

        return Topic(self)


def _local(host: str) -> bool:
    """Whether the broker is on this machine, so that nothing of it goes over a network."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
