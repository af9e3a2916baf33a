"""How well the station hears: `python -m tests.bench.hearing [--noise DIR] [--speech DIR] [--half reporting]`.

Every sentence of the phrase file's corpus, after the station's name, in six synthetic voices, each in a room of its
own, clean and at 20 to 5 dB over noise, as continuous streams through the same ear that the station uses; then talk,
recorded human speech and noise without any command in them. Thresholds are tuned on the tuning half alone; figures are
quoted from the reporting half alone: other voices, other rooms, other noise recordings.
"""

import argparse
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from importlib.resources import files
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console

from recorder.config import load_procedure
from recorder.voice.audio.soundfile import RATE
from recorder.voice.ear import build
from recorder.voice.engines import Guess
from recorder.voice.language import phrases
from recorder.voice.language.own_words import with_own_words
from recorder.voice.settings import VoiceSettings
from tests.bench import memory, report, scene, sounds, tally
from tests.bench.scene import Stream
from tests.bench.tally import Listener, Outcome

SPEECH = Path("/usr/share/pocketsphinx/test/data")
"""Human speech: Debian package pocketsphinx-testdata."""

TALK_DB = 20
"""Synthetic talk is this far over the noise."""


@dataclass(frozen=True, slots=True)
class Bench:
    """One engine, one way of listening, one half of the material."""

    known: phrases.Phrases
    settings: VoiceSettings
    switch: bool
    """Whether a foot switch is held for each clip."""
    half: str
    dry: bool
    """Without the room's response."""
    every: int
    """Every so many sentences of the corpus are said."""
    noise: Path | None
    speech: Path
    noise_minutes: float

    @property
    def voices(self) -> Sequence[sounds.Voice]:
        return sounds.TUNING_VOICES if self.half == "tuning" else sounds.REPORTING_VOICES

    @property
    def name(self) -> str:
        return self.settings.spoken_name(self.known)

    @property
    def texts(self) -> list[str]:
        return [sentence.text for sentence in self.known.sentences()][:: self.every]

    def kitchen(self) -> list[sounds.Bed]:
        return sounds.noises(self.noise, self.half)

    def babble(self) -> list[sounds.Bed]:
        return [scene.babble(self.voices, self.half)]

    def commands(self, snr: str) -> Iterator[Stream]:
        """All sentences in all voices; `snr` is "clean" or dB."""
        texts = [(text, f"{self.name}, {text}" if self.name else text) for text in self.texts]
        yield from self._said(texts, None if snr == "clean" else float(snr))

    def alone(self) -> Iterator[tuple[str, Iterable[Stream]]]:
        """The trials that have no command in them."""
        yield "human speech", (Stream(sound, (), "") for sound in sounds.recordings(self.speech))
        yield "synthetic talk", self._said([(text, text) for text in sounds.TALK], TALK_DB)
        yield "kitchen noise", scene.noise_alone(self.kitchen(), self.noise_minutes, 3)
        yield "babble", scene.noise_alone(self.babble(), self.noise_minutes / 6, 4)

    def _said(self, texts: Sequence[tuple[str, str]], snr_db: float | None) -> Iterator[Stream]:
        beds = self.kitchen() + self.babble() if snr_db is not None else []
        rooms = scene.rooms(self.half, len(self.voices))
        for number, (voice, room) in enumerate(zip(self.voices, rooms, strict=True)):
            clips = [(label, sounds.speak(voice, text)) for label, text in texts]
            yield from scene.streams(clips, beds, snr_db, number, None if self.dry else room)

    def measure(self, snrs: Sequence[str], console: Console) -> tuple[dict[str, Any], list[Outcome]]:
        """All figures as the JSON file has them, and every outcome."""
        listener = Listener(build(self.known, self.settings), self.known, self.settings)
        kept: list[Outcome] = []

        def heard(kind: str, streams: Iterable[Stream]) -> tuple[list[Outcome], dict[str, float]]:
            outcomes: list[Outcome] = []
            cpu_s, audio_s = listener.cpu_s, listener.audio_s
            for stream in streams:
                outcomes += listener.hear(stream, kind, self.switch)
                minutes = (listener.audio_s - audio_s) / 60
                console.log(f"{self.settings.engine}, {kind}: {minutes:.0f} min heard") if console.is_terminal else None
            kept.extend(outcomes)
            cpu_s, audio_s = listener.cpu_s - cpu_s, listener.audio_s - audio_s
            return outcomes, {"audio_s": audio_s, "cpu_s_per_hour": cpu_s * 3600 / audio_s if audio_s else 0.0}

        conditions: list[dict[str, Any]] = []
        trials: list[dict[str, Any]] = []
        for snr in snrs:
            outcomes, cost = heard(snr, self.commands(snr))
            beds = sorted({outcome.bed for outcome in outcomes} - {""})
            by_noise = {
                bed: dict(tally.count(self.known, [each for each in outcomes if each.bed == bed], held=self.switch))
                for bed in beds
            }
            late = tally.lateness(outcomes)
            figures = dict(tally.count(self.known, outcomes, held=self.switch))
            times = {"median": tally.percentile(late, 50), "p95": tally.percentile(late, 95)} if late else None
            conditions.append({"snr": snr, **figures, "late_ms": times, **cost, "by_noise": by_noise})
        for kind, streams in self.alone():
            outcomes, cost = heard(kind, streams)
            if cost["audio_s"]:
                accepted = sum(outcome.hearing.accepted for outcome in outcomes)
                near = sum(not each.hearing.accepted and (self.switch or each.hearing.near) for each in outcomes)
                rates = tally.rates(accepted, cost["audio_s"] / 3600)
                trials.append({"kind": kind, "utterances": len(outcomes), "near": near, **rates, **cost})
        whole: dict[str, Any] = {
            "engine": self.settings.engine,
            "listening": "switch" if self.switch else self.settings.listening,
            "name": self.name,
            "half": self.half,
            "room": not self.dry,
            "noise": str(self.noise) if self.noise else "made",
            "sentences": len(self.texts),
            "voices": [str(voice) for voice in self.voices],
            "conditions": conditions,
            "alone": trials,
        }
        return whole, kept

    def sample(self, snr: str) -> bytes:
        """75 s of commands, if there are so many, and a minute of noise: what memory is measured with."""
        talk = np.concatenate([stream.sound for stream in islice(self.commands(snr), 15)])[: 75 * RATE]
        noise = next(scene.noise_alone(self.kitchen(), 3 * len(self.kitchen()), 5)).sound
        return sounds.to_pcm(np.concatenate([talk, noise]))


def dumped(outcome: Outcome) -> str:
    """One line of JSON."""
    clip, heard = outcome.clip, outcome.hearing
    row = {"kind": outcome.kind, "bed": outcome.bed, "said": clip.label if clip else None, "reason": heard.reason}
    return json.dumps(row | {"accepted": heard.accepted, "late_ms": outcome.late_ms, "guess": dict(outcome.guess)})


def parse_arguments() -> argparse.Namespace:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--engine", default=VoiceSettings().engine, help="name of a recogniser, or several: a,b")
    options.add_argument("--listening", choices=("name", "switch", "open"), default="name")
    options.add_argument("--half", choices=("tuning", "reporting"), default="reporting")
    options.add_argument("--snr", default="clean,20,15,10,5", help="list of dB, or clean")
    options.add_argument("--every", type=int, default=1, help="take every Nth sentence only")
    options.add_argument("--noise", type=Path, help="folder of WAV noise; without it, noise is made")
    options.add_argument("--noise-minutes", type=float, default=60, help="how long to listen to noise alone")
    options.add_argument("--speech", type=Path, default=SPEECH, help="folder of unrelated human speech")
    options.add_argument("--dry", action="store_true", help="no room around the voices")
    options.add_argument("--suppression", type=int, help="level of noise suppression")
    options.add_argument("--phrases", type=Path, help="another phrase file")
    options.add_argument("--name", help="another station's name")
    options.add_argument("--curve", metavar="FIELD", help="a number of the guess, such as score: figures as it moves")
    options.add_argument("--json", type=Path, help="write all figures here")
    options.add_argument("--dump", type=Path, help="write every guess as JSON lines here, for choosing thresholds")
    options.add_argument("--wrong", action="store_true", help="list what was taken for something else")
    args = options.parse_args()
    for snr in args.snr.split(","):
        if snr != "clean" and not snr.removeprefix("-").isdecimal():
            options.error(f'--snr: {snr!r} is not understood; write whole dB or "clean", as in clean,20,10')
    numbers = {"score"} | {each.name for each in fields(Guess)}
    if args.curve and args.curve not in numbers:
        options.error(f"--curve: a guess has no {args.curve!r}; it has {', '.join(sorted(numbers))}")
    if args.every < 1 or args.noise_minutes <= 0:
        options.error("--every and --noise-minutes must be more than nothing")
    return args


def main() -> None:
    args = parse_arguments()
    if absent := sounds.missing_programs():
        raise SystemExit(f"the bench needs {' and '.join(absent)}: apt install {' '.join(absent)}")
    text = args.phrases.read_text() if args.phrases else files("recorder").joinpath("share/phrases-en.toml").read_text()
    procedure = load_procedure(None)
    known = with_own_words(phrases.load(text).for_loads_of(procedure.pieces_per_load), procedure.own)
    console = Console(stderr=True)
    snrs = args.snr.split(",")
    written, rows = [], []
    for engine in args.engine.split(","):
        settings = VoiceSettings(engine=engine, listening=args.listening, name=args.name)
        if args.suppression is not None:
            settings = replace(settings, front_end=replace(settings.front_end, noise_suppression=args.suppression))
        switch = args.listening == "switch"
        if switch and settings.spoken_name(known):  # where the product has no such mode: no name, and one utterance
            whole = replace(settings.front_end, silence_ms=60_000, longest_ms=60_000)
            settings = replace(settings, listening="open", front_end=whole)
        options = (args.dry, args.every, args.noise, args.speech, args.noise_minutes)
        bench = Bench(known, settings, switch, args.half, *options)
        figures, outcomes = bench.measure(snrs, console)
        figures["peak_memory_mb"] = memory.peak_mb(settings, text, bench.sample(snrs[-1]))
        if args.curve:
            hours = {trial["kind"]: trial["audio_s"] / 3600 for trial in figures["alone"]}
            after_name = bool(bench.name)
            figures["curve"] = tally.curve(known, outcomes, args.curve, after_name, snrs, hours)
        report.show(figures)
        for each in outcomes if args.wrong else ():
            if each.clip and each.hearing.accepted and each.hearing.intent != known.parse(each.clip.label):
                print(f"wrong at {each.kind}, {each.bed}: {each.clip.label!r} taken for {each.hearing.text!r}")
        written.append(figures)
        rows += [dumped(outcome) for outcome in outcomes if outcome.guess]
    if args.json:
        args.json.write_text(json.dumps(written, indent=1) + "\n")
    if args.dump:
        args.dump.write_text("".join(f"{row}\n" for row in rows))


if __name__ == "__main__":
    main()
