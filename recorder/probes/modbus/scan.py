"""Which devices answer on a Modbus line, and what temperatures their first registers could be. It only ever reads."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import product

from recorder.probes.kinds import Offer, Search
from recorder.probes.modbus.line import Line
from recorder.probes.modbus.probe import TIMEOUT_S, ModbusSettings
from recorder.probes.modbus.registers import KINDS, Register
from recorder.probes.plausible import HIGHEST_C, LOWEST_C
from recorder.probes.probe import CHANNELS

ROOM_C = 25.0

FIRST = 8
"""So many registers of each kind are looked at, from address 0."""

WAYS = (
    ("int16", "big", 1.0),
    ("int16", "big", 0.1),
    ("int16", "big", 0.01),
    ("float32", "big", 1.0),
    ("float32", "little", 1.0),
    ("int32", "big", 0.1),
    ("int32", "little", 0.1),
)
"""Type, word order and scale that transmitters have (common practice, no source)."""

BYTE_ORDERS = ("big", "little")

LEAST_C = 0.05
"""Nearer to zero than this a guess says nothing: it is what an unused register, or the wrong type, looks like."""


@dataclass(frozen=True, slots=True)
class Guess:
    """One way to read a register that gives a temperature."""

    register: Register
    """As it would be configured; its channel is a guess too."""
    temp_c: float


@dataclass(frozen=True, slots=True)
class FoundDevice:
    """A device that answered."""

    device: int
    """Its address on the line."""
    words: dict[str, tuple[int, ...]]
    """Kind -> what its first registers have, from address 0, as 16 bits each; none where it has no such registers."""
    guesses: tuple[Guess, ...]
    """Which of them may be temperatures in °C, and how."""

    def likeliest(self) -> Guess | None:
        """The guess that is nearest to a room's temperature, as the probes should be while somebody looks for them."""
        return min(self.guesses, key=lambda guess: abs(guess.temp_c - ROOM_C), default=None)


def scan(port: str, devices: Iterable[int], baud: int, timeout_s: float = 0.2) -> list[FoundDevice]:
    """The devices of `devices` (addresses from 1 to 247) that answer at `port`; a serial one has 8N1 and this `baud`.

    Each that does not costs `timeout_s`. Raises `DriverLost`, `DriverUnavailable`, `ValueError` for a senseless port.
    """
    with Line(port, baud, "N", 1, timeout_s) as line:
        return [found for device in devices if (found := _found(line, device))]


REMARK = (
    "A guess: of each device the reading nearest to a room's, taken for °C. Its manual knows better, and knows the"
    " unit. What else there could be:"
)


def offers(search: Search) -> list[Offer]:
    """All devices of the line in one offer, since a port can be opened once; and what else their registers could be."""
    found = scan(search.bus, search.addresses, search.baud, search.timeout_s)
    likely = [guess.register for each in found if (guess := each.likeliest())]
    if not likely:
        return []
    names = [name for name in CHANNELS if name != "vat"]  # which is the same as "vat1"
    registers = tuple(replace(each, channel=name) for each, name in zip(likely, names, strict=False))
    timeout_s = max(search.timeout_s, TIMEOUT_S)
    settings = ModbusSettings("modbus", search.bus, registers, search.baud, timeout_s=timeout_s)
    remarks = (REMARK, *(line for each in found for line in _in_words(each)))
    return [Offer(settings, remarks, {"unit": 'or "F"; write what the manual says'})]


def _in_words(found: FoundDevice) -> Iterator[str]:
    if not found.guesses:
        yield f"device {found.device}: nothing like a temperature"
        return
    yield f"device {found.device}:"
    for guess in found.guesses:
        made = guess.register
        order = f", {made.word_order} word first" if made.words > 1 else ""
        order += ", bytes swapped" if made.byte_order == "little" else ""
        shown = f"{guess.temp_c:6.1f} °C or {guess.temp_c:.1f} °F"
        yield f"    {shown}: {made.kind} {made.address}, {made.type}{order}, scale {made.scale:g}"


def _found(line: Line, device: int) -> FoundDevice | None:
    words: dict[str, tuple[int, ...]] = {}
    for kind in KINDS:
        read = _words(line, device, kind)
        if read is None:
            return None
        words[kind] = read
    guesses = (guess for kind in KINDS for guess in _guesses(device, kind, words[kind]))
    return FoundDevice(device, words, tuple(guesses))


def _words(line: Line, device: int, kind: str) -> tuple[int, ...] | None:
    """The first registers, as many as there are; None where the device does not answer."""
    found: list[int] = []
    for count in (FIRST, *[1] * FIRST):
        answer = line.read(device, kind, len(found), count)
        if answer.trouble or not answer.data:
            return None
        if len(answer.data) > 1:
            found += [int.from_bytes(answer.data[at : at + 2]) for at in range(0, len(answer.data), 2)]
        if len(found) == FIRST or (len(answer.data) == 1 and count == 1):
            break
    return tuple(found)


def _guesses(device: int, kind: str, words: tuple[int, ...]) -> Iterator[Guess]:
    for address in range(len(words)):
        for (type_, order, scale), bytes_ in product(WAYS, BYTE_ORDERS):
            if bytes_ == "little" and type_ != "float32":  # of an integer almost any swap looks like a temperature
                continue
            register = Register("needle", device, address, kind, type_, order, scale, unit="C", byte_order=bytes_)
            if address + register.words > len(words):
                continue
            data = b"".join(word.to_bytes(2) for word in words[address : address + register.words])
            temp_c = register.raw(data) * scale
            if LOWEST_C <= temp_c <= HIGHEST_C and abs(temp_c) >= LEAST_C:
                yield Guess(register, temp_c)
