"""Reports to systemd how the daemon is: ready, alive, stopping. Does nothing where systemd did not start it.

The protocol is sd_notify(3): one datagram to the socket named in NOTIFY_SOCKET, which may be abstract ("@...").
"""

import os
import socket


def notify(message: str) -> bool:
    """Send `message`, such as "READY=1"; False when nobody listens, or it can't be sent."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
            sock.sendto(message.encode(errors="replace"), address)
    except OSError:
        return False
    return True


def watchdog_s() -> float | None:
    """How often to send "WATCHDOG=1": half of what the unit allows; None without a watchdog."""
    allowed_us = os.environ.get("WATCHDOG_USEC", "")
    return int(allowed_us) / 2_000_000 if allowed_us.isdigit() and int(allowed_us) else None
