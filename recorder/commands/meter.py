"""The level meter of `check`: listens to a microphone for a moment and draws how loud it is."""

import math
import threading

from rich.console import Console
from rich.live import Live
from rich.text import Text

from recorder.voice.audio.audio_health import Measure, measure
from recorder.voice.audio.microphone import BYTES_PER_SECOND
from recorder.voice.audio.sources import Source

OPENING_BYTES = BYTES_PER_SECOND // 2
"""Left out: many a device clicks when it is opened."""

LISTEN_BYTES = 3 * BYTES_PER_SECOND
"""Time enough to say a command."""

GLANCE_BYTES = BYTES_PER_SECOND // 2
"""What the moving meter shows: the newest half second."""

LOWEST_DB = -60
"""Left end of the bar; the right end is full scale."""

CELL_DB = 3
"""What one cell of the bar stands for."""

STEP_DB = -90
"""One step of 16 bits: nothing can be quieter."""

QUIET_DB = -30
"""With no peak above this either nobody spoke or the level is low. Measured with the sphinx engine on the clips of
share/voices, turned down: 35 of 35 heard right with peaks at -20 dBFS, 27 at -30."""

COLOURS = {"█+": "green", "▒+": "yellow", "·+": "dim"}
"""The bar can be read without them."""


def listen(source: Source, console: Console) -> Measure:
    """What 3 s of sound are like; a meter moves meanwhile where there is a terminal.

    Raises `DriverLost` and `DriverUnavailable`.
    """
    stop, pcm = threading.Event(), bytearray()
    with Live(console=console, transient=True, auto_refresh=False) as screen:
        for block in source.blocks(stop):
            pcm += block
            glance = bytes(pcm[OPENING_BYTES:][-GLANCE_BYTES:])
            if console.is_terminal and len(glance) == GLANCE_BYTES:
                screen.update(coloured(f"Say a command, as loud as at work.\n{line(measure(glance))}"), refresh=True)
            if len(pcm) >= OPENING_BYTES + LISTEN_BYTES:
                stop.set()
    return measure(bytes(pcm[OPENING_BYTES:]))


def line(sound: Measure) -> str:
    """Bar and figures: solid up to the background, lighter up to the loudest peak, dots up to full scale."""
    cells = -LOWEST_DB // CELL_DB
    background, peak = _cells(sound.background_db), _cells(sound.peak_db)
    bar = "█" * background + "▒" * (peak - background) + "·" * (cells - max(background, peak))
    return f"▕{bar}▏ background {_figure(sound.background_db)}, loudest {_figure(sound.peak_db)} dBFS"


def coloured(text: str) -> Text:
    """`text` as it is, with the bars in it coloured."""
    shown = Text(text)
    for cells, colour in COLOURS.items():
        shown.highlight_regex(cells, colour)
    return shown


def remark(sound: Measure) -> str:
    """What is to be said of sound that is in no trouble."""
    if sound.peak_db < QUIET_DB:
        return "sounds clean but quiet; if somebody spoke, turn its level up (alsamixer)"
    return "sounds well"


def _cells(level_db: float) -> int:
    """Cells up to this level; a level that is on the bar at all has one."""
    return math.ceil((max(level_db, LOWEST_DB) - LOWEST_DB) / CELL_DB)


def _figure(level_db: float) -> str:
    return str(round(max(level_db, STEP_DB)))
