"""The text of two brokers' configuration: the device's own with its bridge, and what the remote one needs for it.

Pure: opens no file, knows no password. Options are mosquitto's, of 2.0.11 and later (mosquitto.conf(5)).
"""

import re
from dataclasses import dataclass

OUT = ("alerts", "state", "batches", "open", "checks", "health", "anchor", "reading/+", "records", "journal")
"""What leaves the device, below the station's topic; each by its name, so that nothing can go round in a loop."""

PASSING = ("alive",)
"""What leaves it at most once: what the link can't carry now is dropped, so that nothing old looks new."""

IN = ("acknowledge", "seen", "sign")
"""What the device hears from afar."""

LINK = "link"
"""Retained at the remote, 1 or 0: whether the bridge is connected. The device's own will can't tell that."""

VERSIONS = {"3.1.1": "mqttv311", "5": "mqttv50"}

NAME = r"[A-Za-z0-9_-]+"


@dataclass(frozen=True, slots=True)
class Bridge:
    """One station's way from its own broker to the remote one. Raises `ValueError` that names field and remedy."""

    root: str
    station: str
    host: str
    """The remote broker's name or IPv4 address, as in its certificate."""
    site: str
    """Prefix of all topics at the remote; one for each site."""
    ca_file: str
    """Certificates of the authorities that may have signed the remote's; an absolute path."""
    folder: str
    """Where the files of the device's broker lie; an absolute path."""
    port: int = 8883
    local_port: int = 1883
    local_user: str | None = None
    """What the device's client calls itself; None where anybody on the device may speak to the broker."""
    protocol: str = "3.1.1"
    """What the bridge speaks: "5" or "3.1.1"."""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?", self.host):
            raise ValueError(f"remote is {self.host!r}; write a host name or an IPv4 address, such as mqtt.example.org")
        for what, port in (("remote port", self.port), ("port", self.local_port)):
            if not 0 < port < 65_536:
                raise ValueError(f"{what} is {port}; write one from 1 to 65535")
        for what, prefix in (("site", self.site), ("root", self.root)):
            if not re.fullmatch(rf"{NAME}(/{NAME})*", prefix):
                raise ValueError(f"{what} is {prefix!r}; use letters, digits, - and _, with / only between (no + or #)")
        if self.local_user is not None and not re.fullmatch(NAME, self.local_user):
            raise ValueError(f"username is {self.local_user!r}; use letters, digits, - and _")
        if self.protocol not in VERSIONS:
            raise ValueError(f'protocol is {self.protocol!r}; write "5" or "3.1.1"')
        for what, path in (("ca", self.ca_file), ("out", self.folder)):
            if not re.fullmatch(r"/[A-Za-z0-9_./+-]*", path):
                raise ValueError(
                    f"{what} is {path!r}; use an absolute path without spaces and other special characters"
                )

    @property
    def here(self) -> str:
        """The station's topic at the device, with its last slash."""
        return f"{self.root}/{self.station}/"

    @property
    def there(self) -> str:
        """The station's topic at the remote, with its last slash."""
        return f"{self.site}/{self.here}"

    @property
    def name(self) -> str:
        """Client id and user at the remote: no two stations share one ("." is in no part, so it joins them safely)."""
        return ".".join((*self.site.split("/"), *self.root.split("/"), self.station, "bridge"))


def device_conf(bridge: Bridge) -> str:
    """The whole configuration of the device's broker. Its last line is the bridge's: `remote_password` goes below."""
    users = f"allow_anonymous false\npassword_file {bridge.folder}/device.users"
    topics = "\n".join(f"topic {topic} out 1 {bridge.here} {bridge.there}" for topic in OUT)
    topics += "".join(f"\ntopic {topic} out 0 {bridge.here} {bridge.there}" for topic in PASSING)
    topics += "".join(f"\ntopic {topic} in 1 {bridge.here} {bridge.there}" for topic in IN)
    return f"""\
# The broker of {bridge.station}, on the device itself. Made by `batch-recorder bridge`; holds no password.
listener {bridge.local_port} 127.0.0.1
{users if bridge.local_user else "allow_anonymous true"}
acl_file {bridge.folder}/device.acl
log_dest stderr
sys_interval 0
# An alert must not wait for the acknowledgement of the state before it.
set_tcp_nodelay true

# Kept over a power cut, up to the last {AUTOSAVE_S} s; the journal of the recorder has everything in any case.
# Each save writes the whole file: some tens of kB when little waits, at most about the queue's bytes below.
persistence true
persistence_location /var/lib/mosquitto/
autosave_interval {AUTOSAVE_S}
# Beyond these limits mosquitto drops the newest message and tells nobody.
max_queued_messages 10000
max_queued_bytes 8388608
# At the memory limit it turns the recorder away instead, whose outbox then keeps what it has.
memory_limit 33554432
# Below this size every message of the recorder stays; a larger one is refused.
message_size_limit 262144

connection {bridge.name}
address {bridge.host}:{bridge.port}
bridge_cafile {bridge.ca_file}
bridge_insecure false
# mqttv311 drops content type and expiry. mqttv50 keeps them, but before mosquitto 2.1 it loses what the remote
# sends while the link is down.
bridge_protocol_version {VERSIONS[bridge.protocol]}
cleansession false
bridge_attempt_unsubscribe false
try_private false
keepalive_interval 30
restart_timeout 2 30
remote_clientid {bridge.name}
local_clientid {bridge.name}.local
local_username {bridge.name}
notifications true
notification_topic {bridge.there}{LINK}
{topics}
remote_username {bridge.name}
"""


AUTOSAVE_S = 30
"""About 3,000 small writes a day, which a flash card bears; mosquitto's default of 1,800 s loses half an hour."""


def device_acl(bridge: Bridge) -> str:
    """Who may do what at the device's broker."""
    client = f"user {bridge.local_user}\n" if bridge.local_user else ""
    lines = (f"topic write {bridge.here}{topic}" for topic in IN)
    return f"""\
# The recorder: its own topics and no others.
{client}topic readwrite {bridge.here}#

# The bridge. mosquitto 2.0 does not hold its own bridges to this list: the `topic ... in` lines of device.conf do,
# so trust the remote broker itself.
user {bridge.name}
topic read {bridge.here}#
{chr(10).join(lines)}
"""


def remote_conf(bridge: Bridge) -> str:
    """An example for the remote broker; what stands in capitals is to be filled in."""
    return f"""\
# Example for the remote broker {bridge.host}. Once:
#   mosquitto_passwd -c /etc/mosquitto/remote.users {bridge.name}
#   mosquitto_passwd /etc/mosquitto/remote.users manager
listener {bridge.port}
certfile /etc/mosquitto/certs/CERTIFICATE.pem
keyfile /etc/mosquitto/certs/KEY.pem
allow_anonymous false
password_file /etc/mosquitto/remote.users
acl_file /etc/mosquitto/remote.acl
persistence true
persistence_location /var/lib/mosquitto/
autosave_interval 60
"""


def remote_acl(bridge: Bridge) -> str:
    """Who may do what at the remote broker: append it to the list that is there."""
    bridged = [f"topic write {bridge.there}{topic}" for topic in (*OUT, *PASSING, LINK)]
    bridged += [f"topic read {bridge.there}{topic}" for topic in IN]
    manager = [f"topic write {bridge.there}{topic}" for topic in IN]
    return "\n".join(
        (
            f"# The bridge of {bridge.station}, and only it, writes for that station.",
            f"user {bridge.name}",
            *bridged,
            "",
            "# A manager's phone reads the site, and answers.",
            "user manager",
            f"topic read {bridge.site}/#",
            *manager,
            "",
        )
    )


JOINED = "/run/mosquitto/batch-recorder.conf"
"""Configuration and password, in memory."""


def drop_in(bridge: Bridge, password_file: str) -> str:
    """What systemd does before mosquitto starts: joins configuration and password in memory, for mosquitto alone.

    mosquitto 2.0 takes a bridge's password only from its configuration, and from no included file.
    """
    return f"""\
# For /etc/systemd/system/mosquitto.service.d/batch-recorder.conf
[Service]
ExecStartPre=/bin/sh -c '{join(bridge, password_file, JOINED)} && chown mosquitto {JOINED}'
ExecStart=
ExecStart=/usr/sbin/mosquitto -c {JOINED}
"""


def join(bridge: Bridge, password_file: str, joined: str) -> str:
    """The shell command that writes `joined`, readable by its owner alone."""
    if not re.fullmatch(r"/[A-Za-z0-9_./+-]*", password_file):
        raise ValueError(f"password file is {password_file!r}; use an absolute path without special characters")
    parts = f'cat {bridge.folder}/device.conf && printf "remote_password " && head -n 1 {password_file}'
    return f"umask 077 && {{ {parts}; }} > {joined}"
