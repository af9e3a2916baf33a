"""Disks that fill up, fail, crawl or spoil their files under a recorder, many times at random moments and places.

    .venv/bin/python -m tests.bench.disks [--times 40] [--seed 1]

Every time: the end is cried out after the last cue, what was cued is on record, `verify` finds no fault; on a disk
that crawls, no cue comes before its commit, none is lost, and the watchdog is fed; damage is told or found by `verify`.
It fails where one does not hold. The full disk is a tmpfs, which takes root.
"""

import argparse
import random
import tempfile
from collections import Counter
from pathlib import Path

from tests.disk_faults import crawl, fail
from tests.full_disk import fills_up
from tests.spoilt import records_in, spoilt_at_random


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--times", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    chance = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as folder:
        records = records_in(Path(folder))
    became: Counter[str] = Counter()
    for _ in range(10 * given.times):
        with tempfile.TemporaryDirectory() as folder:
            became[spoilt_at_random(records, chance, Path(folder))] += 1
    print(f"a page, a bit or the end gone at random, {10 * given.times} times: {dict(became)}", flush=True)
    for fault in ("write", "sync"):
        for _ in range(given.times):
            with tempfile.TemporaryDirectory() as folder:
                fail(Path(folder), fault, chance.randint(4, 120))
        print(f"each {fault} fails with EIO: {given.times} of {given.times} held", flush=True)
    for sync_s in (0.5, 1.0, 3.0):
        with tempfile.TemporaryDirectory() as folder:
            late_s, fed_s = crawl(Path(folder), sync_s, 5 * sync_s)
        assert fed_s < 1.5 + sync_s, "half of what its watchdog allows, and one commit"
        print(f"a sync takes {sync_s} s: cues up to {late_s:.1f} s late, watchdog fed every {fed_s:.1f} s", flush=True)
    for _ in range(given.times // 2):
        with tempfile.TemporaryDirectory() as folder:
            fills_up(Path(folder))
    print(f"a disk that fills up: {given.times // 2} of {given.times // 2} held", flush=True)


if __name__ == "__main__":
    main()
