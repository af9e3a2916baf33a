"""Who is due, and when the watchdog may be fed. It knows no chip and no pin; the time is given to it."""

from time import ticks_add, ticks_diff

from lines import Lines

SLACK_MS = 20
"""A channel that is later than this is not hurried: its chip needs the whole period to measure."""


class Channel:
    def __init__(self, name, chip, period_ms):
        self.name, self.chip, self.period_ms = name, chip, period_ms
        self.due_ms = 0


class Rounds:
    """Serves each channel once a period, with a value or a fault word: it never falls silent."""

    def __init__(self, channels, say, feed, now_ms):
        """`say(line)` sends, `feed()` feeds the watchdog. The chips have just begun to measure."""
        self._channels, self._say, self._feed = channels, say, feed
        self._lines = Lines()
        self._served = set()
        for channel in channels:
            channel.due_ms = ticks_add(now_ms, channel.period_ms)

    def turn(self, now_ms):
        """Serve who is due; how many ms there are until the next one is. Feeds once all have been served."""
        for channel in self._channels:
            late_ms = ticks_diff(now_ms, channel.due_ms)
            if late_ms >= 0:
                self._say(self._lines.line(channel.name, channel.chip.value()))
                channel.due_ms = ticks_add(channel.due_ms if late_ms <= SLACK_MS else now_ms, channel.period_ms)
                self._served.add(channel.name)
        if len(self._served) == len(self._channels):
            self._feed()
            self._served.clear()
        return max(0, min(ticks_diff(channel.due_ms, now_ms) for channel in self._channels))
