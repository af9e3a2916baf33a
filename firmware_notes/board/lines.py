"""Lines of the protocol. It knows no chip and no clock."""

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

    def line(self, channel, value):
        """The next line of `channel`, with its end."""
        number = self._next.get(channel, 0)
        self._next[channel] = number + 1 if number < HIGHEST else 1
        said = f"{channel} {number} {value}"
        return f"{said} {checksum(said.encode()):04X}\n"
