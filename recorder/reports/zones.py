"""Time zones by name, and this machine's own."""

import os
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


def zone(name: str | None) -> tzinfo:
    """The time zone of this name, or this machine's; raises `ValueError`."""
    try:
        return ZoneInfo(name) if name else here()
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise ValueError(f"{name!r} is no time zone; write it like Europe/Madrid or UTC") from error


def here() -> tzinfo:
    """This machine's time zone, with its summer time; where it does not say, how far it is from UTC today."""
    name = os.environ.get("TZ", "").removeprefix(":")
    try:
        if name:
            return ZoneInfo(name)
        with Path("/etc/localtime").open("rb") as rules:
            return ZoneInfo.from_file(rules)
    except (OSError, ValueError, ZoneInfoNotFoundError):
        return datetime.now(UTC).astimezone().tzinfo or UTC
