"""Brokers and wires that misbehave: a scripted broker over a raw socket, and a proxy that cuts or freezes.

The broker speaks as much of MQTT 5 and 3.1.1 as the tests need (OASIS MQTT 5.0, sections 2.1 and 3; bytes from memory).
"""

import random
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress

CONNECT, PUBLISH, SUBSCRIBE, PINGREQ = 1, 3, 8, 12
NOT_AUTHORIZED = 135
"""Reason code of MQTT 5, 3.4.2.1."""


class Visit:
    """One connection of a client."""

    def __init__(self, broker: "ScriptedBroker", wire: socket.socket) -> None:
        self._broker, self._wire = broker, wire
        self.five = True

    def packets(self) -> Iterator[tuple[int, bytes, int]]:
        """What comes: kind, body and flags; ends with the connection, or when nothing came for 5 s."""
        self._wire.settimeout(5)
        with suppress(OSError):
            while first := self._wire.recv(1):
                length, shift = 0, 0
                while True:
                    digit = self._exactly(1)[0]
                    length |= (digit & 127) << shift
                    shift += 7
                    if digit < 128:
                        break
                yield first[0] >> 4, self._exactly(length), first[0] & 15

    def hello(self) -> None:
        """Take the connection: the first packet is read and answered."""
        kind, body, _ = next(self.packets())
        assert kind == CONNECT
        self.five = body[6] == 5
        self.send(b"\x20\x03\x00\x00\x00" if self.five else b"\x20\x02\x00\x00")

    def publishes(self) -> Iterator[tuple[int, str, str]]:
        """Token, topic and body of what is published at least once; all else is answered as it should be."""
        for kind, body, flags in self.packets():
            match kind:
                case 3:
                    size, once = int.from_bytes(body[:2]), flags & 6 == 0
                    topic, rest = body[2 : 2 + size].decode(), body[2 + size :]
                    token, rest = (0, rest) if once else (int.from_bytes(rest[:2]), rest[2:])
                    if self.five:
                        rest = rest[1 + rest[0] :]
                    self._broker.given.append(rest.decode())
                    if not once:  # at most once is not acknowledged
                        yield token, topic, rest.decode()
                case 8:
                    codes = bytes(3)
                    self.send(bytes((0x90, 2 + self.five + 3)) + body[:2] + (b"\x00" if self.five else b"") + codes)
                case 12:
                    self.send(b"\xd0\x00")

    def acknowledge(self, token: int, body: str, reason: int = 0) -> None:
        if reason == 0:
            self._broker.acknowledged.add(body)
        else:
            self._broker.refused.add(body)
        self.send(
            b"\x40\x04" + token.to_bytes(2) + bytes((reason, 0)) if self.five else b"\x40\x02" + token.to_bytes(2)
        )

    def send(self, data: bytes) -> None:
        with suppress(OSError):
            self._wire.sendall(data)

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part = self._wire.recv(count - len(data))
            if not part:
                raise OSError("the connection ended")
            data += part
        return data


Behaviour = Callable[[Visit], None]


class ScriptedBroker:
    """Behaves at each connection as the next of `script` says, and well once that is over."""

    def __init__(self, script: list[Behaviour]) -> None:
        self.script = script
        self.visits = 0
        self.given: list[str] = []
        """Bodies in the order in which they came, every time that they came."""
        self.acknowledged: set[str] = set()
        """Bodies, from just before the acknowledgement is sent."""
        self.refused: set[str] = set()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._thread = threading.Thread(target=self._serve, name="scripted-broker", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(10)

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                wire, _ = self._server.accept()
                behave = self.script[self.visits] if self.visits < len(self.script) else well
                self.visits += 1
                with wire, suppress(StopIteration, OSError, AssertionError):
                    behave(Visit(self, wire))


def well(visit: Visit) -> None:
    visit.hello()
    for token, _, body in visit.publishes():
        visit.acknowledge(token, body)


def no_answer(visit: Visit) -> None:
    """Takes the connection and drops it before the handshake."""


def accept_and_drop(visit: Visit) -> None:
    visit.hello()


def take_and_drop(visit: Visit) -> None:
    """Takes some messages, and drops the connection with none acknowledged."""
    visit.hello()
    for number, _ in enumerate(visit.publishes()):
        if number > 7:
            return


def some_and_drop(visit: Visit) -> None:
    """Acknowledges every other message, and drops the connection."""
    visit.hello()
    for number, (token, _, body) in enumerate(visit.publishes()):
        if number % 2:
            visit.acknowledge(token, body)
        if number > 20:
            return


def late(visit: Visit) -> None:
    """Acknowledges everything a while later, then drops the connection."""
    visit.hello()
    held: list[tuple[int, str]] = []
    for token, _, body in visit.publishes():
        held.append((token, body))
        if len(held) == 10:
            time.sleep(0.1)
            for each in held:
                visit.acknowledge(*each)
            return


def twice(visit: Visit) -> None:
    """Acknowledges each message three times, and some that it was never given."""
    visit.hello()
    for number, (token, _, body) in enumerate(visit.publishes()):
        for _ in range(3):
            visit.acknowledge(token, body)
        visit.send(b"\x40\x02" + (60_000 + number).to_bytes(2))
        if number > 20:
            return


def garbage(visit: Visit) -> None:
    """Answers each message with noise."""
    visit.hello()
    noise = random.Random(len(visit._broker.given) + visit._broker.visits)
    for number, _ in enumerate(visit.publishes()):
        visit.send(noise.randbytes(200))
        if number > 5:
            return


def unreadable(visit: Visit) -> None:
    """Packets whose frame is right and whose inside is not."""
    visit.hello()
    for _ in visit.publishes():
        visit.send(bytes((0x32, 6, 0, 2, 0xFF, 0xFE, 0, 1)))  # a topic that is no UTF-8
        visit.send(bytes((0x40, 4, 0, 1, 0x7B, 0)))  # a reason that there is not
        visit.send(bytes((0x40, 1, 0)))  # no token
        visit.send(bytes((0x20, 3, 0, 0, 9)))  # a second welcome, cut short
        visit.send(bytes((0x90, 0)))


def garbage_first(visit: Visit) -> None:
    """Is no broker at all."""
    next(visit.packets())
    visit.send(b"HTTP/1.1 400 Bad Request\r\n\r\n")


def mute(visit: Visit) -> None:
    """Takes everything, answers pings, and acknowledges nothing."""
    visit.hello()
    for _ in visit.publishes():
        pass


FAULTS: tuple[Behaviour, ...] = (
    no_answer, accept_and_drop, take_and_drop, some_and_drop, late, twice, garbage, unreadable, garbage_first, mute,
)  # fmt: skip


class Proxy:
    """A wire to a port of this machine that can be cut, or frozen: bytes are taken and go nowhere."""

    def __init__(self, port: int) -> None:
        self._far = port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._frozen: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._begin(self._serve)

    def cut(self) -> None:
        """End every connection at once."""
        for pair in self._pairs:
            for side in pair:
                with suppress(OSError):
                    side.shutdown(socket.SHUT_RDWR)
        self._pairs = []

    def freeze(self) -> None:
        """Every connection of now stays open and carries nothing any more; new ones are as they should be."""
        self._frozen.update(side for pair in self._pairs for side in pair)
        self._pairs = []

    def stop(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for side in self._frozen:
            with suppress(OSError):
                side.shutdown(socket.SHUT_RDWR)
        self.cut()
        for thread in self._threads:
            thread.join(5)

    def _begin(self, work: Callable[..., None], *about: socket.socket) -> None:
        self._threads.append(threading.Thread(target=work, args=about, name="proxy", daemon=True))
        self._threads[-1].start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._server.accept()
                try:
                    far = socket.create_connection(("127.0.0.1", self._far), 5)
                except OSError:
                    near.close()
                    continue
                self._pairs.append((near, far))
                self._begin(self._carry, near, far)
                self._begin(self._carry, far, near)

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with one:
            with suppress(OSError):
                while data := one.recv(65_536):
                    if one not in self._frozen:
                        other.sendall(data)
            with suppress(OSError):
                other.shutdown(socket.SHUT_RDWR)
