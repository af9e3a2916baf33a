"""The way to the broker by MQTT 5 or 3.1.1. Knows no journal.

paho's own queue lives in memory and keeps what an offline `publish` refused, so nothing is given to it while it is not
connected. Its callbacks run in its thread: they only put things into queues, and never raise.
"""

import json
import queue
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Protocol

from recorder.notices.answers import ACKNOWLEDGE, SEEN, SIGN, Gate
from recorder.notices.client import at_once, begin, end, ended, make, properties, unreached
from recorder.notices.diagnosis import explained, refused
from recorder.notices.log_limit import LogLimit
from recorder.notices.settings import MqttSettings

CONTENT_TYPE = "application/cloudevents+json"

GREETING_S = 5.0
"""So long a broker may take to answer CONNECT; what listens there and does not is no broker."""

FLAPS = 6
"""A connection is reported to be up at most so often in ten minutes: each report is an entry of the journal."""


class Sendable(Protocol):
    """A message, as the outbox has it."""

    @property
    def topic(self) -> str:
        """Where it goes."""
        ...

    @property
    def body(self) -> str:
        """What it says."""
        ...

    @property
    def retain(self) -> bool:
        """Whether the broker keeps it for who comes later."""
        ...


class MqttPublisher:
    """A connection that is kept up by itself. All but the paho callbacks is for one thread.

    paho's own queue is emptied with every connection: who gave the messages gives them again. So a broker that takes
    connections and drops them can't make it grow.
    """

    def __init__(
        self,
        settings: MqttSettings,
        on_link: Callable[[bool, str], None] = lambda up, reason: None,
        on_answer: Callable[[str, bytes], None] = lambda what, payload: None,
        patience_s: float = 60.0,
    ) -> None:
        """`on_link(up, reason)` is called with changes of the connection that last, and `on_answer` with what comes on
        the topics of `answers`, both from another thread. A connection on which nothing is acknowledged for
        `patience_s` is given up for a new one. Raises `DriverUnavailable` when a file of the settings can't be used.
        """
        self._settings = settings
        self._on_link = on_link
        self._on_answer = on_answer
        self._patience_s = patience_s
        self._acknowledged: queue.SimpleQueue[tuple[int, bool]] = queue.SimpleQueue()
        self._log = LogLimit()
        self._latest: dict[str, str] = {}
        self._owed: set[str] = set()
        """Topics of `_latest` whose newest value has not been given to this connection."""
        self._states: dict[int, str] = {}
        """Topics by token, of states that were given and are not acknowledged: one for each topic at most."""
        self._waiting: set[int] = set()
        """Tokens of messages and states that were given and are not acknowledged."""
        self._passing: set[int] = set()
        """Tokens of what no broker acknowledges: that paho has written them says nothing of the broker."""
        self._started = False
        self._up = False
        self._reason = ""
        self._number = 0
        self._seen_number = 0
        self._reported: bool | None = None
        self._flaps = Gate(FLAPS, 600_000)
        self._heard_s = 0.0
        self._opened_s: float | None = None
        """When the connection in the making began; None once the broker has answered, or there is none."""
        self._alive = False
        """Whether anything was acknowledged on this connection."""
        self._client = self._make()

    def start(self) -> None:
        """Begin to connect, for as long as it takes; once."""
        if self._started:
            return
        self._started = True
        if not self._settings.tls and not self._settings.local:
            self._log.warn("plain", f"no TLS: what goes to {self._settings.host} can be read and changed on its way")
        begin(self._client, self._settings)

    def connected(self) -> bool:
        """Whether the broker is reached, as far as paho has seen."""
        return self._up

    def connection(self) -> int:
        """0 while the broker is not reached, else the number of the connection; as `acknowledged` last saw it."""
        return self._seen_number if self._up and self._seen_number == self._number else 0

    def publish(self, message: Sendable) -> int | None:
        """Give one message to the broker, at least once; the token, or None while it is not connected."""
        about = properties("PUBLISH", ContentType=CONTENT_TYPE) if self._settings.protocol == "5" else None
        return self._give(message.topic, message.body, message.retain, about)

    def acknowledged(self) -> list[tuple[int, bool]]:
        """Tokens that came back, and whether the broker took the message. To be called at every turn.

        States that waited go out then, and changes of the connection are reported.
        """
        if self._number != self._seen_number:
            self._seen_number = self._number
            self._states.clear()
            self._waiting.clear()
            self._passing.clear()
            self._owed = set(self._latest)
            self._heard_s, self._alive = time.monotonic(), False
        found = []
        with suppress(queue.Empty):
            while True:
                token, taken = self._acknowledged.get_nowait()
                if token in self._passing:
                    self._passing.discard(token)
                else:
                    found.append((token, taken))
        for token, taken in found:
            self._waiting.discard(token)
            if (topic := self._states.pop(token, None)) and not taken:
                self._log.warn("state", f"the broker refuses {topic}; see its access list")
        if found or not self._waiting:
            self._heard_s = time.monotonic()
        elif self._up and time.monotonic() - self._heard_s > self._patience_s:
            self._renew()
        if self._opened_s is not None and time.monotonic() - self._opened_s > GREETING_S:
            self._opened_s = None
            self._cut()
        self._alive |= bool(found)
        self._tell()
        self._flush()
        return found

    def latest(self, name: str, value: dict[str, Any]) -> None:
        """The newest `value` of a state, retained by the broker; an older one that never went out is forgotten.

        At least once, though a lost one would soon be replaced: what is not answered makes the next alert on a bridge
        wait 40 ms for TCP's delayed acknowledgement (tests/bench/alert_path.py). The next value of a topic waits for
        the acknowledgement of the last.
        """
        topic = self._settings.topic(name)
        self._latest[topic] = json.dumps(value, ensure_ascii=False)
        self._owed.add(topic)
        self._flush()

    def passing(self, name: str, value: dict[str, Any]) -> None:
        """A `value` of this moment: at most once, kept by nobody, and forgotten where the broker is not reached."""
        if self._up and self._number == self._seen_number:
            info = self._client.publish(self._settings.topic(name), json.dumps(value, ensure_ascii=False), 0)
            if info.rc == 0:
                self._passing.add(int(info.mid))

    def settled(self) -> bool:
        """Whether the broker is reached and has all that it was given; as `acknowledged` last saw it."""
        return self.connection() > 0 and not self._owed and not self._waiting

    def close(self) -> None:
        """Say goodbye and end."""
        if self._up:
            with suppress(RuntimeError, ValueError):  # the connection ended this very moment: the will says it
                for topic in self._owed:
                    self._give(topic, self._latest[topic], True)
                self._client.publish(self._settings.topic("state"), _state(False), 1, True).wait_for_publish(1.0)
        end(self._client)

    def _give(self, topic: str, body: str, retain: bool, about: Any = None) -> int | None:
        if not self._up:
            return None
        info = self._client.publish(topic, body, 1, retain, about)
        if info.rc != 0:
            return None
        self._waiting.add(info.mid)
        return int(info.mid)

    def _flush(self) -> None:
        """States that are owed, but those whose last value is not acknowledged."""
        if not self._up or self._number != self._seen_number:
            return
        for topic in self._owed.difference(self._states.values()):
            if (token := self._give(topic, self._latest[topic], True)) is None:
                return
            self._states[token] = topic
            self._owed.discard(topic)

    def _tell(self) -> None:
        """A connection counts once something was acknowledged on it; one that flaps is not reported over and over."""
        if self._reported is not True and self._up and self._alive and self._flaps.open(round(time.monotonic() * 1000)):
            self._reported = True
            self._on_link(True, "")
        elif self._reported is not False and not self._up and self._reason:
            self._reported = False
            self._on_link(False, self._reason)

    def _renew(self) -> None:
        """Give up a connection that only looks alive."""
        self._log.warn("silence", f"the broker has acknowledged nothing for {self._patience_s:.0f} s; reconnecting")
        self._heard_s = time.monotonic()
        self._cut()

    def _cut(self) -> None:
        """paho's thread sees the end of the connection, and makes a new one."""
        with suppress(OSError, AttributeError):  # it has ended by itself
            self._client.socket().shutdown(socket.SHUT_RDWR)

    def _make(self) -> Any:
        client = make(self._settings, "", self._failed)
        client.max_inflight_messages_set(20)
        client.will_set(self._settings.topic("state"), _state(False), 1, True)
        client.on_socket_open = self._opened
        client.on_connect = self._connected
        client.on_connect_fail = lambda *_: self._unreached(unreached())
        client.on_disconnect = lambda client, userdata, flags, reason, properties: self._ended(ended(reason))
        client.on_publish = lambda client, userdata, mid, reason, properties: self._acknowledged.put(
            (mid, not reason.is_failure)
        )
        client.on_message = self._answered
        return client

    def _opened(self, client: Any, userdata: Any, sock: Any) -> None:
        at_once(client, userdata, sock)
        self._opened_s = time.monotonic()

    def _connected(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._opened_s = None
        if reason.is_failure:
            self._down(refused(str(reason), self._settings))
            return
        client.drop_out_messages()
        client.publish(self._settings.topic("state"), _state(True), 1, True)
        client.subscribe([(self._settings.topic(what), 1) for what in (ACKNOWLEDGE, SEEN, SIGN)])
        self._reason = ""
        self._number += 1
        self._up = True

    def _answered(self, client: Any, userdata: Any, message: Any) -> None:
        if not message.retain:  # an answer is said once; a kept one would come again with every connection
            self._on_answer(message.topic.rsplit("/", 1)[-1], message.payload)

    def _unreached(self, reason: str) -> None:
        """The first time why is asked of the port itself, in paho's thread, which has nothing else to do."""
        self._down(self._reason or explained(reason, self._settings))

    def _ended(self, reason: str) -> None:
        """One that was up has ended; one that never was is no broker's."""
        if self._up:
            self._down(reason)
        else:
            self._unreached(reason)

    def _failed(self, reason: str) -> None:
        self._log.warn("failure", reason)
        self._down(reason)

    def _down(self, reason: str) -> None:
        """The first reason counts: a refusal is followed by the end of the connection."""
        self._reason = self._reason or reason
        self._up = False


def _state(online: bool) -> str:
    return json.dumps({"online": online})
