"""What is left when nothing can be recorded any more: the loudspeaker, the lamp, the log and systemd, at once.

It needs no record, no network and no driver, and nothing of it waits. Knows no cause.
"""

import logging
from pathlib import Path

from recorder import systemd
from recorder.core.effects import Cue, Tone
from recorder.voice.audio.speaker import Speaker

log = logging.getLogger(__name__)

NOT_RECORDING = "Nothing is recorded any more. Tell the manager."


class Lamp:
    """A light-emitting diode of the board, as the kernel shows it under /sys/class/leds. It commands nothing.

    The kernel itself makes it blink, so it goes on when the program has ended.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def blink(self) -> None:
        """Nothing is recorded; raises `OSError`."""
        (self._folder / "trigger").write_text("timer")

    def rest(self) -> None:
        """All is recorded: it is dark; raises `OSError`."""
        (self._folder / "trigger").write_text("none")
        (self._folder / "brightness").write_text("0")


class FailureNotice:
    """All that can warn the people at the station, as far as it is there."""

    def __init__(self, speaker: Speaker | None, lamp: Lamp | None) -> None:
        self._speaker = speaker
        self._lamp = lamp
        self._announced = False

    def rest(self) -> None:
        """Recording has begun."""
        self._light(False)

    def announce(self, reason: str) -> None:
        """Nothing is recorded any more: once, at once, over whatever the loudspeaker is saying."""
        if self._announced:
            return
        self._announced = True
        if self._speaker:
            self._speaker.interrupt(Cue(Tone.ALERT, NOT_RECORDING))
        self._light(True)
        log.critical("nothing is recorded any more: %s", reason)
        systemd.notify(f"STATUS=Nothing is recorded any more: {' '.join(reason.split())}")

    def _light(self, on: bool) -> None:
        if not self._lamp:
            return
        try:
            self._lamp.blink() if on else self._lamp.rest()
        except OSError as error:
            log.warning("the lamp can't be switched: %s; let this user write its files", error)
