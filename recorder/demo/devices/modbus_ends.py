"""The far ends of a simulated Modbus line: pymodbus' server at a port of its own, or at the far end of a pty."""

import asyncio
import os
import tty
from contextlib import suppress
from pathlib import Path
from typing import Any

from recorder.demo.devices.serial_board import alone

LOOK_S = 0.002
"""How often a port that nobody has open is looked at."""


class TcpEnd:
    """pymodbus' server at a port of its own."""

    def __init__(self, server: Any) -> None:
        self._server = server

    def heard(self) -> bool:
        """Whether anybody is connected."""
        return bool(self._server.active_connections)

    def write(self, data: bytes) -> None:
        """Say this to all."""
        for connection in list(self._server.active_connections.values()):
            connection.transport.write(data)

    async def shutdown(self) -> None:
        """Take no more connections, let those come in that are being accepted, and break all off.

        Python 3.11 forgets to close a connection whose listener is closed while it is accepted.
        """
        for listener in self._server.transport.sockets:
            asyncio.get_running_loop().remove_reader(listener.fileno())
        await asyncio.sleep(0.005)
        for connection in list(self._server.active_connections.values()):
            connection.transport.abort()
        await self._server.shutdown()


class PtyEnd:
    """pymodbus' server at the far end of a pty, whose near end is a serial port for the driver."""

    def __init__(self, server: Any, path: Path) -> None:
        self._loop = asyncio.get_running_loop()
        self._path = path
        self._protocol = server.callback_new_connection()
        self._board, far = os.openpty()
        os.set_blocking(self._board, False)
        tty.setraw(far)
        path.symlink_to(os.ttyname(far))
        os.close(far)
        self._protocol.connection_made(self)
        self._look()

    def heard(self) -> bool:
        """Whether anybody has the port open."""
        return not alone(self._board)

    def write(self, data: bytes) -> None:
        """As asyncio's transports; what nobody reads is lost."""
        with suppress(OSError):
            os.write(self._board, data)

    def close(self) -> None:
        """As asyncio's transports."""
        self._loop.remove_reader(self._board)
        os.close(self._board)
        self._board = -1

    async def shutdown(self) -> None:
        """The port is gone."""
        self._path.unlink()
        self._protocol.close()

    def _look(self) -> None:
        """Read what has come; while nobody has the port open, which a pty reports without end, look again later."""
        if self._board < 0:
            return
        self._loop.remove_reader(self._board)
        try:
            while data := os.read(self._board, 4096):
                self._protocol.data_received(data)
        except BlockingIOError:
            self._loop.add_reader(self._board, self._look)
        except OSError:
            self._loop.call_later(LOOK_S, self._look)
