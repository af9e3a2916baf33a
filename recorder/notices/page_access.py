"""The text of mosquitto's configuration for the phone page: who may speak to the broker, and about what.

Pure: opens no file, knows no password. Options are mosquitto's, of 2.0.11 and later (mosquitto.conf(5)).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from recorder.notices.answers import ACKNOWLEDGE, SEEN, SIGN

NAME = r"[A-Za-z0-9_-]{1,64}"

PATH = r"/[A-Za-z0-9_./+-]*"


@dataclass(frozen=True, slots=True)
class PageAccess:
    """One station, its broker and the phones that may look. Raises `ValueError` that names field and remedy."""

    root: str
    station: str
    user: str
    """What the recorder calls itself at the broker."""
    phones: Sequence[str]
    """Names of those who log in on the page."""
    page: str
    """The folder of the page; an absolute path."""
    folder: str
    """Where the broker's list and its passwords lie; an absolute path."""
    port: int = 1883
    """The recorder's, on this machine."""
    web_port: int = 8080
    """The page's."""
    sensors: Sequence[str] = ()
    """Topics of sensors that the recorder reads."""
    certificate: str | None = None
    key: str | None = None

    def __post_init__(self) -> None:
        names = [("username", self.user), *(("phone", name) for name in self.phones)]
        for what, name in names:
            if not re.fullmatch(NAME, name):
                raise ValueError(f"{what} is {name!r}; use up to 64 letters (A to Z), digits, - and _")
        if self.user in self.phones:
            raise ValueError(f"phone is {self.user!r}, the recorder's own name; give the phone another one")
        for what, topic in (("root", self.root), ("station", self.station)):
            if not re.fullmatch(r"[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*", topic):
                raise ValueError(f"{what} is {topic!r}; use letters, digits, - and _, with / only between (no + or #)")
        if self.port == self.web_port or not all(0 < port < 65_536 for port in (self.port, self.web_port)):
            raise ValueError(
                f"port is {self.web_port}; write one from 1 to 65535, other than the recorder's {self.port}"
            )
        for what, path in (
            ("page", self.page),
            ("out", self.folder),
            ("certificate", self.certificate),
            ("key", self.key),
        ):
            if path is not None and not re.fullmatch(PATH, path):
                raise ValueError(
                    f"{what} is {path!r}; use an absolute path without spaces and other special characters"
                )
        if bool(self.certificate) != bool(self.key):
            raise ValueError("certificate and key go together; name both or neither")

    @property
    def here(self) -> str:
        """The station's topic, with its last slash."""
        return f"{self.root}/{self.station}/"

    @property
    def scheme(self) -> str:
        """How the page's address begins."""
        return "https" if self.certificate else "http"


def conf(access: PageAccess) -> str:
    """Lines for /etc/mosquitto/conf.d: the recorder's listener, the page's, and that nobody is let in unnamed."""
    secure = f"certfile {access.certificate}\nkeyfile {access.key}\n" if access.certificate else ""
    return f"""\
# The broker of {access.station} and of its phone page. Made by `batch-recorder page`; holds no password.
# For the recorder: where any listener is named, mosquitto opens no other by itself.
listener {access.port} 127.0.0.1
# For phones.
listener {access.web_port}
protocol websockets
http_dir {access.page}
max_connections 100
{secure}
# For both: who is not on these lists is not let in, and what is not on them is refused.
allow_anonymous false
password_file {access.folder}/page.users
acl_file {access.folder}/page.acl
# Every message of the recorder is smaller; a phone's are up to 1,024 bytes.
message_size_limit 262144
# An alert must not wait for the acknowledgement of the state before it.
set_tcp_nodelay true
"""


def acl(access: PageAccess) -> str:
    """Who may do what; whatever is not said here is refused."""
    answers = "".join(f"topic write {access.here}{what}\n" for what in (ACKNOWLEDGE, SEEN, SIGN))
    phones = "".join(f"\nuser {name}\ntopic read {access.here}#\n{answers}" for name in access.phones)
    sensors = "".join(f"topic read {topic}\n" for topic in access.sensors)
    return f"""\
# The recorder: its own topics, the sensors that it reads, and no others.
user {access.user}
topic readwrite {access.here}#
{sensors}
# Phones: they look, and answer; they say nothing in the recorder's place.
{phones.lstrip()}"""
