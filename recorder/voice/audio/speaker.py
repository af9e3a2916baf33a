"""What the cook hears: a tone pattern for every cue, and spoken words where `espeak-ng` is installed.

Sound goes out through `aplay` (Debian package alsa-utils). A thread of its own plays one cue after the other, so that
nobody waits for it; a station without a speaker works, and says so once. Knows no rule and no record.
"""

import logging
import math
import shutil
import subprocess
import threading
from array import array
from collections import deque

from recorder.core.effects import Cue, Tone

log = logging.getLogger(__name__)

RATE = 22_050
"""Samples per second of the tones."""

PATTERNS: dict[Tone, tuple[tuple[int, int], ...]] = {
    Tone.DONE: ((880, 90), (1320, 140)),
    Tone.REFUSED: ((330, 180), (0, 60), (262, 320)),
    Tone.ASKS: ((660, 110), (0, 70), (660, 110), (0, 70), (990, 180)),
    Tone.ALERT: ((1760, 130), (0, 50), (1175, 130), (0, 50)) * 3,
    Tone.ANSWER: ((740, 120),),
}
"""Tone -> steps of frequency in Hz (0 is a rest) and length in ms."""

MOST_WAITING = 8
"""With more cues waiting, the oldest that is no alert is dropped: an old answer is worse than none."""

SLACK_S = 5.0
"""A program that takes so much longer than its sound lasts is ended: the ear is deaf meanwhile."""

CUT_S = 0.1
"""How long a program that was killed may take to be gone."""


class Speaker:
    """Plays cues in the order given."""

    def __init__(self, device: str = "default", player: str = "aplay", voice: str = "espeak-ng") -> None:
        """`device` is ALSA's name; `player` and `voice` are the programs to run."""
        self._device = device
        self._player = shutil.which(player)
        self._voice = shutil.which(voice)
        self._waiting: deque[Cue] = deque()
        self._change = threading.Condition()
        self._stopped = False
        self._cut = False
        self._child: subprocess.Popen[bytes] | None = None
        self._told = False
        self._talking = False
        self._thread = threading.Thread(target=self._run, name="speaker", daemon=True)
        if self._player is None:
            self._tell(f"{player} is not installed (apt install alsa-utils)")
        elif self._voice is None:
            log.info("%s is not installed: cues are tones without words (apt install espeak-ng)", voice)
        self._thread.start()

    def give(self, cue: Cue) -> None:
        """Play `cue` when its turn comes; returns at once."""
        with self._change:
            if len(self._waiting) >= MOST_WAITING:
                idle = next((old for old in self._waiting if old.tone is not Tone.ALERT), self._waiting[0])
                self._waiting.remove(idle)
            self._waiting.append(cue)
            self._change.notify()

    def interrupt(self, cue: Cue) -> None:
        """Play `cue` now: what sounds is cut off, and what waits is dropped. Returns at once."""
        with self._change:
            self._waiting.clear()
            self._waiting.append(cue)
            self._cut = True
            if self._child is not None:
                self._child.kill()
            self._change.notify()

    def talking(self) -> bool:
        """Whether sound is going out now; the ear is deaf meanwhile."""
        return self._talking

    def close(self, timeout_s: float = 30.0) -> None:
        """Play what waits, for at most `timeout_s`, then end, in the middle of a word if need be."""
        with self._change:
            self._stopped = True
            self._change.notify()
        self._thread.join(timeout_s)
        with self._change:
            self._waiting.clear()
        self._cut = True
        if self._child is not None:
            self._child.kill()
        self._thread.join(CUT_S)

    def _run(self) -> None:
        while True:
            with self._change:
                while not self._waiting and not self._stopped:
                    self._change.wait()
                if not self._waiting:
                    return
                cue = self._waiting.popleft()
                self._cut = False
            if self._player is not None:
                self._talking = True
                try:
                    self._play(cue)
                finally:
                    self._talking = False

    def _play(self, cue: Cue) -> None:
        player = [str(self._player), "-q", "-D", self._device]
        try:
            self._piped([*player, "-t", "raw", "-f", "S16_LE", "-r", str(RATE), "-c", "1"], tone_pcm(cue.tone))
            if cue.say and self._voice is not None:
                self._piped(player, self._piped([self._voice, "--stdout"], cue.say.encode()))
        except subprocess.CalledProcessError as error:
            lines = error.stderr.decode(errors="replace").strip().splitlines()
            self._tell(lines[-1] if lines else str(error))
        except (OSError, subprocess.TimeoutExpired) as error:
            self._tell(str(error))

    def _piped(self, command: list[str], given: bytes) -> bytes:
        """What the program makes of `given`, in not much more time than the sound lasts; `close` may end it before."""
        pipe = subprocess.PIPE
        child = self._child = subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe)
        if self._cut:
            child.kill()
        with child:
            try:
                made, errors = child.communicate(given, SLACK_S + len(given) / (2 * RATE))
            except BaseException:
                child.kill()
                raise
        if child.returncode and not self._cut:
            raise subprocess.CalledProcessError(child.returncode, command, made, errors)
        return made

    def _tell(self, why: str) -> None:
        if not self._told:
            self._told = True
            log.warning("no sound goes out: %s; the recorder goes on without", why)


def tone_pcm(tone: Tone) -> bytes:
    """The pattern of `tone`, mono 16-bit at `RATE`, with soft edges so that it does not click."""
    out = array("h")
    for hertz, length_ms in PATTERNS[tone]:
        count = RATE * length_ms // 1000
        edge = RATE // 200
        for at in range(count):
            loud = min(1.0, at / edge, (count - at) / edge)
            out.append(round(16_000 * loud * math.sin(2 * math.pi * hertz * at / RATE)))
    return out.tobytes()
