"""How soon and how truly a needle is said to have settled: `python -m tests.bench.settle [--each 30] [--seed 1001]`.

Three sets, each through `recorder.thermal.settle` and, beside it in the same run, through the rule that was released
before it (`released_settle`) and a plain rule of slope:

- **food**, by case and needle: conduction around a needle in meat and in water (`tests.bench.needles`);
- **no food**: air, steam, oil, metal, a hand; here it counts what each is taken for, and ice must be found;
- **one lag**: needles that follow one exponential, as a textbook has them.

Printed of the first settled value: seconds since the needle came to where it is; the error against the undisturbed
place (see `Insertion.error_c`); the shares above +0.5, +1.0 and +1.5 °C and more than 2 °C low; how often the stated
interval holds the truth, with its upper side ("in 95%") and as wide upwards as down ("in half"); how often the truth is
below it, which is the unsafe side; half of the interval and its upper side, medians; how many settled nowhere in 75 s.
"stands" is what a check keeps in the end: the lowest of the settled values of that insertion, against the coldest place
where the needle dwelt.

Half of the parameter space, by a hash of what was drawn, is kept for this report; `--tuning` shows the other half.
Above `HOTTEST_PIECE_C` a value counts as steam, as whoever judges a piece must take it.
"""

import argparse
import math
import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path
from statistics import fmean, median

import numpy as np

from recorder.thermal.settle import Settling
from tests.bench import released_settle
from tests.bench.needles import BEFORE_S, DIAMETERS_MM, FOOD, OTHER, STEP_S, Insertion
from tests.bench.needles import insertions as physical
from tests.bench.pictures import draw

AIR_S, PIECE_S = 15.0, 60.0
"""One lag: in air before, and in the piece."""
TOLERANCE_C = 1.0
"""What Food Code 2022 4-203.11(A) allows a food thermometer in °C."""
PLAIN_C_PER_S, PLAIN_S = 0.1, 6.0
"""The plain rule: a slope below this for so long."""
HOTTEST_PIECE_C = 97.0
START_MS = 20_000
"""Added to every stamp, so that none is before 0."""
MOVED = ("slowly through a hot crust", "pushed down a gradient", "pushed further")
"""Here the clock starts when the needle stops."""

Samples = Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Settled:
    """The first rest of an insertion."""

    after_s: float
    """Since the needle went in, or came to a stop."""
    error_c: float
    half_c: float
    """Half of the 95 % interval: so far below the value the truth may be."""
    above_c: float
    """So far above it."""
    stands_c: float = 0.0
    """The error of what a check keeps."""

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        return -self.above_c <= self.error_c <= self.half_c


Found = tuple[Settled | None, str]
"""The first rest in a piece; and what the first rest of all was taken for, "none" without any."""


@dataclass(frozen=True, slots=True)
class OneLag:
    """One needle that follows one exponential, into one piece at time 0."""

    piece_c: float
    samples: Samples

    def by_fit(self) -> Settled | None:
        """The first rest, as `Settling` has it."""
        settling = Settling()
        for at_ms, temp_c in self.samples:
            if rest := settling.feed(at_ms + START_MS, temp_c):
                return Settled(at_ms / 1000, rest.temp_c - self.piece_c, rest.uncertainty_c, rest.above_c)
        return None


def insertions(count: int, seed: int) -> Iterator[OneLag]:
    """Lag 0.5 to 6 s, noise 0.05 to 0.5 °C, 1 to 10 samples a second, up to a fifth dropped, into 60 to 95 °C."""
    dice = random.Random(seed)
    for _ in range(count):
        lag_s, noise_c = dice.uniform(0.5, 6), math.exp(dice.uniform(math.log(0.05), math.log(0.5)))
        period_s, dropped = 1 / math.exp(dice.uniform(0, math.log(10))), dice.choice((0.0, 0.05, 0.2))
        air_c = dice.uniform(20, 60)
        piece_c = dice.uniform(max(60, air_c + 15), 95)
        at_s, samples = -AIR_S + dice.random() * period_s, []
        while at_s < PIECE_S:
            left = math.exp(-at_s / lag_s) if at_s > 0 else 1.0
            temp_c = piece_c + (air_c - piece_c) * left + dice.gauss(0, noise_c)
            if dice.random() >= dropped:
                samples.append((round(at_s * 1000), round(temp_c, 2)))
            at_s += period_s
        yield OneLag(piece_c, samples)


def by_rule(insertion: Insertion, rule: Callable[[], Settling | released_settle.Settling]) -> Found:
    """The first rest in food, and what stands in the end."""
    settling = rule()
    first, owner, low_c, last_ms, seen = None, 0, math.inf, 0, "none"
    until_ms = insertion.out_s * 1000 if insertion.kind in FOOD else math.inf
    for at_ms, temp_c in insertion.samples:
        rest = settling.feed(at_ms + START_MS, temp_c)
        if rest is None or not 0 <= at_ms <= until_ms:
            continue
        medium = getattr(rest, "medium", "") or ("" if rest.temp_c <= HOTTEST_PIECE_C else "too hot")
        seen = medium or "a piece" if seen == "none" else seen
        if medium:
            continue
        if first is None:
            first, owner, low_c, seen = (at_ms, rest), rest.spot, rest.temp_c, "a piece"
        elif rest.temp_c < low_c and (rest.spot == owner or (rest.colder and rest.spot == owner + 1)):
            owner, low_c = rest.spot, rest.temp_c
        last_ms = at_ms
    if first is None:
        return None, getattr(settling, "medium", "") or seen if seen == "none" else seen
    at_ms, rest = first
    error_c = insertion.error_c(at_ms, rest.temp_c)
    stands_c = low_c - insertion.coldest_c(last_ms)
    above_c = getattr(rest, "above_c", rest.uncertainty_c)
    return Settled(_after_s(insertion, at_ms), error_c, rest.uncertainty_c, above_c, stands_c), seen


def by_fit(insertion: Insertion) -> Found:
    """By `recorder.thermal.settle`."""
    return by_rule(insertion, lambda: Settling(insertion.lag_s))


def by_released(insertion: Insertion) -> Found:
    """By the rule that was released before it."""
    return by_rule(insertion, released_settle.Settling)


def by_slope(insertion: Insertion) -> Found:
    """The plain rule; it is given when the needle went in, which is more than it would know."""
    begin, until_ms = 0, insertion.out_s * 1000 if insertion.kind in FOOD else math.inf
    inside = [sample for sample in insertion.samples if 0 <= sample[0] <= until_ms]
    for end in range(3, len(inside)):
        while inside[end][0] - inside[begin][0] > PLAIN_S * 1000:
            begin += 1
        window = inside[begin : end + 1]
        if window[-1][0] - window[0][0] >= PLAIN_S * 750 and abs(_slope(window)) <= PLAIN_C_PER_S:
            value_c, at_ms = fmean(value for _, value in window[len(window) // 2 :]), window[-1][0]
            if 45 <= value_c <= HOTTEST_PIECE_C:
                settled = Settled(_after_s(insertion, at_ms), insertion.error_c(at_ms, value_c), 0.0, 0.0)
                return settled, "a piece"
    return None, "none"


def by_all(insertion: Insertion) -> tuple[Found, Found, Found]:
    return by_fit(insertion), by_released(insertion), by_slope(insertion)


def by_ours(insertion: Insertion) -> tuple[Found, Found, Found]:
    """The others settle nowhere."""
    return by_fit(insertion), (None, "none"), (None, "none")


def _hz(insertion: Insertion) -> float:
    """Samples a second, without those that were dropped."""
    return 1000 * len(insertion.samples) / (insertion.samples[-1][0] - insertion.samples[0][0])


def _after_s(insertion: Insertion, at_ms: int) -> float:
    """Since it went in or, where it is pushed on, since it last moved before then."""
    if insertion.kind not in MOVED:
        return at_ms / 1000
    begin, end = round(BEFORE_S / STEP_S) + 1, round((at_ms / 1000 + BEFORE_S) / STEP_S)
    moves = np.nonzero(np.abs(np.diff(insertion.truth_c[begin:end])) > 0.05)[0]
    return at_ms / 1000 - (float(moves[-1] + 1) * STEP_S if len(moves) else 0.0)


def _slope(samples: Samples) -> float:
    """Least squares, °C per second."""
    mean_s, mean_c = fmean(at / 1000 for at, _ in samples), fmean(value for _, value in samples)
    over = sum((at / 1000 - mean_s) * (value - mean_c) for at, value in samples)
    return over / sum((at / 1000 - mean_s) ** 2 for at, _ in samples)


HEAD = (
    f"{'':36} {'n':>5} {'s':>5} {'mean':>6} {'p95':>6} {'max':>6} {'>0.5':>6} {'>1.0':>6} {'>1.5':>6} {'<-2':>6} "
    f"{'in 95%':>6} {'in half':>7} {'below':>6} {'half':>5} {'above':>5} {'none':>5} "
    f"{'stands >1':>9} {'<-2':>6} {'max':>6} "
    f"| released: {'s':>5} {'>1.0':>6} {'>1.5':>6} {'<-2':>6} {'in 95%':>6} {'none':>5} "
    f"| plain: {'s':>5} {'>1.0':>6} {'>1.5':>6} {'<-2':>6} {'none':>5}"
)


def _share(values: Sequence[bool]) -> str:
    return f"{sum(values) / len(values):6.1%}"


def _ours(all: Sequence[Settled | None]) -> str:
    found = [each for each in all if each]
    if not found:
        return f"{len(all):5}  none settled{'':119}"
    errors = sorted(each.error_c for each in found)
    shares = " ".join(_share([error > limit_c for error in errors]) for limit_c in (0.5, 1.0, 1.5))
    stands = [each.stands_c for each in found]
    return (
        f"{len(all):5} {median(each.after_s for each in found):5.1f} {fmean(errors):+6.2f} "
        f"{errors[int(0.95 * (len(errors) - 1))]:+6.2f} {errors[-1]:+6.2f} {shares} "
        f"{_share([error < -2 for error in errors])} {_share([each.held for each in found])} "
        f"{_share([abs(each.error_c) <= each.half_c for each in found]):>7} "
        f"{_share([each.error_c > each.half_c for each in found])} {median(each.half_c for each in found):5.2f} "
        f"{median(each.above_c for each in found):5.2f} "
        f"{1 - len(found) / len(all):5.0%} {_share([each > 1 for each in stands]):>9} "
        f"{_share([each < -2 for each in stands])} {max(stands):+6.2f}"
    )


def _theirs(all: Sequence[Settled | None], interval: bool) -> str:
    found = [each for each in all if each]
    if not found:
        return " none settled"
    limits = " ".join(_share([each.error_c > limit_c for each in found]) for limit_c in (1.0, 1.5))
    held = f" {_share([abs(each.error_c) <= each.half_c for each in found])}" if interval else ""
    low = _share([each.error_c < -2 for each in found])
    return f"{median(each.after_s for each in found):5.1f} {limits} {low}{held} {1 - len(found) / len(all):5.0%}"


Row = tuple[Insertion, tuple[Found, Found, Found]]


def row(name: str, part: Sequence[Row]) -> str:
    """One line of the table."""
    ours, released, plain = ([found[which][0] for _, found in part] for which in range(3))
    return f"{name:36} {_ours(ours)} | {_theirs(released, True):>47} | {_theirs(plain, False):>39}"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--each", type=int, default=30, help="insertions for each case and needle")
    options.add_argument("--seed", type=int, default=1001)
    options.add_argument("--tuning", action="store_true", help="the half that the rule was tuned on")
    options.add_argument("--processes", type=int, help="as many as there are cores without it")
    options.add_argument("--lags", action="store_true", help="each needle was in ice before, so its lag is known")
    options.add_argument("--alone", action="store_true", help="without the other rules beside it")
    options.add_argument("--draw", type=Path, metavar="DIR", help="draw the first insertion of each case as SVG")
    args = options.parse_args()
    cases = list(physical([*FOOD, *OTHER], args.each, args.seed, not args.tuning, lags=args.lags))
    if args.draw:
        args.draw.mkdir(parents=True, exist_ok=True)
        drawn = {(each.kind, each.diameter_mm): each for each in reversed(cases) if each.diameter_mm < 2}
        for each in drawn.values():
            print(draw(each, args.draw))
        return
    with Pool(args.processes) as pool:
        rows: list[Row] = list(
            zip(cases, pool.map(by_ours if args.alone else by_all, cases, chunksize=20), strict=True)
        )
        lags = pool.map(OneLag.by_fit, insertions(20 * args.each, args.seed), chunksize=20)
    print(
        f"{'tuning' if args.tuning else 'reporting'} half, seed {args.seed}; "
        f"the plain rule: {PLAIN_C_PER_S} °C/s for {PLAIN_S} s"
    )
    print(HEAD)
    for kind in FOOD:
        for diameter_mm in DIAMETERS_MM:
            part = [each for each in rows if (each[0].kind, each[0].diameter_mm) == (kind, diameter_mm)]
            print(row(f"{kind}, {diameter_mm} mm", part))
    food = [each for each in rows if each[0].kind in FOOD]
    deep = [each for each in food if each[0].kind != "5 to 12 mm deep"]
    print(row("all food", food))
    print(row("but not shallow", deep))
    for diameter_mm in DIAMETERS_MM:
        print(row(f"of these, {diameter_mm} mm", [each for each in deep if each[0].diameter_mm == diameter_mm]))
    thin = [each for each in deep if each[0].diameter_mm < 2]
    print(row("of these, up to 1.6 mm", thin))
    for low, high in ((0, 3), (3, 6), (6, 20)):
        print(row(f"of these, {low} to {high} samples a second", [each for each in thin if low <= _hz(each[0]) < high]))
    print(f"{'one lag':36} {_ours(lags)}")
    print(confusion(rows))


def confusion(rows: Sequence[Row]) -> str:
    """What each case is taken for, ours in shares; then how often the other rules take it for a piece."""
    seen = sorted({found[0][1] for _, found in rows})
    lines = [f"{'taken for':34} {'n':>5} " + " ".join(f"{each:>8}" for each in seen) + f" {'released':>9} {'plain':>6}"]
    for kind in [*FOOD, *OTHER]:
        part = [found for insertion, found in rows if insertion.kind == kind]
        counts = Counter(found[0][1] for found in part)
        shares = " ".join(f"{counts[each] / len(part):8.1%}" for each in seen)
        theirs = [_share([found[which][0] is not None for found in part]) for which in (1, 2)]
        lines.append(f"{kind:34} {len(part):5} {shares} {theirs[0]:>9} {theirs[1]:>6}")
    return "\n".join(lines)


if __name__ == "__main__":
    main()
