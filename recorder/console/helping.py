"""What can be typed at a running station, as lines for who typed "help". Pure."""

from collections.abc import Iterator, Sequence

from recorder.console.lines import Line
from recorder.core.limits import listed
from recorder.core.meanings import CAN_SAY, WHAT_NEXT
from recorder.probes.simulated import HOW
from recorder.voice.language.phrases import Phrases

HELP = "help"


def help_lines(phrases: Phrases, simulated: Sequence[str], switch: bool) -> Iterator[Line]:
    """What can be typed; `simulated` are the channels of simulated probes, `switch` whether F2 is a foot switch."""
    yield _line("type what a cook would say; numbers may be digits. The Tab key shows what can follow")
    asked = [
        sentence.text
        for meaning in (CAN_SAY, WHAT_NEXT)
        for sentence in phrases.sentences()
        if sentence.intent.meaning == meaning
    ]
    if asked:
        yield _line(f"ask the station: {listed([repr(each) for each in asked])}")
    if simulated:
        yield _line(f"{HOW}; CHANNEL is {', '.join(simulated)}")
    if switch:
        yield _line("F2 is the foot switch: press it, speak, press it again")
    yield _line("Ctrl-C ends the program; the records stay. `batch-recorder phrases` lists all sentences")


def _line(text: str) -> Line:
    return Line("help", HELP, text)
