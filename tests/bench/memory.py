"""What hearing takes in memory: a process that only listens, to sound on its standard input, and tells its peak.

`VmHWM` of Linux, which begins anew with each program; `ru_maxrss` would tell the parent's peak if that was larger.
Imports nothing that the station itself would not, numpy least of all.
"""

import pickle
import re
import subprocess
import sys
from pathlib import Path

from recorder.voice.ear import Ear, build
from recorder.voice.language import phrases
from recorder.voice.settings import VoiceSettings


def peak_mb(settings: VoiceSettings, phrase_file: str, pcm: bytes) -> float:
    """Peak resident memory in MB (10^6 bytes) of a process that hears `pcm` with these settings and phrases."""
    given = pickle.dumps((settings, phrase_file, len(pcm))) + pcm
    run = subprocess.run([sys.executable, "-m", __name__], input=given, stdout=subprocess.PIPE, check=True)
    return float(run.stdout)


def main() -> None:
    settings, phrase_file, size = pickle.load(sys.stdin.buffer)
    known = phrases.load(phrase_file)
    ear = Ear(build(known, settings), known, settings)
    for _ in ear.hear(sys.stdin.buffer.read(3_200) for _ in range(0, size, 3_200)):
        pass
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    assert found is not None, "Linux tells VmHWM"
    print(int(found[1]) * 1024 / 1e6)


if __name__ == "__main__":
    main()
