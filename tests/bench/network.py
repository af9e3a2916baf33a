"""Bad brokers and wires in bulk: `python -m tests.bench.network [--connections 1000] [--cuts 100] [--seed 1]`.

A scripted broker that misbehaves in one of ten ways at each connection, drawn at random; and a wire to a mosquitto that
is cut again and again. After each step of the outbox: sent is acknowledged, and paho holds no more than it may.
"""

import argparse
import random
import tempfile
import time
from collections import Counter
from pathlib import Path

from recorder.notices import client
from tests.brokers import Mosquitto
from tests.faulty import FAULTS
from tests.network_faults import broken_wire, ordeal


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--connections", type=int, default=1000)
    options.add_argument("--cuts", type=int, default=100)
    options.add_argument("--seed", type=int, default=1)
    args = options.parse_args()
    client.RECOVER_S = 0.02
    chance, times, given, acknowledged = random.Random(args.seed), Counter[str](), 0, 0
    begin_s = time.monotonic()
    for number in range(0, args.connections, 50):
        script = [chance.choice(FAULTS) for _ in range(min(50, args.connections - number))]
        times.update(fault.__name__ for fault in script)
        with tempfile.TemporaryDirectory() as folder:
            broker = ordeal(Path(folder), script, chance.choice(("5", "3.1.1")), 300, 300)
        given, acknowledged = given + len(broker.given), acknowledged + len(broker.acknowledged)
    print(f"{args.connections} connections in {time.monotonic() - begin_s:.0f} s: {dict(times)}")
    print(f"{acknowledged} messages acknowledged, given {given} times")
    print("It would have stopped at one that was lost, or marked as sent without it.")
    with tempfile.TemporaryDirectory() as folder:
        wired = Mosquitto(Path(folder), "allow_anonymous true", "log_type none", "max_queued_messages 0")
        found = broken_wire(Path(folder), wired.port, args.cuts * 60, args.cuts)
        wired.stop()
    print(f"a wire that is cut: {found} of {args.cuts * 60}")
    if found["arrived"] != args.cuts * 60 or found["disorder"]:
        raise SystemExit("a message was lost or came out of order")


if __name__ == "__main__":
    main()
