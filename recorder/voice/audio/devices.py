"""Which microphones ALSA knows, by `arecord --list-devices` (Debian package alsa-utils)."""

import os
import re
import subprocess
from dataclasses import dataclass

from recorder.driver import DriverUnavailable

CARD = re.compile(r"card \d+: (?P<card>\S+) \[(?P<name>[^\]]*)\], device (?P<device>\d+): (?P<what>[^\[]*)")

WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class Device:
    """One capture device."""

    alsa: str
    """As [voice] names it, by card, so that it stays the same in whatever order cards are found."""
    name: str
    """As a person knows it."""


def capture_devices() -> list[Device]:
    """The microphones that there are; raises `DriverUnavailable` without the program."""
    try:
        told = subprocess.run(
            ["arecord", "--list-devices"],
            capture_output=True,
            text=True,
            timeout=WAIT_S,
            check=False,
            env={**os.environ, "LC_ALL": "C"},
        ).stdout
    except (OSError, subprocess.TimeoutExpired) as error:
        raise DriverUnavailable(f"arecord can't list the microphones ({error}); apt install alsa-utils") from error
    return [
        Device(f"plughw:CARD={found['card']},DEV={found['device']}", f"{found['name']}, {found['what'].strip()}")
        for found in CARD.finditer(told)
    ]
