"""SIGTERM to the real daemon at random moments of its first seconds: how it ended, and how soon.

As tests/test_stop.py, whose brokers and programs it uses: a broker that does not answer in one of three ways, a
microphone that gives nothing, a loudspeaker that hangs in the middle of words, a probe that is not there.

    .venv/bin/python -m tests.bench.stops [--times 60] [--seed 1]
"""

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from recorder.journal.reader import Reader
from recorder.verification.examine import examine
from tests.hanging import full, mute, programs, station, thankless

LATEST_S = 5.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    chance, ends, lengths, faults = random.Random(asked.seed), Counter[str](), list[tuple[float, float]](), 0
    for number in range(asked.times):
        broker = (mute, full, thankless)[number % 3]
        with tempfile.TemporaryDirectory() as name, broker() as port:
            folder = Path(name)
            environment = programs(folder)
            command = [sys.executable, "-m", "recorder", "run", "--config", str(station(folder, port))]
            with subprocess.Popen(command, stderr=subprocess.PIPE, env=environment) as daemon:
                moment_s = chance.uniform(0.05, LATEST_S)
                time.sleep(moment_s)
                began_s = time.monotonic()
                daemon.send_signal(signal.SIGTERM)
                daemon.communicate(timeout=60)
                lengths.append((time.monotonic() - began_s, moment_s))
            last, records = "no records", folder / "records.db"
            if records.exists():
                journal = Reader.open(records)
                newest = journal.newest()
                last = newest.kind if newest else "nothing recorded"
                journal.close()
                faults += len(examine(records).faults)
            ends[f"exit {daemon.returncode}, last entry: {last}"] += 1
    print(f"{asked.times} stops at random moments of the first {LATEST_S:.0f} s; {faults} faults found by verify")
    for end, count in ends.most_common():
        print(f"{count:6} {end}")
    times = sorted(length for length, _ in lengths)
    longest_s, moment_s = max(lengths)
    print(f"median {times[len(times) // 2]:.2f} s, longest {longest_s:.2f} s (asked {moment_s:.2f} s after the start)")


if __name__ == "__main__":
    main()
