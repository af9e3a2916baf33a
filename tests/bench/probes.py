"""What reading probes costs: `python -m tests.bench.probes [--seconds 20] [--lines 50000]`.

**Share of a core.** A board in a process of its own speaks four channels at 10 lines a second on a pty, the needle
being dipped now and then. Ours: the driver of the product, to its events; and beside it the same with the station, the
journal (synchronous=FULL) and its rows. Counted is the processor time of this process alone, by `time.process_time`.

**Lines a second.** A board writes its lines as fast as they are taken. Ours: the driver. Bare: a loop around pyserial's
`read` that cuts at the line's end and turns the number into a float, with no checksum, order, range, jump or settling.
Also ours without the needle's settling, which is where most of the time goes.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

import serial

from recorder.app import App, open_journal
from recorder.clock import SystemClock
from recorder.config import load
from recorder.core.events import Event
from recorder.demo.devices.serial_board import Kitchen, framed
from recorder.probes.probe import Probe
from recorder.probes.serial.port import SerialSettings

CHANNELS = ("needle", "cabinet", "vat1", "vat2")
PERIOD_S = 0.1


def board() -> tuple["subprocess.Popen[bytes]", str]:
    """A board in a process of its own that speaks in real time, and its port."""
    program = subprocess.Popen([sys.executable, "-m", "tests.bench.probes", "--board"], stdout=subprocess.PIPE)
    assert program.stdout
    return program, program.stdout.readline().decode().strip()


def speak() -> None:
    """Be that board, until killed."""
    mine, port = os.openpty()
    tty.setraw(port)
    sys.stdout.write(os.ttyname(port) + "\n")
    sys.stdout.flush()
    kitchen, began_s = Kitchen(), time.monotonic()
    for number in range(1, 65_536):
        if number % 300 in (50, 250):
            kitchen.insert(84.0) if number % 300 == 50 else kitchen.withdraw()
        kitchen.pass_time(round(PERIOD_S * 1000))
        felt = (kitchen.needle_c, kitchen.cabinet_c, kitchen.oil_c, kitchen.oil_c)
        for channel, temp_c in zip(CHANNELS, felt, strict=True):
            os.write(mine, framed(channel, number, f"{temp_c + kitchen.noise():.2f}C"))
        time.sleep(max(0.0, began_s + number * PERIOD_S - time.monotonic()))


def share(put: Callable[[Event], None], settings: SerialSettings, seconds: float, turn: Callable[[], None]) -> float:
    """Processor seconds a second while the driver reads."""
    stop = threading.Event()
    probe = Probe(settings, SystemClock(None))
    thread = threading.Thread(target=probe.run, args=(put, stop))
    thread.start()
    time.sleep(1)
    began_s, before = time.process_time(), probe.ended
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        turn()
    used_s = time.process_time() - began_s
    assert probe.ended - before >= 0.95 * seconds * len(CHANNELS) / PERIOD_S, "lines were lost"
    stop.set()
    thread.join()
    return used_s / seconds


def flood(lines: list[bytes], read: Callable[[str, int, Callable[[], None]], None]) -> float:
    """Lines a second of `read`, which is given the port, how many lines there are, and what starts them."""
    mine, far = os.openpty()
    tty.setraw(far)
    writer = threading.Thread(target=_write, args=(mine, b"".join(lines)))
    began_s = 0.0

    def go() -> None:
        nonlocal began_s
        began_s = time.perf_counter()
        writer.start()

    read(os.ttyname(far), len(lines), go)
    took_s = time.perf_counter() - began_s
    writer.join()
    os.close(mine)
    os.close(far)
    return len(lines) / took_s


def _write(end: int, data: bytes) -> None:
    while data:
        data = data[os.write(end, data[:4096]) :]


def bare(port: str, count: int, go: Callable[[], None]) -> None:
    """The baseline."""
    with serial.serial_for_url(port, 115_200, timeout=0.05, exclusive=True) as device:
        rest, got = b"", 0
        go()
        while got < count:
            data = device.read(1)
            *lines, rest = (rest + data + device.read(device.in_waiting)).split(b"\n")
            for line in lines:
                float(line.split(b" ")[2][:-1])
                got += 1


def ours(port: str, count: int, go: Callable[[], None]) -> None:
    """The driver of the product."""
    stop = threading.Event()
    probe = Probe(SerialSettings("serial", port, ()), SystemClock(None))
    thread = threading.Thread(target=probe.run, args=(lambda event: None, stop))
    thread.start()
    probe.listening.wait()
    go()
    while probe.ended < count:
        time.sleep(0.001)
    stop.set()
    thread.join()
    assert probe.reader.good == count, dict(probe.reader.bad)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seconds", type=float, default=20.0)
    options.add_argument("--lines", type=int, default=50_000)
    options.add_argument("--board", action="store_true", help=argparse.SUPPRESS)
    args = options.parse_args()
    if args.board:
        return speak()
    program, port = board()
    try:
        settings = SerialSettings("serial", port, CHANNELS)
        driver = share(lambda event: None, settings, args.seconds, lambda: time.sleep(0.25))
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "station.toml").write_text('station = "line-1"\nvats = [1, 2]\n')
            configured = load(Path(folder) / "station.toml")
            app = App(configured, open_journal(configured), SystemClock(None), lambda cue: None)
            app.open()
            whole = share(app.loop.inbox.put, settings, args.seconds, lambda: app.turn() and None)
            app.close()
    finally:
        program.kill()
        program.wait()
    print("four channels at 10 lines a second, share of one core:")
    print(f"    driver {100 * driver:.1f} %, with station and journal {100 * whole:.1f} %")
    for name, channels in (("four channels", CHANNELS), ("without the needle", CHANNELS[1:])):
        lines = [
            framed(channels[at % len(channels)], 1 + at // len(channels), f"{70 + at % 7 / 10:.2f}C")
            for at in range(args.lines)
        ]
        base, made = flood(lines, bare), flood(lines, ours)
        print(f"lines a second, {name}: ours {made:,.0f}, bare pyserial {base:,.0f}, ratio {made / base:.2f}")
    return None


if __name__ == "__main__":
    main()
