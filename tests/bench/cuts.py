"""Power cuts in bulk, at the level of files: `python -m tests.bench.cuts [--cuts 4000] [--story DB] [--seed 1]`.

Shifts of four lives are recorded write by write, each with messages for a broker; then the power is cut at random
steps, and what is left of what was not synced is drawn in all ways of tests/cuts.py. At some of the cuts the
recorder is started again, and runs to the end of the shift. Without `--story` the demo is played first.
"""

import argparse
import random
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

from tests.conftest import perform
from tests.cuts import WAYS, cut, recorded
from tests.kills import brokered, fatal
from tests.shift_under_fire import POINTS
from tests.system import compiled

SHIFTS = 4

RESUMED = 97
"""After each so manieth cut the shift is played to its end."""


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--cuts", type=int, default=4000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--story", type=Path, help="a database of records whose events are played")
    args = options.parse_args()
    chance, done, resumed, steps = random.Random(args.seed), [], [], Counter[str]()
    begin_s = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        story, shim = args.story or perform(folder).database, compiled("cuts.c", folder)
        with brokered(story) as lives:
            for number in range(SHIFTS):
                life = replace(lives.life(folder / f"shift-{number}", chance, 100), publish="all")
                ends = [fatal(life, point, chance) for point in chance.sample(POINTS, 3)]
                recording = recorded([*ends, life], shim)
                steps.update(step.what for step in recording)
                for held in cut(recording, args.cuts // SHIFTS, folder / "left", chance):
                    done.append(held)
                    if len(done) % RESUMED == 0:
                        resumed.append(lives.resume(life, folder / "left"))
    print(f"recorded: {steps['w']} writes, {steps['s']} syncs, {sum(steps.values())} steps in {SHIFTS} shifts")
    print(f"{'what a cut leaves':<52}{'cuts':>6}{'cues checked':>14}{'messages given':>16}")
    for way in WAYS:
        left = [held for held in done if held.way == way]
        cued, given = sum(held.cued for held in left), sum(held.given for held in left)
        print(f"{way:<52}{len(left):>6}{cued:>14}{given:>16}")
    unsynced = sum(held.unsynced for held in done)
    print(f"{len(done)} cuts, {unsynced} of them with something unsynced: all open, verify clean")
    print(f"{sum(held.kept for held in done)} starts from a kept state, each as the whole journal would have it")
    print(f"{len(resumed)} shifts played to their end after a cut: {sum(resumed)} more messages")
    print("It would have stopped at an entry or a message that was lost or invented.")
    print(f"{time.monotonic() - begin_s:.0f} s")


if __name__ == "__main__":
    main()
