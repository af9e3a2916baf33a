"""What a cook does: `python -m tests.bench.cook --noise DIR --packages DIR [--half reporting] [--each 24]`.

One table with a row for each habit: pauses, the name said twice, politeness, other words, corrections, near misses,
another person who talks, loud noise. A row has how many trials were taken right, wrong, and not at all ("lost"), with
Wilson's interval (95 %) of each share. A trial is right when exactly what was meant was taken, wrong when anything else
was taken. In the rows where nothing may be taken, there is no "lost". Beside it stand hours of human talk without a
command. Voices, rooms, kitchen noise, talkers and sentences of the two halves are different; thresholds and words were
chosen on the tuning half alone.

Human talk: recordings from packages (`tests/bench/talkers.py`), none of them in the repository.
"""

import argparse
import json
import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from recorder.config import load_procedure
from recorder.voice.audio.soundfile import RATE
from recorder.voice.ear import build
from recorder.voice.language import phrases
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import VoiceSettings
from tests.bench import said, scene, sounds, talkers
from tests.bench.said import Saying
from tests.bench.scene import Placed, Stream
from tests.bench.sounds import SPEECH_RMS, Bed, Sound
from tests.bench.spoken_counts import wilson
from tests.bench.tally import Listener, at_most, percentile

FLOOR_DB = -40
"""Hiss so far below the voice, where there is no other noise."""

LEAD_S, TAIL_S = 1.6, 1.6
"""Sound before and after what is said: a talker is there first, and stays."""


@dataclass(frozen=True, slots=True)
class Habit:
    """A row of the table."""

    title: str
    kind: str
    """Of `said.sayings`."""
    under: str = ""
    """"talker", "kitchen", "water" or "voices"; "" for hiss."""
    db: float = 0.0
    """How far that is below the voice."""


HABITS = (
    Habit("a plain command", "plain"),
    Habit("kitchen noise, 10 dB", "plain", "kitchen", 10),
    Habit("kitchen noise, 5 dB", "plain", "kitchen", 5),
    Habit("running water, 5 dB", "plain", "water", 5),
    Habit("one other talker, 15 dB", "plain", "talker", 15),
    Habit("one other talker, 10 dB", "plain", "talker", 10),
    Habit("one other talker, 5 dB", "plain", "talker", 5),
    Habit("the name, 0.5 s, the command", "after 0.5"),
    Habit("the name, 1 s, the command", "after 1.0"),
    Habit("the name, 2 s, the command", "after 2.0"),
    Habit("the name twice", "twice 0.05"),
    Habit("the name twice, 0.4 s between", "twice 0.4"),
    Habit("the name twice, 1.2 s between", "twice 1.2"),
    Habit("a pause of 0.5 s in the command", "within 0.5"),
    Habit("a pause of 0.9 s in the command", "within 0.9"),
    Habit("please and the like before it", "polite before"),
    Habit("please and the like after it", "polite after"),
    Habit("other words", "paraphrases"),
    Habit("count before part", "orders"),
    Habit("a correction in one breath", "corrections"),
    Habit("more talk straight behind", "behind"),
    Habit("nearly a command", "misses"),
    Habit("name, other talk, 0.4 s, a command", "talked"),
    Habit("three voices say it at once", "plain", "voices", 0),
)

NOTHING = "voices"
"""Over it nothing may be taken."""


@dataclass(frozen=True, slots=True)
class Bench:
    """One half, with its sounds."""

    half: str
    noise: Path | None
    packages: Path | None
    each: int

    @property
    def voices(self) -> Sequence[sounds.Voice]:
        return sounds.TUNING_VOICES if self.half == "tuning" else sounds.REPORTING_VOICES

    def beds(self, habit: Habit, known: dict[str, list[Bed]]) -> list[Bed]:
        if not known:
            known["kitchen"] = sounds.noises(self.noise, self.half)
            known["water"] = [bed for bed in known["kitchen"] if bed.name.startswith("water")] or known["kitchen"]
            known["talker"] = list(talkers.talk(self.packages, self.half, 1.5).beds) if self.packages else []
        return known.get(habit.under, [])

    def trials(self, habit: Habit, known: dict[str, list[Bed]]) -> Iterator[tuple[Stream, tuple[str, ...]]]:
        """Streams of one trial each, and what is to be taken in it."""
        beds = self.beds(habit, known)
        if habit.under not in ("", NOTHING) and not beds:
            return
        dice = random.Random(f"{habit.title} {self.half}")
        pairs = [(voice, saying) for saying in said.sayings(habit.kind, self.half) for voice in range(len(self.voices))]
        dice.shuffle(pairs)
        rooms = scene.rooms(self.half, len(self.voices))
        for number, (voice, saying) in enumerate(pairs[: self.each]):
            speech, clip = self._said(saying, self.voices[voice], rooms[voice])
            if habit.under == NOTHING:
                others = [self._said(saying, self.voices[voice - back], rooms[voice - back])[0] for back in (1, 2)]
                for other in others:
                    speech[: len(other)] += other[: len(speech)]
            below = habit.db if beds else -FLOOR_DB
            bed = beds[number % len(beds)] if beds else Bed("hiss", self._hiss(len(speech), number))
            under = scene.loop(bed.sound, len(speech), dice)
            start, end = clip.start_ms * RATE // 1000, clip.end_ms * RATE // 1000
            level = max(sounds.rms(under[start:end]), sounds.rms(under) / 10)
            speech += under * np.float32(SPEECH_RMS / 10 ** (below / 20) / level)
            yield Stream(speech, (clip,), bed.name), () if habit.under == NOTHING else saying.meant

    def _hiss(self, size: int, seed: int) -> Sound:
        return np.random.default_rng(seed).standard_normal(max(size, RATE)).astype(np.float32)

    def _said(self, saying: Saying, voice: sounds.Voice, room: Sound) -> tuple[Sound, Placed]:
        at = begin = int(LEAD_S * RATE)
        pieces: list[tuple[int, Sound]] = []
        end = at
        for piece in saying.pieces:
            if isinstance(piece, float):
                at += int(piece * RATE)
                continue
            dry = sounds.speak(voice, piece)
            pieces.append((at, scene.reverberate(dry, room)))
            at = end = at + len(dry)
        whole = np.zeros(end + int(TAIL_S * RATE), dtype=np.float32)
        for place, sound in pieces:
            whole[place : place + len(sound)] += sound[: len(whole) - place]
        return whole, Placed(begin * 1000 // RATE, end * 1000 // RATE, " | ".join(saying.meant))


@dataclass(frozen=True, slots=True)
class Trial:
    """What became of one."""

    habit: str
    became: str
    """right, wrong or lost."""
    voice: str
    meant: tuple[str, ...]
    taken: tuple[str, ...]
    reasons: tuple[str, ...]
    late_ms: float | None


def judged(known: Phrases, meant: Sequence[str], taken: Sequence[str]) -> str:
    """right, wrong or lost."""
    wanted, got = [known.parse(text) for text in meant], [known.parse(text) for text in taken]
    if wanted == got:
        return "right"
    extra = list(got)
    for each in wanted:
        if each in extra:
            extra.remove(each)
    return "wrong" if extra else "lost"


def run(bench: Bench, known: Phrases, listener: Listener, only: str) -> Iterator[Trial]:
    beds: dict[str, list[Bed]] = {}
    for habit in HABITS:
        if only and not any(part in habit.title for part in only.split(",")):
            continue
        for stream, meant in bench.trials(habit, beds):
            outcomes = listener.hear(stream, habit.title)
            taken = [each for each in outcomes if each.hearing.accepted]
            texts = tuple(each.hearing.text for each in taken)
            late = taken[-1].late_ms if taken else None
            reasons = tuple(f"{each.hearing.text}: {each.hearing.reason}" for each in outcomes if each.hearing.reason)
            became = judged(known, meant, texts)
            yield Trial(habit.title, became, stream.bed, meant, texts, reasons, late)


def human_talk(bench: Bench, listener: Listener, minutes: float) -> tuple[float, list[str]]:
    """Hours of people who talk and give no command, and what was taken in them."""
    taken = []
    hours = 0.0
    for bed in talkers.talk(bench.packages, bench.half, minutes).beds if bench.packages else ():
        hours += len(bed.sound) / RATE / 3600
        taken += [
            f"{bed.name}: {each.hearing.text}"
            for each in listener.hear(Stream(bed.sound, (), bed.name), "human talk")
            if each.hearing.accepted
        ]
    return hours, taken


def line(title: str, counts: Counter[str], late: Sequence[float]) -> str:
    whole = sum(counts.values())
    cells = []
    for each in ("right", "wrong", "lost"):
        low, high = wilson(counts[each], whole)
        cells.append(f"{counts[each]} ({100 * low:.0f} to {100 * high:.0f} %)")
    p95 = f"{percentile(sorted(late), 95) / 1000:.2f} s" if late else ""
    return f"| {title} | {whole} | " + " | ".join(cells) + f" | {p95} |"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--noise", type=Path, help="folder of WAV noise; without it, noise is made")
    options.add_argument("--packages", type=Path, help="folder of unpacked packages with human talk")
    options.add_argument("--half", choices=("tuning", "reporting"), default="reporting")
    options.add_argument("--each", type=int, default=24, help="trials in a row")
    options.add_argument("--only", default="", help="rows whose titles have one of these in them: a,b")
    options.add_argument("--talk-minutes", type=float, default=0.0, help="of human talk alone, from each talker")
    options.add_argument("--rest", type=int, default=4_000, help="what the recogniser has learnt before, in turns")
    options.add_argument("--dump", type=Path, help="write every trial as JSON lines here")
    args = options.parse_args()
    if absent := sounds.missing_programs():
        raise SystemExit(f"the bench needs {' and '.join(absent)}: apt install {' '.join(absent)}")
    text = files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8")
    known = phrases.load(text).for_loads_of(load_procedure(None).pieces_per_load)
    settings = VoiceSettings()
    recogniser: Any = build(known, settings)
    for _ in range(args.rest):  # as a station that has run for some minutes
        if not recogniser.rest():
            break
    listener = Listener(recogniser, known, settings)
    bench = Bench(args.half, args.noise, args.packages, args.each)
    trials: list[Trial] = []
    print("| what a cook does | trials | right | wrong | lost | p95 after the last sound |")
    print("| --- | --- | --- | --- | --- | --- |")
    for trial in run(bench, known, listener, args.only):
        if trials and trials[-1].habit != trial.habit:
            show(trials, trials[-1].habit)
        trials.append(trial)
        if args.dump:
            with args.dump.open("a" if trials[1:] else "w") as file:
                file.write(json.dumps({name: getattr(trial, name) for name in Trial.__slots__}) + "\n")
    if trials:
        show(trials, trials[-1].habit)
    if args.talk_minutes:
        hours, taken = human_talk(bench, listener, args.talk_minutes)
        print(
            f"human talk: {hours:.2f} h, taken {len(taken)} {taken}, at most {at_most(len(taken), hours):.2f} an hour"
        )
    print(f"{listener.cpu_s:.0f} s of processor time for {listener.audio_s:.0f} s of sound")


def show(trials: Sequence[Trial], habit: str) -> None:
    mine = [trial for trial in trials if trial.habit == habit]
    late = [trial.late_ms for trial in mine if trial.late_ms is not None and trial.became == "right"]
    print(line(habit, Counter(trial.became for trial in mine), late), flush=True)


if __name__ == "__main__":
    main()
