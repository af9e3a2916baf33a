"""Kills in bulk, at named points and at random: `python -m tests.bench.kills [--kills 1000] [--story DB] [--seed 1]`.

Shifts are killed with SIGKILL, at each named point in turn and then at a random moment, and started again until they
are over. After each kill what was seen outside is compared with the journal; after each shift every message of the
journal is at a subscriber, and no other. Without `--story` the demo is played first.
"""

import argparse
import random
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.conftest import perform
from tests.kills import RANDOM, brokered
from tests.shift_under_fire import POINTS


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--kills", type=int, default=1000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--story", type=Path, help="a database of records whose events are played")
    args = options.parse_args()
    shifts, kills, cued, waiting = [], Counter[str](), Counter[str](), Counter[str]()
    begin_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        story = args.story or perform(Path(folder)).database
        with brokered(story) as lives:
            for shift in lives.shifts(Path(folder), args.kills, random.Random(args.seed)):
                shifts.append(shift)
                for kill in shift.kills:
                    kills[kill.point] += 1
                    cued[kill.point] += kill.cued
                    waiting[kill.point] += kill.waiting
    print(f"{'killed at':<36}{'kills':>7}{'cues checked':>14}{'messages waiting':>18}")
    for point in (*POINTS, RANDOM):
        print(f"{point:<36}{kills[point]:>7}{cued[point]:>14}{waiting[point]:>18}")
    print(f"{'all':<36}{kills.total():>7}{cued.total():>14}{waiting.total():>18}")
    entries, messages = sum(shift.entries for shift in shifts), sum(shift.messages for shift in shifts)
    announced, doubles = sum(shift.announced for shift in shifts), sum(shift.doubles for shift in shifts)
    print(
        f"{len(shifts)} shifts of {entries} entries in {time.monotonic() - begin_s:.0f} s: {messages} messages"
        f" delivered, the alerts of {announced} starts among them, {doubles} doubles"
    )
    print("It would have stopped at an entry or a message that was lost or invented.")


if __name__ == "__main__":
    main()
