"""Two more converter chips as a bus sees them: an MCP9600 or MCP9601 on I2C, and a MAX31865 with a platinum element.

For boards without hardware. Layouts: MCP9600's data sheet DS20005426C, sections 5.1.1 and 5.2.1; MAX31865's, 19-6478,
tables 9 and 12; what is marked M is from memory. Resistances by IEC 60751, all three terms.
"""

from collections.abc import Callable

from recorder.demo.devices.chips import Chip, Felt

CONVERSION_MS = 66
"""A MAX31865's longest for one measurement, at 50 Hz (M)."""

UPDATE_MS = 320
"""An MCP9600's for 18 bits (M)."""

A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
"""IEC 60751; the third only below 0 °C."""

_BIAS, _ONE_SHOT, _CLEAR = 0x80, 0x20, 0x02


def ratio(temp_c: float) -> float:
    """A platinum element's resistance over that at 0 °C."""
    below = C * (temp_c - 100) * temp_c**3 if temp_c < 0 else 0.0
    return 1 + A * temp_c + B * temp_c**2 + below


class Max31865(Chip):
    """A MAX31865 with an element such as "Pt1000-4" and a reference of 4.3 times its resistance at 0 °C."""

    phase = 1
    reference = 4.3

    def __init__(self, kind: str, feel: Callable[[], Felt]) -> None:
        super().__init__(kind, feel)
        self.measured = 0
        self.deaf = False
        """It takes no settings: the wire to its input is broken."""
        self.power_up()

    def power_up(self) -> None:
        """Its registers are those of the data sheet."""
        self._registers = bytearray(bytes.fromhex("0000 00FF FF00 0000"))
        self._begun_ms: int | None = None

    def answer(self, out: bytes, now_ms: int) -> bytes:
        """What it sends while `out` comes in."""
        if self._begun_ms is not None and now_ms - self._begun_ms >= CONVERSION_MS:
            self._measure(self._feel())
        first, rest = out[0] & 0x7F, len(out) - 1
        if not out[0] & 0x80:
            return b"\0" + bytes(self._registers[(first + at) % 8] for at in range(rest))
        for at, byte in enumerate(out[1:], first):
            if at in (0, 3, 4, 5, 6) and not self.deaf:
                self._registers[at] = byte
                if at == 0:
                    self._set(byte, now_ms)
        return bytes(len(out))

    def _set(self, byte: int, now_ms: int) -> None:
        if byte & _CLEAR:
            self._registers[7] = 0
            self._registers[0] &= ~_CLEAR
        self._begun_ms = now_ms if byte & _ONE_SHOT and byte & _BIAS else None

    def _measure(self, felt: Felt) -> None:
        code = round(ratio(felt.hot_c) / self.reference * 32768)
        code = {None: code, "open": 0x7FFF, "short": 0}[felt.fault]
        high, low = (int.from_bytes(self._registers[at : at + 2]) >> 1 for at in (3, 5))
        self._registers[7] |= (0x80 if code >= high else 0) | (0x40 if code <= low else 0)
        self._registers[1:3] = (code << 1 | bool(self._registers[7])).to_bytes(2)
        self._registers[0] &= ~_ONE_SHOT
        self._begun_ms = None
        self.measured += 1


class Mcp9600(Chip):
    """An MCP9600, which can't see an open circuit; with `finds_open` an MCP9601, which can."""

    finds_open = False

    def __init__(self, kind: str, feel: Callable[[], Felt]) -> None:
        super().__init__(kind, feel)
        self.there = True
        """Whether it answers at its address."""
        self.power_up()

    def power_up(self) -> None:
        """Its registers are those of the data sheet."""
        self._registers = {0x04: 0x00, 0x05: 0x00, 0x06: 0x00, 0x20: 0x41 if self.finds_open else 0x40}
        self._hot = 0
        self._next_ms: int | None = None

    def read(self, register: int, count: int, now_ms: int) -> bytes:
        """What stands there; raises `OSError` where it is silent."""
        self._pass(now_ms)
        if register == 0x00:
            return (self._hot & 0xFFFF).to_bytes(2)[:count]
        return bytes([self._registers[register]])

    def write(self, register: int, data: bytes, now_ms: int) -> None:
        """Set it; of the status only its upper bits can be, to 0."""
        self._pass(now_ms)
        if register == 0x04:
            self._registers[4] &= data[0] | 0x3F
        elif register in (0x05, 0x06):
            self._registers[register] = data[0]
            self._next_ms = now_ms + UPDATE_MS

    def _pass(self, now_ms: int) -> None:
        if not self.there:
            raise OSError("no answer")
        self._next_ms = now_ms + UPDATE_MS if self._next_ms is None else self._next_ms
        if now_ms < self._next_ms:
            return
        self._next_ms += (now_ms - self._next_ms) // UPDATE_MS * UPDATE_MS + UPDATE_MS
        felt = self._feel()
        kinds = {0x00: "K", 0x10: "J", 0x20: "T"}
        right = kinds.get(self._registers[5] & 0x70) == self._kind
        hot_c = felt.cold_c if felt.fault or not right else felt.hot_c
        self._hot = round(16 * hot_c)
        fault = {None: 0, "open": 0x10, "short": 0x20}[felt.fault] if self.finds_open else 0
        self._registers[4] = 0x40 | fault


class Mcp9601(Mcp9600):
    """An MCP9600 that also finds an open circuit."""

    finds_open = True


MORE_CHIPS = {"MAX31865": Max31865, "MCP9600": Mcp9600, "MCP9601": Mcp9601}
