"""What a board's lines say beside the temperature: what the board is, and when it measured. Pure; no clock of ours."""

import re

from recorder.probes.source import Taken

TIMES = 1 << 32
"""Board times go from 0 to this less 1, in milliseconds, and begin again at 0."""

SHUFFLED_MS = 1_000
"""A board may send its lines so far out of the order of their times; a time that falls farther is of a new start."""

VERSION = "1."
"""Of the protocol: what a later 1.x adds can be passed over."""

KNOWN = ("protocol", "board", "firmware", "reset", "lost")
"""What a board may say of itself; of any other word nothing is kept."""

NOTE = re.compile(rb"# ([a-z]+) ([!-~]+(?: [!-~]+)*) ([0-9A-F]{4})")
"""A line about the board itself: a word, what there is to say of it, and the checksum."""


class BoardTimes:
    """A board's times, their wraps undone, and its starts counted."""

    def __init__(self) -> None:
        self._run = 0
        self._newest_ms: int | None = None

    def started(self) -> None:
        """The board has started again, or may have."""
        self._run += 1
        self._newest_ms = None

    def taken(self, board_ms: int) -> Taken:
        """When a line with this time was measured; the times of one run never wrap."""
        newest_ms = self._newest_ms
        if newest_ms is not None:
            step_ms = (board_ms - newest_ms + TIMES // 2) % TIMES - TIMES // 2
            if step_ms < -SHUFFLED_MS:
                self.started()
            else:
                board_ms = newest_ms + step_ms
        self._newest_ms = max(self._newest_ms or board_ms, board_ms)
        return Taken(board_ms, self._run)
