"""Modbus registers to temperatures and faults. Pure: no line, no clock.

A register has 16 bits and no type: what they mean is in the device's manual, and here in a `Register`.
"""

import math
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from recorder.misfits import Wrong, choice, refuse
from recorder.probes.plausible import Plausible
from recorder.probes.source import Chunk, Fault, Found, Reader

KINDS = {"input": 4, "holding": 3}
"""Kind of register -> the function code that reads it. There are no other function codes in this program."""

TYPES = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
"""Type of a value -> its layout as `struct` has it, high word first."""

MOST = 125
"""Registers in one request: the answer must fit into a frame of 256 bytes (Modbus application protocol)."""

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, not done yet",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "device behind the gateway does not answer",
}
"""Exception codes of the Modbus application protocol, as records name them."""


@dataclass(frozen=True, slots=True)
class Register:
    """One temperature on a Modbus device: where it stands and how it is to be read."""

    channel: str
    """What it measures, as the configuration names channels."""
    device: int
    """The device's address on the line, 1 to 247."""
    address: int
    """As it goes over the wire, from 0. Many manuals count from 1: their 30001 (input) and 40001 (holding) are 0."""
    kind: str = "input"
    """ "input" (a manual's 3xxxx) or "holding" (4xxxx)."""
    type: str = "int16"
    """One of `TYPES`; those of 32 bits take the register at `address` and the next."""
    word_order: str = "big"
    """Of 32 bits: "big" when the high word comes first, "little" when the low word does."""
    scale: float = 0.0
    """What one unit of the value is worth, such as 0.1, by the device's manual; it must be given."""
    offset: float = 0.0
    """Added after scaling."""
    unit: str = ""
    """ "C" or "F", by the device's manual or its setting; it must be given."""
    faults: tuple[int, ...] = ()
    """Values, before scaling, that mean a fault; integers also as bits, such as 0x8000. NaN and infinity always do."""
    byte_order: str = "big"
    """Within each register: "big" by the standard, "little" for devices that swap the two bytes.

    Of a 32-bit value ABCD, high byte first, word and byte order together give ABCD (big, big), CDAB (little, big),
    BADC (big, little) and DCBA (little, little).
    """

    def __post_init__(self) -> None:
        refuse(self._wrong())

    def _wrong(self) -> Iterator[Wrong]:
        if not 1 <= self.device <= 247:
            yield "device", f"is {self.device}; write its address on the line, 1 to 247"
        if self.kind not in KINDS:
            yield "kind", f'is {self.kind!r}; write "input" or "holding"'
        if self.type not in TYPES:
            yield "type", choice(self.type, TYPES)
        elif not 0 <= self.address <= 0x10000 - self.words:
            yield "address", f"is {self.address}; write it from 0 to 65535, without the manual's leading 3 or 4"
        for key in ("word_order", "byte_order"):
            if (order := getattr(self, key)) not in ("big", "little"):
                yield key, f'is {order!r}; write "big" or "little"'
        if not self.scale:
            yield "scale", "is missing, or 0; write what the manual says that 1 in the register is, such as 0.1"
        for key in ("scale", "offset"):
            if not math.isfinite(getattr(self, key)):
                yield key, "is no finite number; write one, such as 0.1"
        if not self.unit:
            yield "unit", 'is missing, and a register does not say it; write unit = "C" or "F" by the manual'
        elif self.unit not in ("C", "F"):
            yield "unit", f'is {self.unit!r}; write "C" or "F"'
        if odd := [fault for fault in self.faults if type(fault) is not int]:
            yield "faults", f"has {odd[0]!r}; write whole numbers, such as [32767]"
        elif self.type in TYPES and self.type != "float32":
            bits = 16 * self.words
            if impossible := [each for each in self.faults if not -(1 << (bits - 1)) <= each < 1 << bits]:
                yield "faults", f"has {impossible[0]}, which {self.type} can't be; write what the register has then"

    @property
    def words(self) -> int:
        """How many registers it takes."""
        return struct.calcsize(TYPES[self.type]) // 2

    @property
    def where(self) -> str:
        """Its name in chunks: "17/input/8"."""
        return f"{self.device}/{self.kind}/{self.address}"

    def raw(self, data: bytes) -> int | float:
        """The value before scaling in `data`, the registers' bytes in network order.

        Of a float32 its 7 digits and no more: a device that says 165.2 must not come out as 165.19999695.
        """
        ordered = data if self.word_order == "big" else data[2:] + data[:2]
        if self.byte_order == "little":
            ordered = bytes(ordered[at ^ 1] for at in range(len(ordered)))
        value: int | float = struct.unpack(TYPES[self.type], ordered)[0]
        return float(f"{value:.7g}") if self.type == "float32" else value

    def faulty(self, raw: float) -> bool:
        """Whether this value, before scaling, means a fault."""
        if isinstance(raw, float):
            return not math.isfinite(raw) or raw in self.faults
        return any((raw - fault) % (1 << (16 * self.words)) == 0 for fault in self.faults)


@dataclass(frozen=True, slots=True)
class Block:
    """Registers that one request reads: of one device and kind, and without a gap."""

    registers: tuple[Register, ...]
    """In the order of their addresses."""

    @property
    def device(self) -> int:
        """The address of the device that has them."""
        return self.registers[0].device

    @property
    def kind(self) -> str:
        """ "input" or "holding", as all of them are."""
        return self.registers[0].kind

    @property
    def address(self) -> int:
        """Of the first."""
        return self.registers[0].address

    @property
    def count(self) -> int:
        """How many registers it takes."""
        return self.registers[-1].address + self.registers[-1].words - self.address

    def part(self, register: Register, data: bytes) -> bytes:
        """Those bytes of the whole answer's `data` that are of `register`."""
        begin = 2 * (register.address - self.address)
        return data[begin : begin + 2 * register.words]


def blocks(registers: Iterable[Register]) -> list[Block]:
    """The fewest requests that read all of `registers` and nothing else. Raises `ValueError` where two overlap."""
    found: list[Block] = []
    for register in sorted(registers, key=lambda each: (each.device, each.kind, each.address)):
        last = found[-1] if found else None
        if last and (last.device, last.kind) == (register.device, register.kind):
            end = last.address + last.count
            if register.address < end:
                channels = f"{last.registers[-1].channel!r} and {register.channel!r}"
                raise ValueError(f"channels {channels} have the same register {register.where}")
            if register.address == end and last.count + register.words <= MOST:
                found[-1] = Block((*last.registers, register))
                continue
        found.append(Block((register,)))
    return found


class RegisterReader(Reader):
    """A reader of registers. Modbus does not number its answers: two that are equal are two measurements.

    A chunk's `where` is a register's; its data are the register's bytes, or one byte: the code of an exception, or
    none: the device did not answer. Bytes that are no answer have for `where` what is wrong with them.
    """

    def __init__(self, registers: Iterable[Register]) -> None:
        super().__init__()
        self._registers = {register.where: register for register in registers}
        self._plausible = Plausible()

    def read(self, chunk: Chunk) -> list[Found]:
        """What the register says, if it says anything."""
        register = self._registers.get(chunk.where)
        if register and not chunk.data:
            self.missed += 1
            return []
        made = self._made(register, chunk.data) if register else chunk.where
        return self.counted(made)

    def reopened(self) -> None:
        """Nothing goes on from one answer to the next."""

    def _made(self, register: Register, data: bytes) -> Found | str:
        if len(data) == 1:
            return Fault(register.channel, f"exception {data[0]}: {EXCEPTIONS.get(data[0], 'not of the protocol')}")
        if len(data) != 2 * register.words:
            return "wrong length"
        raw = register.raw(data)
        if register.faulty(raw):
            return Fault(register.channel, f"probe fault ({raw})")
        return self._plausible.judge(register.channel, raw * register.scale + register.offset, register.unit)
