"""How soon and how truly a needle is said to have settled: `python -m tests.bench.settle [--insertions 10000]`.

Simulated insertions of a needle with a first-order lag, drawn at random: lag 0.5 to 6 s, noise 0.05 to 0.5 °C, 1 to 10
samples a second, up to a fifth of them dropped, air at 20 to 60 °C, a piece at 60 to 95 °C. The same insertions go
through `recorder.thermal.settle` and through the plain rule "slope below x for y seconds". A false settle is farther
from the truth than 1 °C, what Food Code 2022 4-203.11(A) allows a food thermometer in °C. The ratio of median times is
taken against the fastest plain rule with no more false settles than 0.1 %. A second lag makes pieces less simple than
the model: that row is told too.
"""

import argparse
import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from multiprocessing import Pool
from statistics import fmean, median, quantiles

from recorder.thermal.settle import Settling

AIR_S, PIECE_S = 15.0, 60.0
"""In air before, and in the piece."""
TOLERANCE_C = 1.0
PLAIN_RULES = [(slope, seconds) for seconds in (4.0, 6.0, 8.0) for slope in (0.2, 0.1, 0.06, 0.03)]
"""°C per second, seconds."""

Samples = Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Settled:
    """The first rest that was told."""

    after_s: float
    """Since the needle went in."""
    error_c: float
    half_c: float
    """Half of the 95 % interval."""


@dataclass(frozen=True, slots=True)
class Insertion:
    """One needle that goes into one piece at time 0."""

    piece_c: float
    samples: Samples

    def by_fit(self) -> Settled | None:
        settling = Settling()
        for at_ms, temp_c in self.samples:
            if rest := settling.feed(at_ms, temp_c):
                return Settled(at_ms / 1000, rest.temp_c - self.piece_c, rest.uncertainty_c)
        return None

    def by_slope(self, slope_c_per_s: float, seconds: float) -> Settled | None:
        """The plain rule; it is told when the needle went in, which is more than it would know."""
        begin = 0
        inside = [sample for sample in self.samples if sample[0] >= 0]
        for end in range(3, len(inside)):
            while inside[end][0] - inside[begin][0] > seconds * 1000:
                begin += 1
            window = inside[begin : end + 1]
            if window[-1][0] - window[0][0] >= seconds * 750 and abs(_slope(window)) <= slope_c_per_s:
                late = window[len(window) // 2 :]
                return Settled(window[-1][0] / 1000, fmean(value for _, value in late) - self.piece_c, 0.0)
        return None


def insertions(count: int, seed: int, second_lag: bool = False) -> Iterator[Insertion]:
    """With `second_lag` a tenth of the way is done five times as slowly."""
    dice = random.Random(seed)
    for _ in range(count):
        lag_s, noise_c = dice.uniform(0.5, 6), math.exp(dice.uniform(math.log(0.05), math.log(0.5)))
        period_s, dropped = 1 / math.exp(dice.uniform(0, math.log(10))), dice.choice((0.0, 0.05, 0.2))
        air_c = dice.uniform(20, 60)
        piece_c = dice.uniform(max(60, air_c + 15), 95)
        at_s, samples = -AIR_S + dice.random() * period_s, []
        while at_s < PIECE_S:
            left = math.exp(-at_s / lag_s) if at_s > 0 else 1.0
            if second_lag and at_s > 0:
                left = 0.9 * left + 0.1 * math.exp(-at_s / lag_s / 5)
            temp_c = piece_c + (air_c - piece_c) * left + dice.gauss(0, noise_c)
            if dice.random() >= dropped:
                samples.append((round(at_s * 1000), round(temp_c, 2)))
            at_s += period_s
        yield Insertion(piece_c, samples)


def _slope(samples: Samples) -> float:
    """Least squares, °C per second."""
    mean_s, mean_c = fmean(at / 1000 for at, _ in samples), fmean(value for _, value in samples)
    over = sum((at / 1000 - mean_s) * (value - mean_c) for at, value in samples)
    return over / sum((at / 1000 - mean_s) ** 2 for at, _ in samples)


def show(name: str, results: Sequence[Settled | None], interval: bool) -> tuple[float, float]:
    """Print one row; the median time in seconds and the share of false settles."""
    settled = [each for each in results if each]
    times = [each.after_s for each in settled]
    false = sum(abs(each.error_c) > TOLERANCE_C for each in settled) / len(settled)
    held = sum(abs(each.error_c) <= each.half_c for each in settled) / len(settled)
    row = f"{name:28} {median(times):6.1f} s {quantiles(times, n=10)[-1]:6.1f} s {false:8.2%}"
    row += f" {fmean(each.error_c for each in settled):+8.3f}"
    print(row, f"{held:8.1%}" if interval else f"{'-':>8}", f"{len(results) - len(settled):8}")
    return median(times), false


def by_fit(insertion: Insertion) -> Settled | None:
    return insertion.by_fit()


def by_slope(rule: tuple[float, float], insertion: Insertion) -> Settled | None:
    return insertion.by_slope(*rule)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--insertions", type=int, default=10_000)
    options.add_argument("--seed", type=int, default=1)
    args = options.parse_args()
    print(
        f"{args.insertions} simulated insertions, seed {args.seed}; false: farther than {TOLERANCE_C} °C from the truth"
    )
    print(f"{'rule':28} {'median':>8} {'9 in 10':>8} {'false':>8} {'mean °C':>8} {'in 95 %':>8} {'never':>8}")
    with Pool() as pool:

        def run(judge: Callable[[Insertion], Settled | None], second_lag: bool = False) -> list[Settled | None]:
            return pool.map(judge, insertions(args.insertions, args.seed, second_lag), chunksize=50)

        ours_s, _ = show("fit of the approach", run(by_fit), interval=True)
        show("the same, with a second lag", run(by_fit, second_lag=True), interval=True)
        plain = [
            show(f"slope < {slope:g} °C/s for {seconds:g} s", run(partial(by_slope, (slope, seconds))), interval=False)
            for slope, seconds in PLAIN_RULES
        ]
        fair = [(middle, rule) for (middle, false), rule in zip(plain, PLAIN_RULES, strict=True) if false <= 0.001]
        if not fair:
            raise SystemExit("no plain rule is fair; make --insertions larger")
        fastest_s, rule = min(fair)
        show("fastest fair, second lag", run(partial(by_slope, rule), second_lag=True), interval=False)
    print(f"ratio of median times against the fastest fair plain rule: {ours_s / fastest_s:.2f}")


if __name__ == "__main__":
    main()
