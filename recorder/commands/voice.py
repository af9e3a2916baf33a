"""Commands about hearing: `hear`, `phrases` and `voice-model install`."""

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from recorder import config
from recorder.card.html import html
from recorder.card.layout import DISTANCE_M, PAPER, PAPERS, CardError, sheets
from recorder.card.metrics import LetterError
from recorder.card.pdf import pdf
from recorder.commands.replacing import Force, refuse_card
from recorder.commands.shared import fail, json_line, terminal
from recorder.core.events import Intent
from recorder.errors import why
from recorder.printable import printable
from recorder.voice.audio.soundfile import read_wav
from recorder.voice.audio.speaker import PATTERNS
from recorder.voice.ear import Ear, Hearing, build
from recorder.voice.engines import model
from recorder.voice.engines.pronunciation import pronouncer
from recorder.voice.language.card import Card, Kitchen, card
from recorder.voice.language.confusable import MeasuredError, pairs, read_measured
from recorder.voice.language.own_words import with_own_words
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import VoiceSettings

app = typer.Typer()

NO_BREAK = "\u00a0"
"""Keeps a number on one line of the printed card; on a terminal it would be an escape."""
voice_model = typer.Typer(help="The model of the vosk engine.")
app.add_typer(voice_model, name="voice-model")

MODELS = Path.home() / ".local/share/batch-recorder/models"

ConfigPath = Annotated[
    Path | None, typer.Option("--config", metavar="FILE", help="Station file whose phrases and voice settings count.")
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON object per line.")]


@app.command()
def hear(
    wavs: Annotated[list[Path], typer.Argument(metavar="WAV", help="Sound files; 16 kHz mono 16-bit is best.")],
    as_json: AsJson = False,
    station: ConfigPath = None,
) -> None:
    """Show what the station would hear in sound files."""
    known, settings = _setup(config.load(station) if station else None)
    console = terminal(soft_wrap=True)
    ear: Ear | None = None
    for wav in wavs:
        sound = read_wav(wav)  # before the model, which takes seconds
        ear = ear or Ear(build(known, settings), known, settings)
        found = [_row(wav, hearing) for hearing in ear.hear([sound])]
        for row in found:
            if as_json:
                typer.echo(json_line(row))
            else:
                console.print(_line(row), markup=False)
        if not found and not as_json:
            console.print(f"{wav}: no voice in it", markup=False)


@app.command("phrases")
def show_phrases(
    samples: Annotated[
        bool, typer.Option("--samples", help="Every kind of sentence once, instead of the card.")
    ] = False,
    confusable: Annotated[
        bool,
        typer.Option("--confusable", help="Sentences that do different things and sound alike, the closest first."),
    ] = False,
    most: Annotated[int, typer.Option(metavar="N", min=1, help="With --confusable: how many pairs.")] = 20,
    measured: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="With --confusable: what python -m tests.bench.hearing dumped, one JSON object per line.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the card for the wall to this file, by its ending a .pdf or .html."),
    ] = None,
    paper: Annotated[str, typer.Option(metavar="SIZE", help=f"With --out: {', '.join(PAPERS)}.")] = PAPER,
    distance_m: Annotated[
        float,
        typer.Option(
            "--distance", metavar="M", min=0.5, max=20, help="With --out: from how far the commands are to be read."
        ),
    ] = DISTANCE_M,
    as_json: AsJson = False,
    station: ConfigPath = None,
    force: Force = False,
) -> None:
    """Print the command card for the wall, every kind of sentence, or the sentences that sound most alike."""
    if measured and not confusable:
        fail(MeasuredError("--measured goes with --confusable"))
    if out is None and (paper, distance_m) != (PAPER, DISTANCE_M):
        fail(CardError("--paper and --distance go with --out"))
    loaded = config.load(station) if station else None
    known, settings = _setup(loaded)
    if confusable:
        _print_confusable(known, most, measured, as_json)
        return
    name = settings.spoken_name(known)
    if not samples:
        shown = card(known, name, _kitchen(loaded))
        if out:
            _write_card(shown, out, paper, distance_m, loaded.station if loaded else "", force)
        elif as_json:
            typer.echo(json_line(asdict(shown)))
        else:
            _print_card(shown)
        return
    for sentence in known.sentences():
        say = f"{name} {sentence.text}".strip()
        row = {"say": say, "intent": sentence.intent.meaning, "slots": slots(sentence.intent)}
        typer.echo(json_line(row) if as_json else printable(say))


@voice_model.callback()
def about_voice_model() -> None:
    """The model of the vosk engine."""


@voice_model.command()
def install(
    given: Annotated[
        Path | None, typer.Option("--from", metavar="ZIP", help="The zip file, if there is no network.")
    ] = None,
    to: Annotated[Path, typer.Option(metavar="DIR", help="Folder that holds models.")] = MODELS,
) -> None:
    """Download the small English model from its publisher, check it and unpack it."""
    path = model.install(to, given)
    typer.echo(f'installed {path}\nset in the configuration, under [voice]:\nengine = "vosk"\nmodel = "{path}"')


def slots(intent: Intent) -> dict[str, Any]:
    """What was named in the sentence: {"part": "thigh", "count": 12}."""
    return {key: value for key, value in asdict(intent).items() if key != "meaning" and value is not None}


def _setup(loaded: config.Settings | None) -> tuple[Phrases, VoiceSettings]:
    if loaded is None:
        return with_own_words(config.load_phrases(None), config.load_procedure(None).own), VoiceSettings()
    return loaded.phrases, loaded.voice or VoiceSettings()


def _kitchen(loaded: config.Settings | None) -> Kitchen:
    """What the card has of this station; without one, of the shipped example with one vat."""
    procedure, *others = (loaded.procedure, *loaded.products) if loaded else (config.load_procedure(None),)
    return Kitchen(
        vats=loaded.vats if loaded else (1,),
        parts=tuple(dict.fromkeys(part.name for each in (procedure, *others) for part in each.parts)),
        pieces=max(each.pieces_per_load for each in (procedure, *others)),
        temperature=round(procedure.parts[0].target.value),
        ice=32 if procedure.unit == "F" else 0,
        ask_first=procedure.ask_first,
    )


def _write_card(shown: Card, out: Path, paper: str, distance_m: float, station: str, force: bool) -> None:
    """Write the card as the file's name ends; an earlier card is replaced."""
    writers: dict[str, Callable[..., bytes]] = {".pdf": pdf, ".html": lambda *pages: html(*pages).encode()}
    if out.suffix.lower() not in writers:
        fail(CardError(f"{out} is neither .pdf nor .html; end its name in one of them"))
    if paper not in PAPERS:
        fail(CardError(f"--paper is {paper!r}; write one of {', '.join(PAPERS)}"))
    if not force:
        refuse_card(out)
    notes = {str(tone): steps for tone, steps in PATTERNS.items()}
    try:
        pages = sheets(shown, notes, paper, distance_m, f"{shown.name} {station}".strip())
        out.write_bytes(writers[out.suffix.lower()](*pages))
    except LetterError as error:
        fail(error)
    except OSError as error:
        fail(f"{out} can't be written: {why(error)}; choose another file with --out")
    number = "one sheet" if len(pages) == 1 else "two sheets"
    typer.echo(f"wrote {out}: {number} of {paper}, its commands to be read at {distance_m:g} m")


def _row(wav: Path, hearing: Hearing) -> dict[str, Any]:
    return {
        "file": str(wav),
        "start_ms": hearing.start_ms,
        "end_ms": hearing.end_ms,
        "text": hearing.text,
        "intent": hearing.intent.meaning if hearing.intent else None,
        "slots": slots(hearing.intent) if hearing.intent else {},
        "accepted": hearing.accepted,
        "reason": hearing.reason or None,
    }


def _line(row: dict[str, Any]) -> str:
    where = f"{row['file']} {row['start_ms'] / 1000:.1f}-{row['end_ms'] / 1000:.1f} s"
    if row["accepted"]:
        named = " ".join(f"{key}={value}" for key, value in row["slots"].items())
        return f"{where}: {row['text']}  ->  {row['intent']} {named}".rstrip()
    return f"{where}: refused, {row['reason']}"


def _print_card(shown: Card) -> None:
    console = terminal()
    console.print(shown.first, style="bold", markup=False)
    for title, lines in shown.groups:
        table = Table(title=title, title_justify="left", title_style="bold", show_header=False, box=None)
        table.add_column(no_wrap=True, min_width=38)
        table.add_column()
        for line in lines:
            table.add_row(" ".join([line.text, *line.adds]), line.does)
        console.print()
        console.print(table)
    for title, rows in ((shown.slots_title, shown.slots), (shown.wrong_title, shown.wrong)):
        console.print(f"\n{title}", style="bold", markup=False)
        for what, text in rows:
            console.print(f"{what}: {text}".replace(NO_BREAK, " "), markup=False)
    console.print()
    for caution in shown.cautions:
        console.print(caution, markup=False)


def _print_confusable(known: Phrases, most: int, measured: Path | None, as_json: bool) -> None:
    try:
        counts = read_measured(measured.read_text("utf-8")) if measured else {}
        shown = pairs(known, pronouncer(known), counts)[:most]
    except (UnicodeDecodeError, MeasuredError) as error:
        fail(MeasuredError(f"{measured}: {error}"))
    except OSError as error:
        fail(error)
    if as_json:
        for pair in shown:
            typer.echo(json_line(asdict(pair) | {"distance": round(pair.distance, 3)}))
        return
    table = Table(box=None, pad_edge=False)
    table.add_column("apart", justify="right")
    if measured:
        table.add_column("confused", justify="right")
    table.add_column("say")
    table.add_column("sounds like")
    for pair in shown:
        times = [str(pair.measured)] if measured else []
        table.add_row(
            f"{pair.distance:.2f}", *times, _marked(pair.first, pair.words[0]), _marked(pair.second, pair.words[1])
        )
    console = terminal()
    console.print("Sentences that do different things and sound alike, the closest first (0 is the same sound).")
    console.print()
    console.print(table)


def _marked(sentence: str, words: str) -> Text:
    """`sentence` with the words that make the difference in bold."""
    text = Text(sentence)
    if words:
        at = f" {sentence} ".find(f" {words} ")
        text.stylize("bold", at, at + len(words))
    return text
