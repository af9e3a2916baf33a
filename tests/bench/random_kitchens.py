"""Random kitchens in bulk: `python -m tests.bench.random_kitchens [--events 2000000] [--processes 2] [--seed 1]`.

Each kitchen is a day of some thousand events, held against `tests/model/` at every one of them. A history that breaks
a promise is made short and printed as code. Exits with 1 if there was one.
"""

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator
from multiprocessing import get_context

from tests.model.shrink import shrunk, written
from tests.random_kitchen import EVENTS, Lived, lived


def live_many(first: int, events: int, processes: int) -> Iterator[Lived]:
    """Kitchens from seed `first` on, until so many events have been."""
    seeds = range(first, first + -(-events // EVENTS))
    with get_context("spawn").Pool(processes) as pool:
        yield from pool.imap_unordered(lived, seeds)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--events", type=int, default=2_000_000)
    options.add_argument("--processes", type=int, default=2)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--shrink", type=float, default=60, help="seconds for each promise that was broken")
    args = options.parse_args()
    begin_s, steps, seen, found = time.monotonic(), 0, Counter[str](), dict[str, Lived]()
    for kitchen in live_many(args.seed, args.events, args.processes):
        steps, seen = steps + kitchen.steps, seen + kitchen.seen
        if kitchen.error:
            known = found.get(kitchen.error.promise)
            if known is None or len(kitchen.history) < len(known.history):
                found[kitchen.error.promise] = kitchen
    for what, often in sorted(seen.items()):
        print(f"{what:<44}{often:>10}")
    print(f"{steps} events in {time.monotonic() - begin_s:.0f} s; promises broken: {', '.join(found) or 'none'}")
    for promise, kitchen in found.items():
        short = shrunk(kitchen.history, kitchen.ticking, promise, args.shrink)
        print(f"\n# seed {kitchen.seed}: {len(kitchen.history)} events, {len(short)} of them needed")
        print(written(short, kitchen.ticking, kitchen.error))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
