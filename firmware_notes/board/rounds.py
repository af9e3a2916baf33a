"""Who is due, and when the watchdog may be fed. It knows no chip and no pin; the time is given to it."""

from time import ticks_add, ticks_diff

from lines import Lines, note

SLACK_MS = 20
"""A channel that is later than this is not hurried: its chip needs the whole period to measure."""

NOTES_MS = 60_000
"""The board says this often what it is: nobody may have listened before."""
FIRST_NOTES_MS = 2_000
"""And at first so long after the start: a recorder needs a second or two to find the port again."""
TIMES = 1 << 32
"""Board time begins again at 0 after this less 1."""


class Channel:
    def __init__(self, name, chip, period_ms):
        self.name, self.chip, self.period_ms = name, chip, period_ms
        self.due_ms = 0


class Rounds:
    """Serves each channel once a period, with a value or a fault word: it never falls silent."""

    def __init__(self, channels, say, feed, now_ms, timed=False, about=lambda: ()):
        """`say(line)` sends, `feed()` feeds the watchdog. The chips have just begun to measure.

        `timed`: lines have the board's time. `about()` is what the board says of itself: words, and what they say.
        """
        self._channels, self._say, self._feed = channels, say, feed
        self._lines = Lines()
        self._served = set()
        self._timed, self._about = timed, about
        self._up_ms, self._last_ms, self._notes_ms = 0, now_ms, FIRST_NOTES_MS
        for channel in channels:
            channel.due_ms = ticks_add(now_ms, channel.period_ms)

    def turn(self, now_ms):
        """Serve who is due; how many ms there are until the next one is. Feeds once all have been served."""
        self._up_ms = (self._up_ms + ticks_diff(now_ms, self._last_ms)) % TIMES
        self._last_ms = now_ms
        if (self._up_ms - self._notes_ms) % TIMES < TIMES // 2:
            self._notes_ms = (self._up_ms + NOTES_MS) % TIMES
            for word, said in self._about():
                self._say(note(word, said))
        for channel in self._channels:
            late_ms = ticks_diff(now_ms, channel.due_ms)
            if late_ms >= 0:
                self._say(self._lines.line(channel.name, channel.chip.value(), self._up_ms if self._timed else None))
                channel.due_ms = ticks_add(channel.due_ms if late_ms <= SLACK_MS else now_ms, channel.period_ms)
                self._served.add(channel.name)
        if len(self._served) == len(self._channels):
            self._feed()
            self._served.clear()
        return max(0, min(ticks_diff(channel.due_ms, now_ms) for channel in self._channels))
