"""What the board says of itself, as notes of the protocol. It knows no pin."""

from binascii import hexlify

import machine

CAUSES = (
    ("PWRON_RESET", "power-on"),
    ("WDT_RESET", "watchdog"),
    ("HARD_RESET", "pin"),
    ("SOFT_RESET", "software"),
)
"""Names in `machine`, of which a port may lack some, and the protocol's words for them."""


def cause():
    """Why the board started last."""
    found = machine.reset_cause()
    return next((word for name, word in CAUSES if getattr(machine, name, None) == found), "unknown")


FACTS = (
    ("protocol", "1.1"),
    ("board", hexlify(machine.unique_id()).decode().upper()),
    ("firmware", "kitchen 1.1"),
    ("reset", cause()),
)
