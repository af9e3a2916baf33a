"""Data packed by the method 1 of RNC, in which the play's lines are packed. For the benches alone."""

SIGN, HEADER = b"RNC\x01", 18

Codes = dict[tuple[int, int], int]
"""(length in bits, code) -> value."""


class _Bits:
    """Bits, the lowest of each word of 16 first, and whole bytes that stand between the words."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data + bytes(4), HEADER
        self._held = self._count = 0

    def take(self, count: int) -> int:
        while self._count < count:
            self._held |= int.from_bytes(self._data[self._at : self._at + 2], "little") << self._count
            self._at, self._count = self._at + 2, self._count + 16
        value = self._held & ((1 << count) - 1)
        self._held, self._count = self._held >> count, self._count - count
        return value

    def plain(self, size: int) -> bytes:
        """Bytes as they stand: they follow the word that is being read."""
        if self._at + size > len(self._data):
            raise ValueError("the packed data ends too soon")
        self._at += size
        return self._data[self._at - size : self._at]

    def coded(self, codes: Codes) -> int:
        code = 0
        for length in range(1, 17):
            code |= self.take(1) << (length - 1)
            if (length, code) in codes:
                value = codes[length, code]
                return value if value < 2 else self.take(value - 1) | 1 << (value - 1)
        raise ValueError("no code fits")


def unpacked(data: bytes) -> bytes:
    """What was packed; `data` itself where it is not. Raises `ValueError`."""
    if data[:4] != SIGN:
        return data
    size, blocks = int.from_bytes(data[4:8], "big"), data[17]
    bits, out = _Bits(data), bytearray()
    bits.take(2)
    for _ in range(blocks):
        raw, places, lengths = (_codes(bits) for _ in range(3))
        for left in range(bits.take(16), 0, -1):
            out += bits.plain(bits.coded(raw)) if raw else b""
            if left > 1:
                back, length = bits.coded(places) + 1, bits.coded(lengths) + 2
                for _ in range(length):
                    out.append(out[-back])
    if len(out) != size:
        raise ValueError(f"{len(out)} bytes came out, and {size} should")
    return bytes(out)


def _codes(bits: _Bits) -> Codes:
    """A table of codes, the shortest first, each written from its highest bit."""
    lengths = [bits.take(4) for _ in range(bits.take(5))]
    codes: Codes = {}
    code = 0
    for length in range(1, 17):
        for value, its in enumerate(lengths):
            if its == length:
                codes[length, int(f"{code >> (16 - length):0{length}b}"[::-1], 2)] = value
                code += 1 << (16 - length)
    return codes
