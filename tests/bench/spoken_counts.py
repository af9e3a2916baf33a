"""Which words for a count are taken for another's: `python -m tests.bench.spoken_counts [--noise DIR]`.

13 to 19 are said against 30 to 90, plainly ("thirteen", "thirty") and digit by digit ("one three", "three zero"), with
several lists of what may be said; dozens stand beside. Eight synthetic voices of 140 to 200 words a minute, each in its
room, clean and over noise, through the station's own ear with its own thresholds. A row has Wilson's interval (95 %) of
each share.
"""

import argparse
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from recorder.voice.ear import build
from recorder.voice.language import phrases
from recorder.voice.language.phrases import Phrases
from recorder.voice.settings import VoiceSettings
from tests.bench import scene, sounds
from tests.bench.sounds import Voice
from tests.bench.tally import Listener, Outcome

VOICES = (
    *sounds.REPORTING_VOICES,
    Voice("espeak-ng", "en-gb-x-rp+m1", 200, 45),
    Voice("espeak-ng", "en-us+f5", 190, 60),
)

TEENS, TENS, DOZENS = tuple(range(13, 20)), tuple(range(30, 100, 10)), (12, 24, 36, 48, 60)

FRAMES = ("load thighs {}", "sold {} pieces")
"""A count at the end of a sentence, and in the middle."""

UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]

BOTH = {"from": 1, "to": 99, "spoken": ["number", "digits"]}

LISTS: dict[str, tuple[dict[str, Any], int]] = {
    "words to 24": ({"from": 1, "to": 24}, 24),
    "words to 99": ({"from": 1, "to": 99}, 99),
    "words to 24, digits to 99": (BOTH, 24),
    "words and digits to 99": (BOTH, 99),
    "dozens too": (BOTH | {"also": {str(12 * n): [f"{UNITS[n]} dozen"] for n in range(1, 9)}}, 99),
}
"""What may be said for a count: the phrase file's slot, and the pieces of a load."""

TRIALS = (
    ("words to 24", "plain", (TEENS, TENS)),
    ("words to 99", "plain", (TEENS, TENS)),
    ("words to 24, digits to 99", "plain", (TEENS, TENS)),
    ("words to 24, digits to 99", "digits", (TEENS, TENS)),
    ("words and digits to 99", "plain", (TEENS, TENS)),
    ("words and digits to 99", "digits", (TEENS, TENS)),
    ("dozens too", "dozens", (DOZENS,)),
)
"""What may be said, how it is said, and which counts."""

TITLES = {TEENS: "13 to 19", TENS: "30 to 90", DOZENS: "12 to 60"}


@dataclass(frozen=True, slots=True)
class Row:
    """One way of saying one kind of number, heard in one list."""

    may_say: str
    said: str
    numbers: str
    snr: str
    counts: Mapping[str, int]
    """right, wrong, refused, and swapped: the wrong ones that were the teen for its ten or the ten for its teen."""


def with_counts(may_say: str) -> Phrases:
    """The shipped phrases with another slot for counts."""
    data = tomllib.loads(files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8"))
    slot, pieces = LISTS[may_say]
    data["slots"]["count"] = slot
    return phrases.from_dict(data).for_loads_of(pieces)


def words(count: int, said: str, plain: Mapping[int, str]) -> str:
    """How `count` is said."""
    if said == "digits":
        return " ".join(UNITS[int(digit)] for digit in str(count))
    return f"{UNITS[count // 12]} dozen" if said == "dozens" else plain[count]


def wilson(part: int, whole: int, z: float = 1.96) -> tuple[float, float]:
    """The interval of a share by Wilson (1927), 95 % at `z` 1.96."""
    if not whole:
        return 0.0, 1.0
    share, spread = part / whole, z * z / whole
    middle = (share + spread / 2) / (1 + spread)
    half = z * ((share * (1 - share) + spread / 4) / whole) ** 0.5 / (1 + spread)
    return max(0.0, middle - half), min(1.0, middle + half)


def said(counts: Sequence[int], way: str, plain: Mapping[int, str]) -> list[tuple[str, str]]:
    """Label and text of each sentence; a label is the frame's number and the count."""
    return [
        (f"{frame} {count}", FRAMES[frame].format(words(count, way, plain)))
        for count in counts
        for frame in range(len(FRAMES))
    ]


def heard(
    listener: Listener, texts: Sequence[tuple[str, str]], name: str, snr: str, noise: Path | None, half: str
) -> Iterator[Outcome]:
    """All `texts` in all voices."""
    beds = sounds.noises(noise, half) if snr != "clean" else []
    for number, (voice, room) in enumerate(zip(VOICES, scene.rooms(half, len(VOICES)), strict=True)):
        clips = [(label, sounds.speak(voice, f"{name}, {text}")) for label, text in texts]
        level = None if snr == "clean" else float(snr)
        for stream in scene.streams(clips, beds, level, number, room):
            yield from listener.hear(stream, snr)


def counted(known: Phrases, outcomes: Sequence[Outcome], kind: Sequence[int]) -> Counter[str]:
    """What became of each clip that said a count of `kind`; a clip that was heard twice counts as the worse."""
    rank = ("refused", "right", "wrong", "swapped")
    best: dict[object, str] = {}
    for outcome in outcomes:
        if outcome.clip is None:
            continue
        frame, count = map(int, outcome.clip.label.split())
        if count not in kind:
            continue
        intent = outcome.hearing.intent
        meant = known.parse(FRAMES[frame].format("two"))
        assert meant
        became = "refused"
        if intent is not None:
            same = (intent.meaning, intent.part) == (meant.meaning, meant.part)
            became = "right" if same and intent.count == count else "wrong"
            if same and intent.count in (count % 10 * 10, count // 10 + 10):
                became = "swapped" if intent.count != count else became
        best[outcome.clip] = max(best.get(outcome.clip, "refused"), became, key=rank.index)
    result = Counter(best.values())
    result["wrong"] += result["swapped"]
    return result


def measure(noise: Path | None, snrs: Sequence[str], half: str, trials: Sequence[int]) -> Iterator[Row]:
    settings = VoiceSettings()
    plain = {int(value): " ".join(form) for form, value in with_counts("words to 99").slots["count"].forms}
    listeners: dict[str, tuple[Phrases, Listener]] = {}
    for may_say, way, kinds in (TRIALS[number] for number in trials):
        if may_say not in listeners:
            known = with_counts(may_say)
            listeners[may_say] = known, Listener(build(known, settings), known, settings)
        known, listener = listeners[may_say]
        for snr in snrs:
            texts = [text for counts in kinds for text in said(counts, way, plain)]
            outcomes = list(heard(listener, texts, settings.spoken_name(known), snr, noise, half))
            yield from (Row(may_say, way, TITLES[kind], snr, counted(known, outcomes, kind)) for kind in kinds)


def line(row: Row) -> str:
    whole = sum(row.counts[each] for each in ("right", "wrong", "refused"))
    shares = []
    for each in ("right", "wrong", "refused"):
        low, high = wilson(row.counts[each], whole)
        shares.append(f"{each} {row.counts[each]} ({100 * low:.0f} to {100 * high:.0f} %)")
    about = f"{row.may_say}; {row.numbers} said {row.said}, {row.snr}"
    return f"{about}: of {whole} {', '.join(shares)}; swapped {row.counts['swapped']}"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--noise", type=Path, help="folder of WAV noise; without it, noise is made")
    options.add_argument("--snr", default="clean,10", help="list of dB, or clean")
    options.add_argument("--half", choices=("tuning", "reporting"), default="reporting")
    options.add_argument("--trials", default=",".join(map(str, range(len(TRIALS)))), help="numbers of TRIALS, from 0")
    args = options.parse_args()
    if absent := sounds.missing_programs():
        raise SystemExit(f"the bench needs {' and '.join(absent)}: apt install {' '.join(absent)}")
    for row in measure(args.noise, args.snr.split(","), args.half, [int(each) for each in args.trials.split(",")]):
        print(line(row), flush=True)


if __name__ == "__main__":
    main()
