"""Who listens at a simulated board's port."""

import serial

from recorder.demo.devices.serial_board import SimulatedFirmware


class Listener(serial.Serial):
    """Has the board's port open and hears all that it says."""

    def __init__(self, board: SimulatedFirmware) -> None:
        super().__init__(board.port, timeout=2)
        self._board, self._heard = board, board.sent

    def heard(self) -> bytes:
        """What the board has said since the last time; a pty takes a moment to bring it."""
        said = b"".join(self.readline() for _ in range(self._board.sent - self._heard))
        self._heard = self._board.sent
        return said
