"""Lines of the protocol, version 1.1, and their way out. It knows no chip and no clock."""

HIGHEST = 65_535


def checksum(data):
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF; 0x29B1 for b"123456789"."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


class Lines:
    """Counts each channel's lines: 0 after power-up, then 1 to 65535, then 1 again."""

    def __init__(self):
        self._next = {}

    def line(self, channel, value, at_ms=None):
        """The next line of `channel`, with its end; `at_ms`: when it was measured, by the board's time."""
        number = self._next.get(channel, 0)
        self._next[channel] = number + 1 if number < HIGHEST else 1
        return _whole(f"{channel} {number} {value}" + ("" if at_ms is None else f" @{at_ms}"))


def note(word, said):
    """A line about the board itself, with its end."""
    return _whole(f"# {word} {said}")


class Outgoing:
    """Lines on their way: those that nobody takes wait, and of too many the oldest are lost."""

    ROOM = 64
    """About 10 s of the shipped settings, 4 kB."""

    def __init__(self, write, ready):
        """`write(line)` sends; `ready()` says whether it would do so without waiting."""
        self._write, self._ready = write, ready
        self._waiting = []
        self.lost = 0
        """Lines that were never sent."""

    def say(self, line):
        """Send it, or let it wait."""
        self._waiting.append(line)
        if len(self._waiting) > self.ROOM:
            self._waiting.pop(0)
            self.lost += 1
        self.flush()

    def flush(self):
        """Send what can be sent; whether something still waits."""
        while self._waiting and self._ready():
            self._write(self._waiting.pop(0))
        return bool(self._waiting)


def _whole(said):
    return f"{said} {checksum(said.encode()):04X}\n"
