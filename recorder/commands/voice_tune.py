"""`voice-tune`: thresholds from a minute of the site's own noise and, if the cook wants, ten spoken commands."""

import threading
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from recorder import config
from recorder.commands.shared import Unusable, fail, terminal
from recorder.driver import DriverLost
from recorder.voice.audio.frontend import FrontEnd
from recorder.voice.audio.microphone import BYTES_PER_SECOND
from recorder.voice.audio.soundfile import read_wav
from recorder.voice.audio.sources import source
from recorder.voice.ear import build
from recorder.voice.engines import Guess, Recogniser
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import Judgement, VoiceSettings
from recorder.voice.tuning import Take, accepted, tuned

app = typer.Typer()

NOISE_S, TAKE_S, TAKES = 60, 5, 10

WINDOW_BYTES = 3 * BYTES_PER_SECOND
"""Noise is also put to the recogniser in pieces as long as a command, whether or not a voice was detected in it."""

WRITTEN = ("named", "score", "lead", "weakest", "stray_ms", "word_ms")


@app.command("voice-tune")
def voice_tune(
    station: Annotated[Path, typer.Option("--config", metavar="FILE", help="The station's configuration.")],
    noise: Annotated[
        Path | None, typer.Option(metavar="WAV", help="A recording of the noise, instead of the microphone.")
    ] = None,
    said: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="WAV", help="A recorded command, named after its words (batch-start.wav); repeat for each."
        ),
    ] = None,
    commands: Annotated[bool, typer.Option(help="Ask for ten commands.")] = True,
    write: Annotated[bool, typer.Option("--write", help="Write the thresholds into the configuration.")] = False,
) -> None:
    """Fit the hearing thresholds to this site, from a minute of its noise and ten commands."""
    console = terminal()
    try:
        settings = config.load(station)
        if settings.voice is None:
            raise Unusable(f"{station} has no [voice] table; write one, such as [voice] alone on a line")
        if write and settings.voice.thresholds:
            raise Unusable(f"{station} has thresholds already; remove [voice.thresholds...] and their lines first")
        known, voice = settings.phrases, settings.voice
        recogniser = build(known, voice)
        sounds = read_wav(noise) if noise else _listen(voice, console, "Let the kitchen run and say nothing", NOISE_S)
        heard = list(_guesses(recogniser, voice, sounds))
        windows = range(0, len(sounds) - WINDOW_BYTES + 1, WINDOW_BYTES)
        heard += filter(None, (recogniser.recognise(sounds[at : at + WINDOW_BYTES]) for at in windows))
        asked = commands and noise is None
        takes = list(
            _recorded(recogniser, voice, known, said)
            if said
            else _asked(recogniser, voice, known, console)
            if asked
            else ()
        )
    except OSError as error:
        fail(error)
    old = voice.judgement()
    new = tuned(old, voice.engine, heard, takes, known)
    console.print(_table(old, new))
    for what, judgement in (("as shipped", old), ("as proposed", new)):
        right = sum(accepted(judgement, take.guess, known) == take.meant for take in takes)
        false = sum(accepted(judgement, guess, known) is not None for guess in heard)
        console.print(
            f"{what}: {right} of {len(takes)} commands heard right, {false} of {len(heard)} noises taken for one"
        )
    if any(not accepted(new, take.guess, known) and accepted(old, take.guess, known) for take in takes):
        console.print("The noise sounds too much like a command: use a headset with a boom, or a foot switch.")
    if new == old:
        console.print("No change is needed.")
    elif not write:
        console.print("Nothing was written; --write puts the proposed ones into the configuration.")
    else:
        _put(station, _toml(new))
        console.print(f"Written to {station}. Restart the recorder.")


def _listen(voice: VoiceSettings, console: Console, what: str, seconds: int) -> bytes:
    console.print(f"{what} ({seconds} s) ...")
    stop, pcm = threading.Event(), bytearray()
    try:
        for block in source(voice.device).blocks(stop):
            pcm += block
            if len(pcm) >= seconds * BYTES_PER_SECOND:
                stop.set()
    except DriverLost as error:
        raise Unusable(f"microphone {voice.device}: {error}; arecord -l lists what there is") from error
    return bytes(pcm)


def _guesses(recogniser: Recogniser, voice: VoiceSettings, pcm: bytes) -> Iterator[Guess]:
    front_end = FrontEnd(voice.front_end)
    for utterance in (*front_end.feed(pcm), *front_end.finish()):
        if utterance.ended and utterance.pcm and (guess := recogniser.recognise(utterance.pcm)):
            yield guess


def _take(recogniser: Recogniser, voice: VoiceSettings, known: Phrases, text: str, pcm: bytes) -> Take:
    meant = known.parse(text)
    if meant is None:
        raise Unusable(
            f"{text!r} is no sentence of the phrase file; name the file as its words, such as batch-start.wav"
        )
    return Take(meant, max(_guesses(recogniser, voice, pcm), key=lambda guess: guess.score, default=None))


def _recorded(recogniser: Recogniser, voice: VoiceSettings, known: Phrases, files: list[Path]) -> Iterator[Take]:
    for file in files:
        yield _take(recogniser, voice, known, file.stem.replace("-", " "), read_wav(file))


def _asked(recogniser: Recogniser, voice: VoiceSettings, known: Phrases, console: Console) -> Iterator[Take]:
    texts = {sentence.intent.meaning: sentence.text for sentence in known.sentences()}
    for text in list(texts.values())[:: max(1, len(texts) // TAKES)][:TAKES]:
        console.input(
            Text.assemble("\nEnter, then say: ", (f"{voice.spoken_name(known)}, {text}".lstrip(", "), "bold"), " ")
        )
        yield _take(recogniser, voice, known, text, _listen(voice, console, "Listening", TAKE_S))


def _table(old: Judgement, new: Judgement) -> Table:
    table = Table("sentences", "threshold", "now", "proposed", box=None, pad_edge=False)
    for kind in ("plain", "numbered"):
        for name in ("named", "score"):
            before, after = getattr(getattr(old, kind), name), getattr(getattr(new, kind), name)
            words = {"plain": "without a number", "numbered": "with a number"}[kind]
            least = {"named": "station's name", "score": "sentence"}[name]
            table.add_row(
                words, least, f"{before:.2f}", Text(f"{after:.2f}", "bold") if before != after else "the same"
            )
    return table


def _put(station: Path, lines: str) -> None:
    """Append to the configuration; it is whole at every moment."""
    whole = station.with_suffix(".new")
    whole.write_text(station.read_text("utf-8") + lines, "utf-8")
    whole.replace(station)


def _toml(judgement: Judgement) -> str:
    lines = ["", "# Fitted to this site by `batch-recorder voice-tune`.", "[voice.thresholds]"]
    lines.append(f"rival_lead = {judgement.rival_lead}")
    for kind in ("plain", "numbered"):
        measure = asdict(getattr(judgement, kind))
        lines += [f"[voice.thresholds.{kind}]", *(f"{name} = {measure[name]}" for name in WRITTEN)]
    return "\n".join(lines) + "\n"
