"""Disks that fail and disks that crawl under a running recorder, many times at random moments.

    .venv/bin/python -m tests.bench.disks [--times 40] [--seed 1]

Every time: the end is cried out after the last cue, what was cued is on record, `verify` finds no fault; on a disk
that crawls, no cue comes before its commit, none is lost, and the watchdog is fed. It fails where one does not hold.
"""

import argparse
import random
import tempfile
from pathlib import Path

from tests.test_disk_faults import crawl, fail


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--times", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    chance = random.Random(given.seed)
    for fault in ("write", "sync"):
        for _ in range(given.times):
            with tempfile.TemporaryDirectory() as folder:
                fail(Path(folder), fault, chance.randint(4, 120))
        print(f"each {fault} fails with EIO: {given.times} of {given.times} held", flush=True)
    for sync_s in (0.5, 1.0, 3.0):
        with tempfile.TemporaryDirectory() as folder:
            late_s, fed_s = crawl(Path(folder), sync_s, 5 * sync_s)
        print(
            f"a sync takes {sync_s} s: cues up to {late_s:.1f} s late, watchdog fed every {fed_s:.1f} s at most",
            flush=True,
        )


if __name__ == "__main__":
    main()
