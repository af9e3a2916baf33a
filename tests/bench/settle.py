"""How soon and how truly a needle is said to have settled: `python -m tests.bench.settle [--each 30] [--seed 1001]`.

Three sets, each through `recorder.thermal.settle` and, beside it, through a plain rule of slope:

- **food**, by case and needle: conduction around a needle in meat and in water (`tests.bench.needles`);
- **no food**: air, steam, oil, metal, a hand; here the share that is taken for a piece counts, and ice must be found;
- **one lag**: needles that follow one exponential, as a textbook has them.

Printed of the first settled value: seconds since the needle came to where it is; the error against the undisturbed
place (see `Insertion.error_c`); the shares above +0.5, +1.0 and +1.5 °C and more than 2 °C low; how often the stated
interval holds the truth; how many settled nowhere in 75 s. "stands" is what a check keeps in the end: the lowest of
the settled values of that insertion, against the coldest place where the needle dwelt.

Half of the parameter space, by a hash of what was drawn, is kept for this report; `--tuning` shows the other half.
Above `HOTTEST_PIECE_C` a value counts as steam, as whoever judges a piece must take it.
"""

import argparse
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from statistics import fmean, median

import numpy as np

from recorder.thermal.settle import Settling
from tests.bench.needles import BEFORE_S, FOOD, OTHER, STEP_S, Insertion
from tests.bench.needles import insertions as physical

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
    """Half of the 95 % interval."""
    stands_c: float = 0.0
    """The error of what a check keeps."""


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
                return Settled(at_ms / 1000, rest.temp_c - self.piece_c, rest.uncertainty_c)
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


def by_fit(insertion: Insertion) -> Settled | None:
    """The first rest in food, and what stands in the end."""
    settling = Settling()
    first, owner, low_c, last_ms = None, 0, math.inf, 0
    until_ms = insertion.out_s * 1000 if insertion.kind in FOOD else math.inf
    for at_ms, temp_c in insertion.samples:
        rest = settling.feed(at_ms + START_MS, temp_c)
        if rest is None or not 0 <= at_ms <= until_ms or rest.temp_c > HOTTEST_PIECE_C:
            continue
        if first is None:
            first, owner, low_c = (at_ms, rest), rest.spot, rest.temp_c
        elif rest.temp_c < low_c and (rest.spot == owner or (rest.colder and rest.spot == owner + 1)):
            owner, low_c = rest.spot, rest.temp_c
        last_ms = at_ms
    if first is None:
        return None
    at_ms, rest = first
    error_c = insertion.error_c(at_ms, rest.temp_c)
    return Settled(_after_s(insertion, at_ms), error_c, rest.uncertainty_c, low_c - insertion.coldest_c(last_ms))


def by_slope(insertion: Insertion) -> Settled | None:
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
                return Settled(_after_s(insertion, at_ms), insertion.error_c(at_ms, value_c), 0.0)
    return None


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
    f"{'':30} {'n':>5} {'s':>5} {'mean':>6} {'p95':>6} {'max':>6} {'>0.5':>6} {'>1.0':>6} {'>1.5':>6} {'<-2':>6} "
    f"{'in 95%':>6} {'half':>5} {'none':>5} {'stands >1':>9} {'max':>6} "
    f"| plain: {'s':>5} {'>1.0':>6} {'<-2':>6} {'none':>5}"
)


def row(name: str, ours: Sequence[Settled | None], plain: Sequence[Settled | None]) -> str:
    """One line of the table."""
    found, theirs = [each for each in ours if each], [each for each in plain if each]
    if not found:
        line = f"{name:30} {len(ours):5}  none settled{'':83}"
    else:
        errors = sorted(each.error_c for each in found)

        def share(limit_c: float) -> str:
            return f"{sum(error > limit_c for error in errors) / len(found):6.1%}"

        held = sum(abs(each.error_c) <= each.half_c for each in found) / len(found)
        low = sum(error < -2 for error in errors) / len(found)
        stands = [each.stands_c for each in found]
        line = (
            f"{name:30} {len(ours):5} {median(each.after_s for each in found):5.1f} {fmean(errors):+6.2f} "
            f"{errors[int(0.95 * (len(errors) - 1))]:+6.2f} {errors[-1]:+6.2f} {share(0.5)} {share(1.0)} {share(1.5)} "
            f"{low:6.1%} {held:6.1%} {median(each.half_c for each in found):5.2f} {1 - len(found) / len(ours):5.0%} "
            f"{sum(each > 1 for each in stands) / len(stands):9.1%} {max(stands):+6.2f}"
        )
    if theirs:
        high, low = (
            sum(test) / len(theirs) for test in ([e.error_c > 1 for e in theirs], [e.error_c < -2 for e in theirs])
        )
        line += f" | {'':6} {median(e.after_s for e in theirs):5.1f} {high:6.1%} {low:6.1%}"
    return line + (f" {1 - len(theirs) / len(plain):5.0%}" if plain else "")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--each", type=int, default=30, help="insertions for each case and needle")
    options.add_argument("--seed", type=int, default=1001)
    options.add_argument("--tuning", action="store_true", help="the half that the rule was tuned on")
    args = options.parse_args()
    cases = list(physical([*FOOD, *OTHER], args.each, args.seed, not args.tuning))
    with Pool() as pool:
        ours, plain = pool.map(by_fit, cases, chunksize=20), pool.map(by_slope, cases, chunksize=20)
        lags = pool.map(OneLag.by_fit, insertions(20 * args.each, args.seed), chunksize=20)
    print(
        f"{'tuning' if args.tuning else 'reporting'} half, seed {args.seed}; "
        f"the plain rule: {PLAIN_C_PER_S} °C/s for {PLAIN_S} s"
    )
    print(HEAD)
    rows = list(zip(cases, ours, plain, strict=True))
    for kind in FOOD:
        for diameter_mm in sorted({case.diameter_mm for case in cases}):
            part = [each for each in rows if (each[0].kind, each[0].diameter_mm) == (kind, diameter_mm)]
            print(row(f"{kind}, {diameter_mm} mm", [each[1] for each in part], [each[2] for each in part]))
    food = [each for each in rows if each[0].kind in FOOD]
    deep = [each for each in food if each[0].kind != "5 to 12 mm deep"]
    thin = [each for each in deep if each[0].diameter_mm < 2]
    for name, part in (("all food", food), ("but not shallow", deep), ("of these, up to 1.6 mm", thin)):
        print(row(name, [each[1] for each in part], [each[2] for each in part]))
    print(row("one lag", lags, []))
    print(f"{'taken for a piece':30} {'n':>5} {'ours':>6} {'plain':>6}")
    for kind in OTHER:
        part = [each for each in rows if each[0].kind == kind]
        shares = [sum(each[which] is not None for each in part) / len(part) for which in (1, 2)]
        print(f"{kind:30} {len(part):5} {shares[0]:6.1%} {shares[1]:6.1%}")


if __name__ == "__main__":
    main()
