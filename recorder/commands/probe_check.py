"""The command `probe-check`: the needle in an ice bath or in boiling water, for who stands at a keyboard."""

import signal
import threading
from collections.abc import Sequence
from typing import Annotated

import typer
from rich.text import Text

from recorder import oneshot
from recorder.commands.shared import Config, fail, real, terminal
from recorder.config import load
from recorder.core import meanings as m
from recorder.core.batch import Verdict
from recorder.core.effects import Cue, Effect, Tone
from recorder.core.events import NEEDLE, Event, ProbeLost, Reading
from recorder.core.limits import temp_text
from recorder.core.station import State
from recorder.driver import DriverLost
from recorder.thermal.reach import THICK_LAG_S

app = typer.Typer()

HOW = {"ice": m.ICE_POINT, "boiling": m.BOILING_POINT}

ADVICE = {
    "ice": "Wash and sanitise the needle. Fill a cup with crushed ice, then with water; stir. Hold the needle in the"
    " middle, away from the cup.",
    "boiling": "Wash and sanitise the needle. Hold it in water at a full boil, away from the pot's wall. Steam scalds:"
    " stay beside the pot, with a dry glove. Keep water and the wet needle away from hot oil.",
}
"""Common practice; your probe's maker and your local code come first."""

STYLES = {Tone.DONE: "bold green", Tone.ALERT: "bold red", Tone.REFUSED: "bold red"}


@app.command("probe-check")
def probe_check(
    bath: Annotated[str, typer.Argument(metavar="BATH", help="ice or boiling.")],
    config: Config,
) -> None:
    """Check the needle in a bath and record it. Exit 1 if it failed or did not settle.

    Stop the recorder first. While it runs, say "ice point" or "boiling point" to it instead.
    """
    if bath not in HOW:
        fail(f"{bath!r} is not a bath; use one of {', '.join(HOW)}")
    console, stop = terminal(), threading.Event()
    before = signal.signal(signal.SIGINT, lambda *_: stop.set())
    try:
        settings = load(config)
        real(settings)
        unit = settings.procedure.unit
        console.print(ADVICE[bath])
        with console.status("Waiting for the needle to settle ...") as status:

            def watch(event: Event, state: State, effects: Sequence[Effect]) -> None:
                match event:
                    case Reading(channel=channel, temp_c=temp_c) if channel == NEEDLE:
                        status.update(Text(f"{temp_text(temp_c, unit)}, {'settled' if event.settled else 'moving'}"))
                    case ProbeLost(channel=channel, reason=reason) if channel == NEEDLE:
                        status.update(Text(f"The needle is lost: {reason}"))

            def give(cue: Cue) -> None:
                if cue.say != "Recorder started.":
                    console.print(cue.say, style=STYLES.get(cue.tone))

            check, probe = oneshot.check_probe(settings, HOW[bath], give, watch, stop)
    except DriverLost as error:
        fail(f'{error}\nIf the recorder runs, it has the probe: say "ice point" or "boiling point" to it.')
    finally:
        signal.signal(signal.SIGINT, before)
    if check and (lag_s := probe.lag_s()):
        console.print(probe.slowed() or _learned(lag_s), style="bold red" if probe.slowed() else None)
    if check is None or check.verdict is not Verdict.PASSED:
        raise typer.Exit(1)


def _learned(lag_s: float) -> str:
    """What to do with the lag that the bath showed."""
    said = f"The needle's lag is {lag_s:.1f} s."
    if lag_s >= THICK_LAG_S:
        return f"{said} So slow a needle settles late or never; use one of 1.6 mm or less."
    return f"{said} With needle_lag_s = {lag_s:.1f} in the station file it settles more surely."
