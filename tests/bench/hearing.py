"""How well the station hears: `python -m tests.bench.hearing [--noise DIR] [--speech DIR] [--half reporting]`.

Every sentence of the phrase file's corpus, after the station's name, in six synthetic voices, clean and at 20 and 10 dB
over noise, as continuous streams through the same ear that the station uses. Prints right, rejected and wrong, and how
often unrelated speech is taken for a command. Thresholds are tuned on the tuning half alone; figures are quoted from
the reporting half alone: other voices, other noise recordings.
"""

import argparse
import json
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from recorder.voice import phrases
from recorder.voice.ear import Ear, Hearing, build, numbered
from recorder.voice.engines import Guess
from recorder.voice.settings import VoiceSettings
from tests.bench import sounds
from tests.bench.sounds import Placed, Sound

SPEECH = Path("/usr/share/pocketsphinx/test/data")
"""Human speech: Debian package pocketsphinx-testdata."""

TALK = (
    "we need two more trays of biscuits before the lunch rush",
    "did you see the game last night it went to overtime",
    "tell the driver to park behind the building next to the bins",
    "the kitchen is too hot today somebody open the back door",
    "i put the recorder in the drawer under the counter",
    "can you start the fries and then take out the rubbish",
    "she has worked here for seven years and she never comes late",
    "there are twelve people waiting and only one of them has paid",
    "hold the door for me please my hands are full",
    "my sister bought a new car and it broke down after one week",
    "what time does the next bus leave from the station",
    "the manager wants the floor mopped before we close tonight",
)
"""Unrelated talk for the synthetic voices, with words of the trade in it."""


class Listener(Ear):
    """The station's ear, keeping every guess beside its judgement, for choosing thresholds."""

    guess: Guess | None = None

    def _refusal(self, guess: Guess, intent: Any) -> tuple[str, bool]:
        self.guess = guess
        return super()._refusal(guess, intent)


def outcomes(
    ear: Listener, streams: Iterator[tuple[Sound, list[Placed]]]
) -> Iterator[tuple[Placed | None, Hearing, Guess | None]]:
    """Each utterance with the clip that it lies on, if any; and each clip that nothing was heard of, as a refusal."""
    for whole, placed in streams:
        left = list(placed)
        ear.guess = None
        pcm = sounds.to_pcm(whole)
        for hearing in ear.hear(pcm[at : at + 3200] for at in range(0, len(pcm), 3200)):
            on = max(placed, key=lambda clip: overlap(clip, hearing), default=None)
            if on is not None and overlap(on, hearing) <= 0:
                on = None
            if on in left:
                left.remove(on)
            yield on, hearing, ear.guess
            ear.guess = None
        for clip in left:
            yield clip, Hearing(clip.start_ms, clip.end_ms, "", None, "not noticed", False, None), None


def overlap(clip: Placed, hearing: Hearing) -> int:
    return min(clip.end_ms, hearing.end_ms) - max(clip.start_ms, hearing.start_ms)


def count(known: phrases.Phrases, heard: Iterator[tuple[Placed | None, Hearing, Guess | None]]) -> Counter[str]:
    """right, rejected, wrong: per clip, by the meaning and slots that came out; false: accepted beside any clip.

    slot: wrong ones that have the right meaning and differ in a slot; plain: the same for sentences without a number.
    """
    result: Counter[str] = Counter()
    best: dict[Placed, str] = {}
    for clip, hearing, _ in heard:
        if clip is None:
            result["false"] += hearing.accepted
            continue
        right = hearing.accepted and hearing.intent == known.parse(clip.label)
        outcome = "right" if right else "wrong" if hearing.accepted else "rejected"
        result["near"] += outcome == "rejected" and hearing.near
        result["slot"] += outcome == "wrong" and hearing.intent.meaning == known.parse(clip.label).meaning
        if best.get(clip) in (None, "rejected") or outcome == "wrong":
            best[clip] = outcome
    result.update(best.values())
    for clip, outcome in best.items():
        intent = known.parse(clip.label)
        if intent is not None and not numbered(intent):
            result["plain"] += 1
            result[f"plain {outcome}"] += 1
    return result


def speech_streams(folder: Path) -> Iterator[tuple[Sound, float]]:
    """All recordings in `folder`, one after the other with short pauses; at three speeds, since they are few."""
    found = sorted(folder.rglob("*.wav")) + [
        folder / name for name in ("goforward.raw", "something.raw", "numbers.raw")
    ]
    pieces = [sounds.load(path) for path in found if path.exists()]
    for speed in (1.0, 0.93, 1.07):
        parts: list[Sound] = []
        for sound in pieces:
            size = int(len(sound) / speed)
            told = np.interp(np.linspace(0, len(sound) - 1, size), np.arange(len(sound)), sound).astype(np.float32)
            parts += [told * (sounds.SPEECH_RMS / max(sounds.rms(told), 1e-6)), np.zeros(4800, dtype=np.float32)]
        whole = np.concatenate(parts)
        yield whole, len(whole) / sounds.RATE


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--noise", type=Path, help="folder of WAV noise; without it, noise is made")
    options.add_argument("--speech", type=Path, default=SPEECH, help="folder of unrelated human speech")
    options.add_argument("--half", choices=("tuning", "reporting"), default="reporting")
    options.add_argument("--every", type=int, default=1, help="take every Nth sentence only")
    options.add_argument("--snr", default="clean,20,10", help="list of dB, or clean")
    options.add_argument("--listening", choices=("name", "open"), default="name")
    options.add_argument("--suppression", type=int, help="level of noise suppression")
    options.add_argument("--phrases", type=Path, help="another phrase file")
    options.add_argument("--name", help="another station's name")
    options.add_argument("--dump", type=Path, help="write every guess as JSON lines here, for choosing thresholds")
    options.add_argument("--wrong", action="store_true", help="list what was taken for something else")
    args = options.parse_args()
    if absent := sounds.missing_programs():
        raise SystemExit(f"the bench needs {' and '.join(absent)}: apt install {' '.join(absent)}")
    text = args.phrases.read_text() if args.phrases else files("recorder").joinpath("share/phrases-en.toml").read_text()
    known = phrases.load(text)
    settings = VoiceSettings(listening=args.listening, name=args.name)
    if args.suppression is not None:
        settings = replace(settings, front_end=replace(settings.front_end, noise_suppression=args.suppression))
    name = settings.spoken_name(known)
    ear = Listener(build(known, settings), known, settings)
    voices = sounds.TUNING_VOICES if args.half == "tuning" else sounds.REPORTING_VOICES
    beds = sounds.noises(args.noise, args.half)
    dump = args.dump.open("w") if args.dump else None

    def kept(kind: str, heard: Iterator[Any]) -> Iterator[Any]:
        for clip, hearing, guess in heard:
            if dump and guess:
                row = {"kind": kind, "said": clip.label if clip else None, "text": guess.text, "named": guess.named}
                print(
                    json.dumps(row | {"score": guess.score, "weakest": guess.weakest, "stray": guess.stray_ms}),
                    file=dump,
                )
            if args.wrong and hearing.accepted and clip and hearing.intent != known.parse(clip.label):
                print(f"    wrong: {clip.label!r} taken for {hearing.text!r} ({guess})")
            yield clip, hearing, guess

    sentences = [sentence.text for sentence in known.sentences()][:: args.every]
    print(
        f"{args.half} half, engine {settings.engine}, name {name!r}, {len(sentences)} sentences, {len(voices)} voices"
    )
    columns = (
        "SNR",
        "clips",
        "right",
        "rejected",
        "wrong",
        "(slot)",
        "near",
        "plain right",
        "plain wrong",
        "CPU/audio",
    )
    print(" ".join(f"{column:>{max(8, len(column))}}" for column in columns))
    for snr in args.snr.split(","):
        total: Counter[str] = Counter()
        begin, audio_s = time.process_time(), 0.0
        for number, voice in enumerate(voices):
            clips = [(text, sounds.speak(voice, f"{name}, {text}" if name else text)) for text in sentences]
            streams = list(sounds.stream(clips, beds, None if snr == "clean" else float(snr), number))
            audio_s += sum(len(whole) for whole, _ in streams) / sounds.RATE
            total += count(known, kept(snr, outcomes(ear, iter(streams))))
        clips_n = total["right"] + total["rejected"] + total["wrong"]
        shares = [f"{100 * total[kind] / clips_n:.1f} %" for kind in ("right", "rejected", "wrong", "slot", "near")]
        shares += [f"{100 * total[f'plain {kind}'] / max(1, total['plain']):.1f} %" for kind in ("right", "wrong")]
        cells = (snr, str(clips_n), *shares, f"{(time.process_time() - begin) / audio_s:.3f}")
        lines = (f"{cell:>{max(8, len(column))}}" for cell, column in zip(cells, columns, strict=True))
        print(" ".join(lines), flush=True)
    talk: Counter[str] = Counter()
    seconds = 0.0
    for voice in voices:
        clips = [(text, sounds.speak(voice, text)) for text in TALK]
        streams = list(sounds.stream(clips, beds, 20, 1))
        seconds += sum(len(whole) for whole, _ in streams) / sounds.RATE
        talk += count(known, kept("talk", outcomes(ear, iter(streams))))
    print(
        f"synthetic talk: {seconds / 60:.1f} min, {talk['wrong'] + talk['false']} accepted, {talk['near']} near misses"
    )
    seconds, accepted, near, parts = 0.0, 0, 0, 0
    for bed in beds:
        long = np.resize(bed, 120 * sounds.RATE) * (2 * sounds.SPEECH_RMS / sounds.rms(bed))
        seconds += len(long) / sounds.RATE
        for _, hearing, _ in kept("noise", outcomes(ear, iter([(long, [])]))):
            parts, accepted, near = parts + 1, accepted + hearing.accepted, near + hearing.near
    print(f"noise alone, loud: {seconds / 60:.1f} min, {parts} utterances, {accepted} accepted, {near} near misses")
    seconds, accepted, near, parts = 0.0, 0, 0, 0
    for whole, length in speech_streams(args.speech):
        seconds += length
        for _, hearing, _ in kept("human", outcomes(ear, iter([(whole, [])]))):
            parts += 1
            accepted += hearing.accepted
            near += hearing.near
    if seconds:
        print(
            f"human speech in {args.speech}: {seconds / 60:.1f} min (each at three speeds), {parts} utterances, "
            f"{accepted} accepted ({accepted * 3600 / seconds:.1f} per hour), {near} near misses"
        )


if __name__ == "__main__":
    main()
