"""Lines for a log: one each, `key=value`, as journald and log collectors read them.

Under systemd each line begins with its level as in sd-daemon(3), and journald has the time; elsewhere both stand in it.
"""

import json
import logging
import os
import re
import sys
from datetime import datetime
from typing import TextIO

from recorder.console.lines import Line
from recorder.core.effects import Level

PRIORITY = {Level.INFO: 6, Level.WARNING: 4, Level.CRITICAL: 2}
"""syslog's numbers (RFC 5424, table 2)."""

LEVELS = {Level.INFO: logging.INFO, Level.WARNING: logging.WARNING, Level.CRITICAL: logging.CRITICAL}


def text(line: Line) -> str:
    """One line of `key=value`; a value with more than letters, digits and .:/+- in it is quoted as in JSON."""
    pairs = (("what", line.what), *line.fields, ("text", line.text))
    return " ".join(f"{key}={_value(value)}" for key, value in pairs if value is not None)


def _value(value: object) -> str:
    """What others wrote may have signs in it that a terminal would obey: then all but ASCII stands as escapes."""
    word = str(value)
    return (
        word if re.fullmatch(r"[\w.:/+-]+", word, re.ASCII) else json.dumps(word, ensure_ascii=not word.isprintable())
    )


class Plain:
    """Writes lines, and what the program logs, to one stream."""

    def __init__(self, stream: TextIO = sys.stderr) -> None:
        self._stream = stream
        self._journald = "JOURNAL_STREAM" in os.environ

    def show(self, line: Line) -> None:
        """Write one line."""
        if self._journald:
            head = f"<{PRIORITY[line.level]}>"
        else:
            head = f"{datetime.now().astimezone().isoformat(timespec='milliseconds')} level={line.level.value} "
        self._stream.write(f"{head}{text(line)}\n")
        self._stream.flush()
